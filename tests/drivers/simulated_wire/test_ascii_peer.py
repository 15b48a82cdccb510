"""The simulated sensor that prints lines, byte for byte, and the real driver against it."""

import math

import pytest

from drivers.ascii_line.options import AsciiLightSensorOptions, line_settings
from drivers.ascii_line.sensor import AsciiLineInstrument
from drivers.clock import VirtualClock
from drivers.memory_line import MemoryLine
from drivers.simulated.ascii_peer import AsciiPeer
from drivers.simulated.ascii_printer import AsciiPrinter
from drivers.simulated.instruments import Instruments
from drivers.simulated.peer import Fault
from tests.drivers.far_end import finish

WINDOWS = []


def make(*faults, value=123.45, **data):
    WINDOWS.clear()

    def measure(start_s, end_s):
        WINDOWS.append((start_s, end_s))
        return value

    return AsciiPeer(AsciiPrinter(faults=faults, **data), measure)


def answer(peer):
    moment = peer.next_s()
    return (moment, peer.take(moment)) if moment < math.inf else (math.inf, b"")


def ask(peer, request, at_s):
    peer.receive(request, at_s)
    return answer(peer)


def test_it_answers_its_request_and_says_its_name():
    peer = make(averaging_s=0.4)
    moment, line = ask(peer, b"READ\r\n", 2.0)
    assert (moment, line) == (pytest.approx(2.01), b"PAR=123.5 umol\r\n")
    (window,) = WINDOWS
    assert window == pytest.approx((1.61, 2.01))
    assert ask(peer, b"ID\r\n", 3.0)[1] == b"VIRTUAL LINE SIM-0003\r\n"
    assert ask(peer, b"WHO\r\n", 4.0) == (math.inf, b"")
    assert peer.exchanges == 2


def test_it_prints_at_its_interval_once_the_port_is_open():
    peer = make(free_running=True, interval_s=0.5)
    assert peer.next_s() == math.inf
    peer.opened(1.0)
    assert [answer(peer)[0] for _ in range(3)] == [1.5, 2.0, 2.5]


def test_a_comma_for_the_point_and_a_line_without_a_value():
    assert ask(make(decimal_comma=True), b"READ\r\n", 1.0)[1] == b"PAR=123,5 umol\r\n"
    assert ask(make(value=math.nan), b"READ\r\n", 1.0)[1] == b"PAR=---\r\n"


@pytest.mark.parametrize(
    ("fault", "line"),
    [
        (Fault(kind="truncate", at_exchange=1, keep_bytes=5), b"PAR=1"),
        (Fault(kind="drop", at_exchange=1), b""),
        (Fault(kind="double", at_exchange=1), b"PAR=123.5 umol\r\n" * 2),
        (Fault(kind="value", at_exchange=1, value=-9999.0), b"PAR=-9999.0 umol\r\n"),
        (Fault(kind="no-value", at_exchange=1), b"PAR=---\r\n"),
        (Fault(kind="stuck", at_exchange=1), b"PAR=0.0 umol\r\n"),
    ],
)
def test_fault_strikes_the_line_it_names(fault, line):
    peer = make(fault)
    assert ask(peer, b"READ\r\n", 1.0)[1] == line
    assert ask(peer, b"READ\r\n", 2.0)[1] == b"PAR=123.5 umol\r\n"


def driven(peer, **options):
    made = AsciiLightSensorOptions(
        port="memory", pattern=r"PAR=(?P<value>-?\d+\.\d) umol", averaging_s=0.4, **options
    )
    clock = VirtualClock()
    peer.opened(0.0)
    line = MemoryLine("memory", line_settings(made), clock, peer)
    return clock, AsciiLineInstrument(made, line, clock, "light sensor")


@pytest.mark.parametrize("free_running", [False, True])
def test_the_window_that_the_driver_states_is_the_one_that_was_measured(free_running):
    peer = make(free_running=free_running)
    mode = {"mode": "listen", "interval_s": 0.5} if free_running else {"request": "READ\r\n"}
    clock, sensor = driven(peer, **mode)
    clock.wait_until(10.0)
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert reading.value == 123.5
    assert (reading.window_start_s, reading.window_end_s) == pytest.approx(WINDOWS[-1], abs=1e-6)


def test_it_is_named_in_a_table_of_instruments():
    table = {"light_sensor": {"speaks": "ascii-line", "free_running": True, "interval_s": 0.2}}
    assert Instruments.from_table(table).light_sensor == AsciiPrinter(
        free_running=True, interval_s=0.2
    )
