"""``evenfall simulate`` in a process of its own, read by the real drivers over real ports."""

import os
import re
import select
import signal
import subprocess
import sys
import time
from contextlib import contextmanager

import pytest

from drivers.clock import SystemClock
from drivers.errors import PortLost
from drivers.registry import KINDS
from drivers.serial_line import SerialLine
from rig import cli
from rig.plan import read_plan
from rig.profile import cross_check, read_profile

pytestmark = pytest.mark.wire
COMMAND = [sys.executable, "-m", "rig.cli", "simulate"]


class Child:
    def __init__(self, *arguments):
        self.process = subprocess.Popen(
            [*COMMAND, *map(str, arguments)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            # A job in the background is started with Ctrl-C ignored, and hands that down.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )
        self.said = b""

    def hear(self, text, within_s=20.0):
        deadline = time.monotonic() + within_s
        out = self.process.stdout.fileno()
        while text.encode() not in self.said:
            left = deadline - time.monotonic()
            assert select.select([out], [], [], max(0.0, left))[0], self.said.decode()
            data = os.read(out, 4096)
            assert data, self.said.decode()
            self.said += data
        return self.said.decode()

    def end(self, number=signal.SIGTERM):
        self.process.send_signal(number)
        deadline = time.monotonic() + 20.0
        out = self.process.stdout.fileno()
        while select.select([out], [], [], max(0.0, deadline - time.monotonic()))[0]:
            data = os.read(out, 4096)
            if not data:
                break
            self.said += data
        return self.process.wait(5.0)


@contextmanager
def simulated(*arguments):
    child = Child(*arguments)
    try:
        yield child
    finally:
        if child.process.poll() is None:
            child.process.kill()
        child.process.wait(5.0)
        child.process.stdout.close()
        child.process.stdin.close()


def opened(profile, clock):
    made = {}
    for section, entry in profile.instruments.items():
        kind = KINDS[entry.kind]
        line = SerialLine(entry.options.port, kind.line_settings(entry.options), clock)
        made[section] = kind.make(entry.options, line, clock, section)
    return made


def finished(clock, instrument, start, poll, within_s=20.0):
    start()
    deadline = clock.elapsed_s() + within_s
    while (result := poll()) is None:
        assert clock.elapsed_s() < deadline, "no result"
        clock.wait_until(min(instrument.wake_s, deadline), watching=instrument.lines)
    return result


def measured(clock, instrument):
    readings = finished(clock, instrument, instrument.start, instrument.poll)
    return {reading.quantity: reading.value for reading in readings}


def test_real_drivers_do_the_job_on_the_simulated_bench(tmp_path):
    with simulated("--out", tmp_path) as child:
        said = child.hear("The lamp is off.")
        assert f"evenfall run {tmp_path}/plan.toml --rig {tmp_path}/rig.toml" in said
        profile = read_profile(tmp_path / "rig.toml")
        assert cross_check(read_plan(tmp_path / "plan.toml"), profile) == []
        clock = SystemClock()
        made = opened(profile, clock)
        stage, sensor, meter = made["stage"], made["light_sensor"], made["power_meter"]
        names = {
            section: finished(clock, item, item.start_identify, item.poll_identity)
            for section, item in made.items()
        }
        assert "SIM-0001" in names["light_sensor"]
        assert "SIM-0002" in names["monitor_sensor"]
        assert "Motion" in names["stage"]
        finished(clock, stage, stage.start_home, stage.poll)
        position = finished(clock, stage, lambda: stage.start_move(200.0, 300.0), stage.poll)
        assert (position.x_mm, position.y_mm) == (200.0, 300.0)
        assert measured(clock, sensor)["ppfd_umol_m2_s"] < 5.0
        assert measured(clock, meter)["wall_power_w"] < 20.0
        child.process.stdin.write(b"\n")
        child.process.stdin.flush()
        child.hear("lamp switched on")
        clock.wait_until(clock.elapsed_s() + 1.0)
        lit = measured(clock, meter)
        assert lit["wall_power_w"] > 20.0
        assert 200.0 < lit["line_voltage_v"] < 260.0
        assert measured(clock, sensor)["ppfd_umol_m2_s"] > 5.0
        assert [made[name].retries for name in names if name != "stage"] == [0, 0, 0]
        assert child.end(signal.SIGTERM) == 0
        # Nothing is left: the names are gone, and an open port has vanished under its client.
        assert not (tmp_path / "ports").exists()
        with pytest.raises(PortLost):
            measured(clock, meter)
        for item in made.values():
            item.close()


def test_instruments_may_be_closed_and_opened_again(tmp_path):
    with simulated("--out", tmp_path) as child:
        child.hear("The lamp is off.")
        clock = SystemClock()
        for _ in range(2):
            made = opened(read_profile(tmp_path / "rig.toml"), clock)
            stage = made["stage"]
            # The board restarts when its port is opened: the position has to be found anew.
            finished(clock, stage, stage.start_home, stage.poll)
            assert measured(clock, made["power_meter"])["wall_power_w"] < 20.0
            for item in made.values():
                item.close()
            clock.wait_until(clock.elapsed_s() + 0.1)
        assert child.end(signal.SIGINT) == 130
        assert b"The bench is closed." in child.said
        assert b"Traceback" not in child.said


def test_lamp_may_light_by_itself(tmp_path):
    with simulated("--out", tmp_path, "--light-after", "0.2") as child:
        child.process.stdin.close()  # Nobody is at the keyboard.
        child.hear("lamp switched on")
        assert child.end() == 0


def test_enter_switches_on_and_off(tmp_path):
    with simulated("--out", tmp_path) as child:
        child.hear("The lamp is off.")
        child.process.stdin.write(b"\n\n")
        child.process.stdin.flush()
        said = child.hear("lamp switched off")
        assert said.index("lamp switched on") < said.index("lamp switched off")


def test_second_bench_in_the_same_folder_is_refused(tmp_path, capsys):
    with simulated("--out", tmp_path) as first:
        first.hear("The lamp is off.")
        assert cli.main(["simulate", "--out", str(tmp_path)]) == 2
        told = capsys.readouterr().err
        assert re.search(r"light_sensor: is there already: another bench may be", told)
        assert (tmp_path / "ports" / "light_sensor").is_symlink()
        assert first.end() == 0


def test_bench_that_was_killed_leaves_room_for_the_next(tmp_path):
    with simulated("--out", tmp_path) as first:
        first.hear("The lamp is off.")
        first.end(signal.SIGKILL)
    for link in (tmp_path / "ports").iterdir():
        assert link.is_symlink()
        if link.exists():  # another program on this computer was given the number since
            link.unlink()
            link.symlink_to("/dev/pts/gone")
    with simulated("--out", tmp_path) as second:
        said = second.hear("The lamp is off.")
        assert "rig.toml is there already, the same." in said
        assert second.end() == 0


def test_files_that_a_person_wrote_are_kept(tmp_path):
    (tmp_path / "plan.toml").write_text("# mine\n")
    (tmp_path / "rig.toml").write_text("# mine too\n")
    with simulated("--out", tmp_path) as child:
        said = child.hear("The lamp is off.")
        assert "plan.toml is there already and is kept. It does not fit this bench:" in said
        assert "device.name is not stated, here 'Brook'" in said
        # The profile of these ports is another one, and the command to type names it.
        assert f"--rig {tmp_path}/rig-on-ports.toml" in said
        assert read_profile(tmp_path / "rig-on-ports.toml").bench is None
        child.end()
    assert (tmp_path / "plan.toml").read_text() == "# mine\n"
    assert (tmp_path / "rig.toml").read_text() == "# mine too\n"


def test_the_files_of_the_questionnaire_serve_on_the_ports_too(tmp_path):
    made = [*COMMAND[:-1], "new", "--virtual-bench", "--yes", "--out", tmp_path]
    subprocess.run(made, check=True, capture_output=True)
    with simulated("--out", tmp_path) as child:
        said = child.hear("The lamp is off.")
        assert "plan.toml is there already and is kept. It fits this bench." in said
        profile = read_profile(tmp_path / "rig-on-ports.toml")
        assert cross_check(read_plan(tmp_path / "plan.toml"), profile) == []
        child.end()


def test_a_file_in_place_of_the_folder_is_told_with_what_to_do(tmp_path, capsys):
    (tmp_path / "taken").write_text("not a folder")
    assert cli.main(["simulate", "--out", str(tmp_path / "taken")]) == 2
    told = capsys.readouterr().err
    assert "taken: cannot be made a folder: " in told
    assert len(told.splitlines()) == 1


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--scenario", "moonlight"], r"moonlight: no scenario of that name; known are .*quick"),
        (["--device", "Nobody"], r"no device 'Nobody'; known are "),
        (["--mounting-height-mm", "-5"], r"is -5.0; give a number of millimetres above 0"),
        (["--scenario", "nowhere.toml"], r"nowhere.toml: cannot be read"),
    ],
)
def test_what_cannot_be_opened_is_one_line_and_exit_code_2(tmp_path, arguments, message, capsys):
    assert cli.main(["simulate", "--out", str(tmp_path / "bench"), *arguments]) == 2
    told = capsys.readouterr().err
    assert re.search(message, told)
    assert len(told.splitlines()) == 1
    assert not (tmp_path / "bench").exists()
