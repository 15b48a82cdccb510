"""Both clocks keep the same contract; the virtual one never takes real time."""

import math
import os
import threading
import time
from datetime import UTC, datetime, timedelta

import pytest

from drivers.clock import SystemClock, VirtualClock, Watchdog


class Watched:
    def __init__(self, readable=False, fd=None):
        self.is_readable = readable
        self.fd = fd

    def fileno(self):
        return self.fd

    def readable(self):
        return self.is_readable


def test_virtual_time_moves_only_when_somebody_waits():
    clock = VirtualClock()
    assert clock.elapsed_s() == 0.0
    clock.wait_until(1800.0)
    assert clock.elapsed_s() == 1800.0


def test_thirty_virtual_minutes_take_no_real_time():
    clock = VirtualClock()
    before_s = time.perf_counter()
    clock.wait_until(1800.0)
    assert time.perf_counter() - before_s < 0.5


def test_waiting_for_the_past_returns_at_once_and_never_goes_back():
    clock = VirtualClock()
    clock.wait_until(10.0)
    clock.wait_until(3.0)
    assert clock.elapsed_s() == 10.0


def test_events_run_in_order_of_their_time_and_equal_times_in_order_of_asking():
    clock = VirtualClock()
    seen = []
    clock.call_at(2.0, lambda: seen.append("b"))
    clock.call_at(1.0, lambda: seen.append("a"))
    clock.call_at(2.0, lambda: seen.append("c"))
    clock.wait_until(5.0)
    assert seen == ["a", "b", "c"]
    assert clock.elapsed_s() == 5.0


def test_an_event_sees_its_own_time():
    clock = VirtualClock()
    seen = []
    clock.call_at(2.5, lambda: seen.append(clock.elapsed_s()))
    clock.wait_until(9.0)
    assert seen == [2.5]


def test_an_event_may_schedule_another_before_the_deadline():
    clock = VirtualClock()
    seen = []
    clock.call_at(1.0, lambda: clock.call_at(2.0, lambda: seen.append(clock.elapsed_s())))
    clock.wait_until(3.0)
    assert seen == [2.0]


def test_the_virtual_clock_stops_where_a_watched_line_becomes_readable():
    clock, line = VirtualClock(), Watched()

    def arrive():
        line.is_readable = True

    clock.call_at(4.0, arrive)
    clock.wait_until(100.0, watching=[line])
    assert clock.elapsed_s() == 4.0


def test_waiting_for_ever_with_nothing_due_is_refused_on_the_virtual_clock():
    with pytest.raises(RuntimeError, match="waiting for ever"):
        VirtualClock().wait_until(math.inf)


def test_utc_follows_elapsed_time_and_a_step_moves_utc_alone():
    start = datetime(2026, 3, 29, 0, 30, tzinfo=UTC)
    clock = VirtualClock(start)
    clock.wait_until(60.0)
    assert clock.utc() == start + timedelta(seconds=60)
    clock.step_utc(-3600.0)
    assert clock.stamp() == (start + timedelta(seconds=60 - 3600), 60.0)


def test_the_system_clock_waits_to_the_deadline_not_before():
    clock = SystemClock()
    deadline_s = clock.elapsed_s() + 0.02
    clock.wait_until(deadline_s)
    assert clock.elapsed_s() >= deadline_s


@pytest.mark.parametrize("deadline_s", [30.0, math.inf])
def test_the_system_clock_wakes_for_a_byte_long_before_the_deadline(deadline_s):
    clock = SystemClock()
    reader, writer = os.pipe()
    try:
        os.write(writer, b"x")
        before_s = clock.elapsed_s()
        clock.wait_until(deadline_s + before_s, watching=[Watched(fd=reader)])
        assert clock.elapsed_s() - before_s < 5.0
    finally:
        os.close(reader)
        os.close(writer)


def test_the_system_clock_does_not_wait_for_a_line_that_holds_bytes_already():
    clock = SystemClock()
    before_s = clock.elapsed_s()
    clock.wait_until(before_s + 30.0, watching=[Watched(readable=True)])
    assert clock.elapsed_s() - before_s < 5.0


def test_the_utc_of_the_system_clock_is_aware():
    assert SystemClock().utc().tzinfo is UTC


@pytest.mark.wire
def test_a_watchdog_that_is_not_fed_barks_once_and_a_fed_one_does_not():
    barked = threading.Event()
    barks = []
    hungry = Watchdog(0.05, lambda: (barks.append(1), barked.set()))
    assert barked.wait(5.0)
    hungry.end()
    assert barks == [1]
    fed = Watchdog(30.0, lambda: barks.append(2))
    fed.feed()
    fed.end()
    assert barks == [1]
