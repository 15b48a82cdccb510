"""Unknown ports are asked only by consent, only for identity, and nothing moves."""

from __future__ import annotations

import os
import pty
from io import StringIO

import pytest
from rich.console import Console

from drivers.clock import VirtualClock
from drivers.errors import PortLost
from drivers.finding import FoundPort
from drivers.line import SerialSettings
from drivers.memory_line import MemoryLine
from drivers.probing import probes
from drivers.simulated.attach import bench_peers, usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.scenario import packaged
from rig.find import find
from rig.profile import read_profile

#: What a motion controller of the dialect would take for a command, or for its end.
MOVES = (b"G0", b"G1", b"G28", b"$H", b"$X", b"$J", b"M3", b"~", b"\x18")


class Recorded:
    """A line that remembers what was written."""

    def __init__(self, line, written):
        self._line = line
        self._written = written

    def __getattr__(self, name):
        return getattr(self._line, name)

    def write(self, data):
        self._written.append(data)
        return self._line.write(data)


class Bench:
    """Ports of a bench by their kinds; a port answers at its own settings only."""

    def __init__(self, section, ports=1):
        self.clock = VirtualClock()
        self.virtual = VirtualBench.from_scenario(packaged("quick"))
        instruments = usual_instruments(self.virtual)
        self.peer = bench_peers(self.virtual, instruments, carries_breaks=True)[section]
        self.settings = {
            "light_sensor": SerialSettings.from_text(1200, "7E1"),
            "power_meter": SerialSettings(instruments.power_meter.baud),
            "stage": SerialSettings(instruments.stage.baud),
        }[section]
        self.opened = []
        self.written = []
        self.masters, self.ports = [], []
        for _ in range(ports):
            master, slave = pty.openpty()
            self.masters += [master, slave]
            self.ports.append(FoundPort(device=os.ttyname(slave)))

    def open_port(self, port, settings, clock):
        self.opened.append((port, settings))
        if settings != self.settings:
            # A rate that is not its own gives nothing that could be read.
            return Recorded(MemoryLine(port, settings, clock, Silent()), self.written)
        self.peer.opened(clock.elapsed_s())
        return Recorded(MemoryLine(port, settings, clock, self.peer), self.written)

    def find(self, answer, profile=None):
        out = StringIO()

        def read_answer():
            if answer is None:
                raise EOFError
            return answer

        found = find(
            Console(file=out, width=80),
            self.ports,
            profile,
            clock=self.clock,
            open_port=self.open_port,
            read_answer=read_answer,
        )
        return found, out.getvalue()

    def close(self):
        for descriptor in self.masters:
            os.close(descriptor)


class Silent:
    def receive(self, data, at_s):
        pass

    def line_break(self, start_s, end_s):
        pass

    def opened(self, at_s):
        pass

    def next_s(self):
        return float("inf")

    def take(self, at_s):
        return b""


@pytest.fixture
def bench_with():
    made = []

    def make(section, ports=1):
        made.append(Bench(section, ports))
        return made[-1]

    yield make
    for bench in made:
        bench.close()


@pytest.mark.parametrize("answer", [None, "", "y", "YES!", "no", "yes please"])
def test_nothing_is_opened_without_a_typed_yes(bench_with, answer):
    bench = bench_with("stage")
    found, said = bench.find(answer)
    assert found == {}
    assert bench.opened == []
    assert "may MOVE" in said
    assert "nothing was opened" in said


@pytest.mark.parametrize(
    ("section", "protocol"),
    [("stage", "G-code"), ("light_sensor", "SDI-12"), ("power_meter", "Modbus RTU")],
)
def test_unknown_instrument_is_found_by_its_protocol(bench_with, section, protocol):
    bench = bench_with(section)
    found, said = bench.find("yes")
    assert protocol in found[bench.ports[0].name]
    assert protocol in said


def test_stage_is_found_without_motion_and_told_nothing_after_its_greeting(bench_with):
    bench = bench_with("stage")
    before = bench.virtual.gantry.position(bench.clock.elapsed_s())
    bench.find("yes")
    assert b"".join(bench.written) in (b"", b"?", b"?$I\n")
    assert bench.virtual.gantry.position(bench.clock.elapsed_s()) == before
    assert not bench.virtual.gantry.is_moving(bench.clock.elapsed_s())


def test_port_of_the_profile_is_left_alone(bench_with, tmp_path):
    bench = bench_with("power_meter", ports=2)
    (tmp_path / "rig.toml").write_text(
        f"""
        format = 1
        [light_sensor]
        kind = "sdi12-quantum-sensor"
        port = "{bench.ports[0].device}"
        [power_meter]
        kind = "modbus-power-meter"
        port = "/dev/elsewhere"
        [[power_meter.registers]]
        quantity = "wall_power_w"
        register = 0
        [stage]
        kind = "gcode-gantry"
        port = "/dev/nowhere"
        travel_x_mm = [0.0, 1.0]
        travel_y_mm = [0.0, 1.0]
        """
    )
    found, _ = bench.find("yes", read_profile(tmp_path / "rig.toml"))
    assert {port for port, _ in bench.opened} == {bench.ports[1].device}
    assert set(found) == {bench.ports[1].device}


def test_port_that_takes_none_of_the_settings_is_passed_over(bench_with):
    bench = bench_with("stage")

    def refuse(port, settings, clock):
        bench.opened.append(port)
        raise PortLost(port, "the port refuses it.")

    bench.open_port = refuse
    found, said = bench.find("yes")
    assert found == {}
    assert bench.opened
    assert "no answer" in said


def test_no_request_could_move_anything():
    requests = [probe.request for probe in probes()]
    text = [request for request in requests if all(byte < 128 for byte in request)]
    assert set(text) >= {b"", b"?", b"$I\n", b"*IDN?\n", b"?!"}
    for request in text:
        assert not any(word in request for word in MOVES), request
    for request in requests:
        if request not in (b"", b"?", b"$I\n", b"*IDN?\n", b"?!"):
            # Modbus over Serial Line: address, function 43 (2B), MEI type 14 (0E), read basic.
            assert request[1:4] == b"\x2b\x0e\x01"
            assert 1 <= request[0] <= 247
            assert len(request) == 7


def test_motion_controller_is_listened_for_before_anything_is_sent():
    first, second, *_ = probes()
    assert first.request == b""
    assert first.within_s >= 3.0
    assert second.request == b"?"


@pytest.mark.parametrize(
    ("heard", "is_known"),
    [
        (b"\r\nMotion 1.1 ['$' for help]\r\n", True),
        (b"<Idle|MPos:0.000,0.000,0.000|FS:0,0>\r\n", True),
        (b"start\n", True),
        (b"<Idle|MPos:0.000", False),  # not a whole line yet
        (b"12.5\r\n", False),
        (b"", False),
    ],
)
def test_motion_controllers_of_both_dialects_are_known_by_what_they_say(heard, is_known):
    first = next(probes())
    assert (first.answer(heard) is not None) == is_known


@pytest.mark.parametrize(
    ("heard", "who"),
    [
        # IEEE 488.2, *IDN?: four fields with commas between them (from memory).
        (b"MAKER,MODEL 5,12345,1.0\n", "MAKER,MODEL 5,12345,1.0"),
        (b"1,2,3\n", None),
        (b"\xff\x01,a,b,c\n", None),
    ],
)
def test_scpi_identity_has_four_fields(heard, who):
    probe = next(probe for probe in probes() if probe.protocol == "SCPI")
    assert probe.answer(heard) == who


def test_sdi12_address_is_read_behind_an_echo():
    probe = next(probe for probe in probes() if probe.protocol == "SDI-12")
    assert probe.answer(b"?!3\r\n") == "a sensor at address 3"
    assert probe.answer(b"?!") is None
