"""A port whose other end takes nothing: every driver says so within its bound, none waits."""

import os
import pty
import time
import tty
from contextlib import suppress

import pytest

from drivers.clock import SystemClock
from drivers.errors import DriverError, WriteStalled
from drivers.modbus.options import RegisterOptions
from drivers.registry import KINDS
from drivers.scpi.options import QueryOptions
from drivers.serial_line import SerialLine

pytestmark = pytest.mark.wire

#: What each kind cannot do without; the rest is default.
OPTIONS = {
    "sdi12-quantum-sensor": {"character_format": "8N1"},
    "ascii-line-light-sensor": {"request": "R\\r", "pattern": r"(?P<value>\d+)"},
    "ascii-line-thermometer": {"request": "T\\r", "pattern": r"(?P<value>\d+)"},
    "modbus-quantum-sensor": {"register": 0},
    "modbus-thermometer": {"register": 0},
    "modbus-power-meter": {"registers": [RegisterOptions(quantity="wall_power_w", register=0)]},
    "sunspec-power-meter": {},
    "scpi-power-meter": {"queries": [QueryOptions(quantity="wall_power_w", query="MEAS:POW?")]},
    "gcode-gantry": {
        "travel_x_mm": (0.0, 100.0),
        "travel_y_mm": (0.0, 100.0),
        "banner_within_s": 0.1,
    },
}
#: A stall is no matter of replies: it is told at the first write, after a break at most. [s]
BOUND_S = 1.0


def test_every_kind_that_measures_or_moves_is_tried():
    relays = {name for name, kind in KINDS.items() if kind.role == "lamp_relay"}
    by_hand = {name for name, kind in KINDS.items() if kind.by_hand}
    assert set(OPTIONS) == set(KINDS) - relays - by_hand


@pytest.fixture
def port():
    """Return a port whose other end never reads."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield os.ttyname(slave)
    os.close(slave)
    os.close(master)


def filled(line, clock):
    """Write until there is room for nothing more, to the last byte, and that for good."""
    full_since_s = clock.elapsed_s()
    while clock.elapsed_s() < full_since_s + 0.1:
        for piece in (1000, 1):
            with suppress(WriteStalled):
                while True:
                    line.write(b"x" * piece)
                    # The system passes on in pieces what it has taken, and has room again.
                    full_since_s = clock.elapsed_s()
        clock.wait_until(clock.elapsed_s() + 0.01)


def carried_through(instrument, clock, start, poll):
    began_s = clock.elapsed_s()
    start()
    while poll() is None:
        assert clock.elapsed_s() < began_s + 5.0, "no end"
        clock.wait_until(instrument.wake_s, watching=instrument.lines)


@pytest.mark.parametrize("kind", OPTIONS)
@pytest.mark.parametrize("what", ["measure", "identify"])
def test_port_that_takes_nothing_is_told_within_its_bound(port, kind, what):
    clock, kind = SystemClock(), KINDS[kind]
    options = kind.options(port=port, **OPTIONS[kind.name])
    line = SerialLine(port, kind.line_settings(options), clock)
    filled(line, clock)
    # What was written counts as on its way at this rate; here it never leaves.
    line._out_free_s = clock.elapsed_s()
    instrument = kind.make(options, line, clock, "instrument")
    start, poll = instrument.start_identify, instrument.poll_identity
    if what == "measure":
        start = instrument.start_home if kind.role == "stage" else instrument.start
        poll = instrument.poll
    began = time.perf_counter()
    try:
        with pytest.raises(WriteStalled, match=r"^instrument, .*no room for"):
            carried_through(instrument, clock, start, poll)
        assert time.perf_counter() - began < BOUND_S
        # It can be stopped, given up and closed all the same.
        if kind.role == "stage":
            with suppress(DriverError):
                instrument.stop()
        instrument.cancel()
    finally:
        instrument.close()
    assert time.perf_counter() - began < 2.0 * BOUND_S
