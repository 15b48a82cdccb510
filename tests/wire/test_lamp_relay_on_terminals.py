"""A program that is killed leaves a relay that opens by itself; a port without lines says so."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from drivers.clock import SystemClock
from drivers.control_line.options import ControlLineRelayOptions, line_settings
from drivers.control_line.relay import ControlLineRelay
from drivers.errors import PortLost
from drivers.serial_line import SerialLine
from drivers.simulated.lamp_relay import CoilRelay, CoilRelayPeer
from drivers.simulated.terminals import Terminals
from tests.drivers.far_end import finish

ROOT = Path(__file__).parents[2]
DECLARED_S, REAL_S = 2.0, 1.2
pytestmark = [
    pytest.mark.wire,
    pytest.mark.skipif(sys.platform != "linux", reason="pseudo-terminals as Linux has them"),
]

#: Lights by the relay and holds it, as a run does, until it is killed.
CHILD = f"""
import sys
from drivers.arming import Arming
from drivers.clock import SystemClock
from drivers.modbus.coil_relay import CoilRelay
from drivers.modbus.options import line_settings
from drivers.modbus.relay_options import CoilRelayOptions
from drivers.serial_line import SerialLine
from rig.relay_keeper import Keeper

clock = SystemClock()
options = CoilRelayOptions(port=sys.argv[1], address=3, opens_after_silence_s={DECLARED_S})
relay = CoilRelay(options, SerialLine(options.port, line_settings(options), clock), clock, "relay")
relay.start_on(Arming(granted_by="test", expires_s=clock.elapsed_s() + 5.0))
while (closed := relay.poll()) is None:
    clock.wait_until(relay.wake_s, watching=relay.lines)
keeper = Keeper(clock=clock, instrument=relay, complain=print, interval_s={DECLARED_S} / 3)
keeper.begin()
print("lit" if closed else "dark", flush=True)
while True:
    keeper.serve()
    clock.wait_until(keeper.wake_s, watching=relay.lines if keeper.is_busy else ())
"""


def test_a_killed_program_leaves_a_relay_that_opens_within_its_declared_time():
    clock = SystemClock()
    switched = []
    peer = CoilRelayPeer(
        CoilRelay(opens_after_silence_s=DECLARED_S, timeout_s=REAL_S),
        lambda closed, at_s: switched.append((closed, at_s)),
    )
    with Terminals({"lamp_relay": peer}, {"lamp_relay": 10 / 9600}, clock) as terminals:
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, terminals.ports["lamp_relay"]],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        try:
            until_s = clock.elapsed_s() + 30.0
            while not peer.is_closed and clock.elapsed_s() < until_s:
                terminals.serve(clock.elapsed_s() + 0.05)
            # Held for longer than the relay waits by itself: it is being refreshed.
            terminals.serve(clock.elapsed_s() + REAL_S + 0.4)
            assert peer.is_closed
            assert select.select([child.stdout], [], [], 0.0)[0]
            assert child.stdout.readline() == b"lit\n"
            child.send_signal(signal.SIGKILL)
            child.wait(10)
            killed_s = clock.elapsed_s()
            terminals.serve(killed_s + DECLARED_S)
            assert not peer.is_closed
            assert [closed for closed, _ in switched] == [True, False]
            assert switched[-1][1] - killed_s <= DECLARED_S
        finally:
            child.kill()
            child.communicate()


def test_a_port_without_control_lines_says_so_and_stays_open():
    clock = SystemClock()
    with Terminals({"relay": CoilRelayPeer(CoilRelay(), print)}, {"relay": 0.001}, clock) as ends:
        options = ControlLineRelayOptions(port=ends.ports["relay"], opens_after_silence_s=20.0)
        line = SerialLine(options.port, line_settings(options), clock)
        relay = ControlLineRelay(options, line, clock, "lamp relay")
        relay.start_identify()
        with pytest.raises(PortLost, match=r"lamp relay, .*no control lines.*carries bytes only"):
            finish(relay, clock, poll=relay.poll_identity)
        assert line.fileno() is not None
        relay.start_off()
        with pytest.raises(PortLost, match="no control lines"):
            finish(relay, clock)
        relay.close()
        relay.close()
