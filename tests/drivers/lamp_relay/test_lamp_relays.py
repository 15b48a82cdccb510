"""Both kinds of lamp relay keep to the contract: off always, on by an arming only."""

from __future__ import annotations

import math

import pytest

from drivers.arming import Arming
from drivers.clock import VirtualClock
from drivers.control_line.options import ControlLineRelayOptions
from drivers.control_line.options import line_settings as control_settings
from drivers.control_line.relay import ControlLineRelay
from drivers.errors import (
    DeviceFault,
    GarbledReply,
    LightingRefused,
    NoReply,
    PortLost,
    RelayLost,
)
from drivers.memory_line import MemoryLine
from drivers.modbus.coil_relay import CoilRelay
from drivers.modbus.options import line_settings
from drivers.modbus.relay_options import CoilRelayOptions
from drivers.options import OptionError
from drivers.simulated import lamp_relay as simulated
from drivers.simulated.peer import Fault
from tests.drivers.far_end import finish


class Bench:
    def __init__(self, kind, *, declared=20.0, options=(), **keys):
        self.clock = VirtualClock()
        self.switched = []
        data = (simulated.CoilRelay if kind == "coil" else simulated.BlinkedRelay)(**keys)
        if kind == "coil":
            made = CoilRelayOptions(
                port="m",
                address=3,
                refresh=data.heeds,
                opens_after_silence_s=declared,
                **dict(options),
            )
            self.peer = simulated.CoilRelayPeer(data, self._switch)
            self.line = MemoryLine("m", line_settings(made), self.clock, self.peer)
            self.relay = CoilRelay(made, self.line, self.clock, "lamp relay")
        else:
            made = ControlLineRelayOptions(
                port="m", read_back=data.read_back, opens_after_silence_s=declared, **dict(options)
            )
            self.peer = simulated.BlinkedRelayPeer(data, self._switch)
            self.line = MemoryLine("m", control_settings(made), self.clock, self.peer)
            self.relay = ControlLineRelay(made, self.line, self.clock, "lamp relay")

    def _switch(self, closed, at_s):
        self.switched.append(closed)

    def arming(self, good_for_s=5.0):
        return Arming(granted_by="test", expires_s=self.clock.elapsed_s() + good_for_s)

    def on(self):
        self.relay.start_on(self.arming())
        return finish(self.relay, self.clock)

    def off(self):
        self.relay.start_off()
        return finish(self.relay, self.clock)

    def refresh(self):
        self.relay.start_refresh()
        return finish(self.relay, self.clock)

    def wait(self, seconds):
        self.clock.wait_until(self.clock.elapsed_s() + seconds)


KINDS = pytest.mark.parametrize("kind", ["coil", "line"])


@KINDS
def test_on_and_off_are_read_back(kind):
    bench = Bench(kind)
    assert bench.on() is True
    assert bench.peer.is_closed
    assert bench.off() is False
    assert bench.switched == [True, False]


@KINDS
def test_connecting_and_asking_who_it_is_close_nothing(kind):
    bench = Bench(kind)
    bench.relay.start_identify()
    assert "open" in finish(bench.relay, bench.clock, poll=bench.relay.poll_identity)
    bench.relay.start_read()
    assert finish(bench.relay, bench.clock) is False
    assert bench.refresh() is False
    bench.wait(60.0)
    bench.relay.close()
    assert bench.switched == []


@KINDS
@pytest.mark.parametrize(
    ("what", "words"),
    [
        (lambda bench: None, "given None in place of an arming"),
        (lambda bench: True, "given True in place of an arming"),
        (lambda bench: bench.arming(-0.1), "has expired"),
        (lambda bench: bench.arming(math.inf), "has expired"),
        (lambda bench: bench.arming(math.nan), "has expired"),
    ],
)
def test_nothing_but_a_fresh_arming_closes_it(kind, what, words):
    bench = Bench(kind)
    with pytest.raises(LightingRefused, match=words):
        bench.relay.start_on(what(bench))
    bench.wait(1.0)
    assert bench.switched == []
    assert list(bench.line.events) == []


@KINDS
def test_an_arming_is_good_for_one_closing(kind):
    bench = Bench(kind)
    arming = bench.arming()
    bench.relay.start_on(arming)
    finish(bench.relay, bench.clock)
    bench.off()
    with pytest.raises(LightingRefused, match="used already"):
        bench.relay.start_on(arming)
    assert bench.switched == [True, False]


@KINDS
def test_a_relay_that_declares_no_time_is_never_closed(kind):
    bench = Bench(kind, declared=None)
    with pytest.raises(LightingRefused, match="'opens_after_silence_s' is None"):
        bench.relay.start_on(bench.arming())
    assert bench.off() is False


@pytest.mark.parametrize("options", [CoilRelayOptions, ControlLineRelayOptions])
@pytest.mark.parametrize("declared", [0.0, -1.0, 60.01, math.inf, math.nan, "20", True])
def test_no_more_than_a_minute_may_be_declared(options, declared):
    with pytest.raises(OptionError, match="above 0 and at most 60"):
        options(port="p", opens_after_silence_s=declared)


def test_a_control_line_is_not_had_over_a_network():
    with pytest.raises(OptionError, match="a network port has no control lines"):
        ControlLineRelayOptions(port="tcp://192.168.0.20:502")


@KINDS
def test_off_is_possible_in_the_middle_of_anything(kind):
    for under_way in ("on", "refresh", "read", "off", "identify"):
        bench = Bench(kind)
        bench.on()
        if under_way == "on":
            bench.relay.start_on(bench.arming())
        else:
            getattr(bench.relay, f"start_{under_way}")()
        (bench.relay.poll_identity if under_way == "identify" else bench.relay.poll)()
        assert bench.off() is False
        assert not bench.peer.is_closed


@KINDS
def test_refreshed_it_stays_closed_and_left_alone_it_opens(kind):
    bench = Bench(kind, timeout_s=18.0)
    bench.on()
    for _ in range(10):
        bench.wait(6.0)
        assert bench.refresh() is True
    assert bench.switched == [True]
    bench.wait(18.1)
    assert bench.switched == [True, False]


def test_a_relay_that_heeds_writing_only_is_refreshed_by_writing():
    bench = Bench("coil", heeds="write")
    bench.on()
    for _ in range(10):
        bench.wait(6.0)
        assert bench.refresh() is True
    assert bench.switched == [True]


@pytest.mark.parametrize(
    ("kind", "keys"), [("coil", {"heeds": "write"}), ("line", {}), ("line", {"read_back": "none"})]
)
def test_a_refresh_that_comes_late_never_closes_it_again(kind, keys):
    bench = Bench(kind, **keys)
    bench.on()
    bench.wait(30.0)
    assert bench.switched == [True, False]
    assert bench.refresh() is False
    bench.wait(5.0)
    assert bench.switched == [True, False]


def test_a_relay_that_opens_between_reading_and_writing_is_not_closed_again():
    bench = Bench("coil", heeds="write", timeout_s=18.0)
    bench.on()
    # The last writing was before the read-back; the next question comes 20 ms before it opens,
    # is answered "closed", and a writing after that answer would come too late.
    opens_s = bench.peer.next_s()
    bench.clock.wait_until(opens_s - 0.02)
    assert bench.refresh() is True
    bench.wait(5.0)
    assert bench.switched == [True, False]


def test_a_contact_that_does_not_follow_is_a_lost_relay():
    bench = Bench("coil", faults=(Fault(kind="stuck", at_exchange=1, exchanges=math.inf),))
    with pytest.raises(RelayLost, match="told to close, coil 0 reads back open"):
        bench.on()
    bench = Bench("coil", faults=(Fault(kind="stuck", at_exchange=3, exchanges=math.inf),))
    bench.on()
    with pytest.raises(RelayLost, match=r"told to open, coil 0 reads back closed.*by hand"):
        bench.off()


@pytest.mark.parametrize(
    ("fault", "kind", "words"),
    [
        ({"kind": "drop"}, NoReply, "no reply to 03 05"),
        ({"kind": "truncate", "keep_bytes": 3}, GarbledReply, "garbled reply"),
        ({"kind": "exception", "code": 2}, DeviceFault, "exception 2 .illegal data address"),
    ],
)
def test_what_comes_instead_of_a_reply_is_named(fault, kind, words):
    bench = Bench("coil", faults=(Fault(at_exchange=1, **fault),))
    with pytest.raises(kind, match=words):
        bench.off()
    assert bench.off() is False


def test_function_15_does_the_same():
    bench = Bench("coil", options={"function": 15})
    assert bench.on() is True
    assert bench.off() is False
    assert bench.switched == [True, False]


def test_a_wrong_coil_is_refused_with_the_place_to_look():
    bench = Bench("coil", coil=7)
    with pytest.raises(DeviceFault, match="Check 'coil' and 'function'"):
        bench.off()


def test_a_lost_port_is_named_and_off_may_be_started_all_the_same():
    for kind in ("coil", "line"):
        bench = Bench(kind)
        bench.on()
        bench.line.unplug()
        for _ in range(2):
            bench.relay.start_off()
            with pytest.raises(PortLost, match="lamp relay, m"):
                finish(bench.relay, bench.clock)
        bench.wait(20.0)
        assert bench.switched == [True, False]  # by itself


def test_closing_the_port_lets_its_lines_down():
    bench = Bench("line")
    bench.on()
    bench.relay.close()
    bench.wait(0.2)
    assert bench.switched == [True, False]


def test_a_relay_found_closed_that_nobody_closed_is_reported():
    bench = Bench("line")
    bench.peer.control_line("rts", True, 0.0)
    bench.wait(1.0)
    bench.relay.start_identify()
    # The driver lets its line down; the contact hangs.
    bench.peer.raises = lambda which, at_s: True
    with pytest.raises(DeviceFault, match="CTS says closed, and nobody has closed it"):
        finish(bench.relay, bench.clock, poll=bench.relay.poll_identity)
