"""Every kind of the registry keeps what `drivers.contracts` promises, whatever its line does.

A new device is picked up here by its entry in the registry; see `contract_bench`.
"""

from __future__ import annotations

import math
import time

import pytest

from analysis.quantities import MEASURED
from drivers import registry
from drivers.bus import Bus
from drivers.contracts import Position
from drivers.errors import DeviceFault, DriverError, NoReply, PortLost, WriteStalled
from drivers.reading import Reading
from drivers.talk import Talk
from tests.drivers import contract_bench
from tests.drivers.contract_bench import DEVICE, PORT, NoFarEnd, OnTheBench, far_end_of

#: Those that a person serves have no bytes: see `test_manual_contract`.
ON_A_LINE = [name for name, kind in registry.KINDS.items() if not kind.by_hand]
GARBLED = ["turned", "turned between line ends", "cut short"]


@pytest.fixture(params=ON_A_LINE)
def bench(request):
    try:
        made = OnTheBench(request.param)
    except NoFarEnd:
        pytest.skip("has no simulated far end: see test_every_kind_has_a_simulated_far_end")
    yield made
    made.instrument.close()


def speaks(bench):
    """Leave out a kind whose line carries no bytes from us; return how long a reading takes. [s]"""
    taken_s = math.inf
    for _ in range(3):  # what is done once only, on connecting, does not count
        began_s = bench.clock.elapsed_s()
        bench.do()
        taken_s = min(taken_s, bench.clock.elapsed_s() - began_s)
        bench.rest(1.0)
    if not bench.bytes_out():
        pytest.skip("sends no bytes")
    return taken_s


def is_sound(bench, result):
    if bench.role == "stage":
        return isinstance(result, Position)
    if bench.role == "lamp_relay":
        return result is False
    assert all(isinstance(reading, Reading) for reading in result)
    for reading in result:
        assert reading.quantity in MEASURED
        assert reading.raw
        lowest, highest = MEASURED[reading.quantity].plausible
        assert lowest <= reading.value <= highest
        assert reading.window_end_s <= bench.clock.elapsed_s()
    return len(result) > 0


def failure(bench, longest_s=300.0):
    """Carry on to the failure that must come; the instrument is then idle, and says who it is."""
    with pytest.raises(DriverError) as caught:
        bench.finish(longest_s=longest_s)
    error = caught.value
    assert error.device.startswith(f"{DEVICE}, {PORT}")
    assert error.problem
    assert "\n" not in str(error)
    assert bench.instrument.wake_s == math.inf
    with pytest.raises(RuntimeError):
        bench.instrument.poll()
    return error


def gets_over_it(bench):
    for _ in range(4):
        bench.rest(3.0)
        try:
            return is_sound(bench, bench.do())
        except DriverError:
            continue
    return False


@pytest.mark.parametrize("name", ON_A_LINE)
def test_every_kind_has_a_simulated_far_end(name):
    section, _, _ = far_end_of(name)
    assert section.replace("monitor", "light") == registry.KINDS[name].role


def test_a_kind_without_one_is_told_what_to_add(monkeypatch):
    monkeypatch.setattr(contract_bench, "makes", list)
    with pytest.raises(NoFarEnd) as caught:
        far_end_of("new-sensor")
    told = str(caught.value)
    assert told.startswith("kind 'new-sensor' of drivers/registry.py has no simulated far end")
    for place in ("drivers/simulated/", "FITTINGS", "Instruments", "OTHER_DATA"):
        assert place in told


def test_it_reads_again_and_again_without_waiting_or_spinning(bench):
    began = time.perf_counter()
    assert bench.instrument.wake_s == math.inf
    assert not bench.bytes_out()  # nothing is sent by making it
    for _ in range(3):
        earliest_s = bench.begin()
        assert bench.clock.elapsed_s() <= earliest_s < math.inf
        assert is_sound(bench, bench.finish())
        assert bench.instrument.wake_s == math.inf
        # A byte or a deadline is the only reason to be polled: a line left readable would spin.
        assert bench.polls < 200
        assert list(bench.instrument.lines) == [bench.line]
    assert time.perf_counter() - began < 3.0


def test_it_says_who_it_is_in_one_line(bench):
    for _ in range(2):
        bench.instrument.start_identify()
        identity = bench.finish(poll=bench.instrument.poll_identity)
        assert identity
        assert identity.isprintable()
    assert is_sound(bench, bench.do())


def test_a_silent_one_is_given_up_at_a_deadline(bench):
    speaks(bench)
    bench.peer.mode = "silent"
    bench.begin()
    error = failure(bench)
    if bench.role != "stage":  # of a stage it is said where it may be now
        assert isinstance(error, NoReply)
        assert "no reply" in str(error)
    assert error.remedy
    bench.peer.mode = "fair"
    assert gets_over_it(bench)


def test_a_silent_one_has_no_identity(bench):
    speaks(bench)
    bench.peer.mode = "silent"
    bench.instrument.start_identify()
    with pytest.raises(DriverError):
        bench.finish(poll=bench.instrument.poll_identity)
    assert bench.instrument.wake_s == math.inf


@pytest.mark.parametrize("mode", GARBLED)
def test_no_value_is_made_of_a_spoilt_reply(bench, mode):
    speaks(bench)
    bench.peer.mode = mode
    bench.begin()
    error = failure(bench)
    assert not isinstance(error, DeviceFault | PortLost | WriteStalled)
    assert error.remedy
    bench.peer.mode = "fair"
    assert gets_over_it(bench)


def test_a_line_that_babbles_holds_nobody_up(bench):
    speaks(bench)
    bench.peer.babble_from(bench.clock.elapsed_s())
    bench.begin()
    failure(bench)
    assert bench.polls < 20_000
    bench.peer.mode = "fair"
    assert gets_over_it(bench)


def test_an_unplugged_one_is_a_lost_port_at_once(bench):
    bench.line.unplug()
    bench.begin()
    begun_s = bench.clock.elapsed_s()
    assert isinstance(failure(bench), PortLost)
    assert bench.clock.elapsed_s() == begun_s


@pytest.mark.parametrize("share", [0.0, 0.1, 0.3, 0.6])
def test_a_plug_pulled_half_way_is_a_lost_port(bench, share):
    taken_s = speaks(bench)
    bench.begin()
    bench.clock.call_at(bench.clock.elapsed_s() + share * taken_s, bench.line.unplug)
    assert isinstance(failure(bench), PortLost)
    bench.instrument.cancel()
    bench.instrument.close()


def test_a_port_that_takes_no_bytes_is_told_within_the_deadline(bench):
    speaks(bench)
    bench.line.stall()
    bench.begin()
    begun_s = bench.clock.elapsed_s()
    assert isinstance(failure(bench), WriteStalled)
    assert bench.clock.elapsed_s() - begun_s <= 1.0
    bench.line.stall(False)
    assert gets_over_it(bench)


@pytest.mark.parametrize("after_s", [0.0, 0.004, 0.02, 0.06, 0.15, 0.4])
def test_what_was_given_up_half_way_does_not_answer_the_next(bench, after_s):
    instrument = bench.instrument
    instrument.cancel()  # nothing is under way: nothing happens
    bench.begin()
    stop_s = bench.clock.elapsed_s() + after_s
    while instrument.poll() is None and bench.clock.elapsed_s() < stop_s:
        bench.clock.wait_until(min(stop_s, instrument.wake_s), watching=instrument.lines)
    instrument.cancel()
    instrument.cancel()
    assert instrument.wake_s == math.inf
    with pytest.raises(RuntimeError):
        instrument.poll()
    assert gets_over_it(bench)


def test_beginning_twice_is_a_fault_of_the_caller_and_harms_nothing(bench):
    bench.begin()
    with pytest.raises(RuntimeError):
        bench.begin()
    with pytest.raises(RuntimeError):
        bench.instrument.start_identify()
    assert is_sound(bench, bench.finish())


def test_it_closes_twice_even_while_something_is_under_way(bench):
    bench.begin()
    bench.instrument.poll()
    for _ in range(2):
        bench.instrument.close()
        assert bench.instrument.wake_s == math.inf
        assert not bench.line.readable()
    bench.begin()
    assert isinstance(failure(bench), PortLost)


def test_it_closes_on_a_lost_port(bench):
    bench.begin()
    bench.instrument.poll()
    bench.line.unplug()
    bench.instrument.cancel()
    bench.instrument.close()
    bench.instrument.close()


def test_on_a_shared_line_it_keeps_silent_until_its_turn(bench):
    if not bench.kind.bus:
        pytest.skip("has a port of its own")
    bus = Bus(bench.line, bench.clock)
    instrument = bench.kind.make(bench.options, bus, bench.clock, DEVICE)
    other = Talk()
    other.begin(bus.turn(other, _hold()))
    other.advance()
    instrument.start_identify()
    before = len(bench.line.events)
    assert instrument.poll_identity() is None
    bench.rest(1.0)
    assert len(bench.line.events) == before
    other.end()
    assert instrument.wake_s <= bench.clock.elapsed_s()
    while (identity := instrument.poll_identity()) is None:
        bench.clock.wait_until(instrument.wake_s, watching=instrument.lines)
    assert identity


def _hold():
    yield math.inf
