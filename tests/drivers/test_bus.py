"""Turns on a shared line: in the order of asking, ended however an exchange ends."""

from __future__ import annotations

import math

import pytest

from drivers.bus import Bus
from drivers.clock import VirtualClock
from drivers.conversing import ConversingInstrument
from drivers.line import SerialSettings
from drivers.memory_line import MemoryLine
from drivers.talk import Talk
from tests.drivers.far_end import ScriptedPeer


def bus_with(answer=lambda request: ()):
    clock = VirtualClock()
    peer = ScriptedPeer(answer)
    line = MemoryLine("memory", SerialSettings(9600), clock, peer)
    return clock, Bus(line, clock), line


class User:
    """Asks for turns of so long and writes down when it had them."""

    def __init__(self, bus, clock, name, log):
        self.bus, self.clock, self.name, self.log = bus, clock, name, log
        self.talk = Talk()

    def ask(self, for_s=1.0, fails=False):
        self.talk.begin(self.bus.turn(self.talk, self._use(for_s, fails)))

    def _use(self, for_s, fails):
        began_s = self.clock.elapsed_s()
        while self.clock.elapsed_s() < began_s + for_s:
            yield began_s + for_s
        if fails:
            raise ValueError("the exchange failed")
        self.log.append((self.name, began_s, self.clock.elapsed_s()))
        return self.name


def serve(clock, users, until):
    """The plain loop: whoever is due is polled; then it waits for the first that will be."""
    while not until():
        for user in users:
            if user.talk.is_under_way and clock.elapsed_s() >= user.talk.wake_s:
                user.talk.advance()
        if not until():
            clock.wait_until(min(user.talk.wake_s for user in users))


def test_turns_go_round_in_the_order_of_asking():
    clock, bus, _ = bus_with()
    log = []
    users = [User(bus, clock, name, log) for name in "abc"]
    for user in users:
        user.ask()
    serve(clock, users, lambda: len(log) == 3)
    assert log == [("a", 0.0, 1.0), ("b", 1.0, 2.0), ("c", 2.0, 3.0)]
    assert bus.is_free


def test_one_who_asks_all_the_time_does_not_starve_the_others():
    clock, bus, _ = bus_with()
    log = []
    greedy, modest = (User(bus, clock, name, log) for name in ("greedy", "modest"))
    greedy.ask()
    greedy.talk.advance()
    modest.ask()

    def again():
        if not greedy.talk.is_under_way:
            greedy.ask(0.25)
        return len(log) == 4

    serve(clock, [greedy, modest], again)
    assert [name for name, _, _ in log][:3] == ["greedy", "modest", "greedy"]


def test_a_waiting_talk_waits_for_ever_and_is_woken_by_the_release():
    clock, bus, _ = bus_with()
    log = []
    first, second = (User(bus, clock, name, log) for name in "ab")
    first.ask()
    first.talk.advance()
    second.ask()
    assert second.talk.advance() is None
    assert second.talk.wake_s == math.inf
    assert second.talk.advance() is None  # polled needlessly: yields again
    clock.wait_until(1.0)
    assert first.talk.advance() == "a"
    assert second.talk.wake_s == -math.inf
    assert bus.is_held_by(second.talk)
    assert bus.was_last(first.talk)


def test_a_failed_exchange_ends_its_turn():
    clock, bus, _ = bus_with()
    log = []
    first, second = (User(bus, clock, name, log) for name in "ab")
    first.ask(0.0, fails=True)
    second.ask(0.0)
    with pytest.raises(ValueError, match="failed"):
        first.talk.advance()
    assert second.talk.advance() == "b"


def test_a_cancelled_turn_is_handed_on_and_a_cancelled_ticket_given_back():
    clock, bus, _ = bus_with()
    log = []
    users = [User(bus, clock, name, log) for name in "abc"]
    for user in users:
        user.ask()
        user.talk.advance()
    users[1].talk.end()  # was waiting
    users[0].talk.end()  # had the turn
    assert bus.is_held_by(users[2].talk)
    serve(clock, users, lambda: len(log) == 1)
    assert log == [("c", 0.0, 1.0)]
    assert bus.is_free


def test_an_exchange_within_a_turn_belongs_to_it():
    _, bus, _ = bus_with()
    talk, other = Talk(), Talk()

    def inner():
        yield 1.0
        return "inner"

    def outer():
        found = yield from bus.turn(talk, inner())
        assert bus.is_held_by(talk)
        yield 2.0
        return found

    talk.begin(bus.turn(talk, outer()))
    talk.advance()
    other.begin(bus.turn(other, inner()))
    other.advance()
    talk.advance()
    assert other.wake_s == math.inf
    assert talk.advance() == "inner"
    assert other.wake_s == -math.inf


def test_a_rest_leaves_the_line_to_others_and_drains_it_between_turns():
    clock, bus, line = bus_with(lambda request: [(0.1, b"late")])
    resting = Talk()
    resting.begin(bus.rest(1.0))
    line.write(b"x")
    while (unasked := resting.advance()) is None:
        clock.wait_until(resting.wake_s, watching=[line])
    assert unasked == b"late"
    assert clock.elapsed_s() == 1.0
    assert not line.readable()
    assert bus.active_s == pytest.approx(10 / 9600 + 0.1 + 40 / 9600)


def test_the_last_user_closes_the_line():
    clock, bus, line = bus_with()
    users = [ConversingInstrument(bus, clock, name) for name in "ab"]
    users[0].close()
    users[0].close()
    line.read()  # still open
    users[1].close()
    with pytest.raises(Exception, match="closed"):
        line.read()


def test_a_lone_instrument_has_a_bus_of_its_own():
    clock, _, line = bus_with()
    instrument = ConversingInstrument(line, clock, "thing")
    assert list(instrument.lines) == [line]
    instrument.close()
    with pytest.raises(Exception, match="closed"):
        line.read()
