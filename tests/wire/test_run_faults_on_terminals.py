"""Faults of the line at random moments of whole runs over pseudo-terminals.

The bench is in this process, so that contact, lamp and axes can be looked at; the run is a process
of its own. Short faults are got over and leave their tries on record; a lasting one ends the run:
its line printed, the relay open, the stage at rest, all that was read kept.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
import tomli_w
from attrs import evolve

from analysis import run_folder
from analysis.summary import summarise
from drivers.clock import SystemClock
from drivers.simulated.ascii_printer import AsciiPrinter
from drivers.simulated.attach import bench_peers, line_settings, rig_text, usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.instruments import LightSensor, Sdi12Sensor
from drivers.simulated.lamp_relay import CoilRelay
from drivers.simulated.scenario import load, packaged
from drivers.simulated.terminals import Terminals
from rig import lamp_records
from rig.profile import read_profile
from rig.virtual_plan import suited_plan
from tests.drivers.contract_bench import Meddled

ROOT = Path(__file__).parents[2]
pytestmark = [
    pytest.mark.wire,
    pytest.mark.skipif(sys.platform != "linux", reason="pseudo-terminals as Linux has them"),
]

ARMED = {"switching": "relay", "armed": True, "minimum_off_s": 0.0}
SHORT = {
    "dark": {"points": 0, "skip_reason": "a test of the line"},
    "warm_up": {
        "block_s": 0.5,
        "window_s": 1.5,
        "limit_percent": 20.0,
        "minimum_on_s": 1.0,
        "maximum_s": 60.0,
    },
    "sampling": {
        "samples_per_point": 1,
        "settle_s": 0.05,
        "quick_look": False,
        "reference_every": 9,
        "power_interval_s": 0.2,
    },
    "trouble": {"pause_most_min": 0.0},
}
#: No real lamp is like this, nor like the quick one that it is made of.
HASTY = {"heating_s": 0.2, "first_stage_s": 0.3, "second_stage_s": 0.3, "power_run_up_s": 0.3}
SENSOR, METER, STAGE, RELAY = "light_sensor", "power_meter", "stage", "lamp_relay"
PRINTER = AsciiPrinter(averaging_s=0.1)
SDI12 = Sdi12Sensor(measuring_s=0.05, averaging_s=0.05, lag_s=0.0)
#: How the line begins that a lasting fault of each ends a run with.
ENDS = {
    SENSOR: "measurement fault: light sensor",
    METER: "measurement fault: wattmeter",
    STAGE: "motion fault: stage",
    RELAY: "hazard: control of the lamp relay is lost",
}


class Bench:
    """A bench on pseudo-terminals, and a run on it as a process."""

    def __init__(self, folder: Path, points: int, sensor: LightSensor) -> None:
        self.clock = SystemClock()
        made_of, errors = load(packaged("quick"))
        gantry = evolve(made_of.gantry, homing_speed_mm_s=1000.0, acceleration_mm_s2=5000.0)
        lamp = evolve(made_of.lamp, **HASTY)
        self.bench = VirtualBench(evolve(made_of, gantry=gantry, lamp=lamp), errors)
        usual = usual_instruments(self.bench)
        instruments = evolve(
            usual,
            light_sensor=sensor,
            monitor_sensor=None,
            stage=evolve(usual.stage, boot_s=0.1),
            lamp_relay=CoilRelay(opens_after_silence_s=3.0, timeout_s=2.5),
        )
        peers = bench_peers(self.bench, instruments, carries_breaks=False)
        self.relay = peers["lamp_relay"]
        self.lines = {
            name: Meddled(peers[name], babbles_bytes=40) for name in (SENSOR, METER, STAGE)
        }
        settings = line_settings(instruments, plain=True)
        rates = {name: one.seconds_per_byte for name, one in settings.items()}
        self.terminals = Terminals({**peers, **self.lines}, rates, self.clock)
        rig = folder / "rig.toml"
        text = rig_text(instruments, name="bench", ports=self.terminals.ports)
        for section in (SENSOR, METER):
            text = text.replace(f"[{section}]\n", f"[{section}]\nreply_within_s = 0.2\n")
        rig.write_text(text)
        device = self.bench.scenario.devices[0]
        plan = dict(suited_plan(self.bench.scenario, device, 400.0))
        for section, keys in {**SHORT, "grid": {"rows": points, "columns": points}}.items():
            plan[section] = {**plan.get(section, {}), **keys}
        plan["lamp"] = {**plan["lamp"], **ARMED}
        (folder / "plan.toml").write_text(tomli_w.dumps(plan))
        lamp_records.record_proof(
            folder / "lab", read_profile(rig).lamp_relay, "by hand", datetime.now(UTC)
        )
        self.child = subprocess.Popen(
            [sys.executable, "-m", "rig.cli", "run", str(folder / "plan.toml"), "--rig", str(rig),
             "--lab", str(folder / "lab")],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONUNBUFFERED": "1", "COLUMNS": "300"},
        )  # fmt: skip
        os.set_blocking(self.child.stdout.fileno(), False)
        self.said = ""
        self.has_ended = False

    def serve(self, for_s: float) -> None:
        """Serve the bench for a while, reading what the run says."""
        until_s = self.clock.elapsed_s() + for_s
        while self.clock.elapsed_s() < until_s and not self.has_ended:
            self.terminals.serve(min(until_s, self.clock.elapsed_s() + 0.05))
            data = self.child.stdout.read()
            self.has_ended = data == b""
            self.said += (data or b"").decode()

    def until(self, is_so, within_s: float = 40.0) -> None:
        until_s = self.clock.elapsed_s() + within_s
        while not is_so():
            assert self.clock.elapsed_s() < until_s, self.said
            assert not self.has_ended, self.said
            self.serve(0.02)

    def answer(self, question: str, word: str) -> None:
        self.until(lambda: question in self.said)
        self.child.stdin.write(f"{word}\n".encode())
        self.child.stdin.flush()

    def begin(self) -> None:
        """Answer what is asked, until the relay has lit the lamp."""
        self.answer("is the test area clear?", "yes")
        self.answer("Hang ", "done")
        self.until(lambda: self.relay.is_closed)

    def play(self, section: str, mode: str) -> None:
        if mode == "unplugged":
            self.terminals._terminals[section].lose()
        elif mode == "babbling":
            self.lines[section].babble_from(self.clock.elapsed_s())
        else:
            self.lines[section].mode = mode

    def end(self) -> int:
        self.until(lambda: self.has_ended, within_s=60.0)
        return self.child.wait(10)

    def close(self) -> None:
        if self.child.poll() is None:
            self.child.kill()
        self.child.communicate()
        self.terminals.close()


def loaded(folder):
    (path,) = (folder / "lab" / "runs").iterdir()
    run = run_folder.load(path)
    assert run.damage == ()
    assert run.descriptor["evenfall"]["is_closed"]
    return run


LASTING = [
    (SENSOR, "silent", PRINTER),
    (METER, "turned", PRINTER),
    (METER, "cut short", PRINTER),
    (SENSOR, "babbling", PRINTER),
    (SENSOR, "unplugged", SDI12),
    (METER, "unplugged", PRINTER),
    (STAGE, "silent", PRINTER),
    (STAGE, "unplugged", PRINTER),
    (RELAY, "unplugged", PRINTER),
]


@pytest.mark.parametrize(("section", "mode", "sensor"), LASTING)
def test_a_lasting_fault_of_a_line_ends_the_run_in_one_line_with_lamp_and_stage_at_rest(
    section, mode, sensor, tmp_path
):
    dice = random.Random(f"{section} {mode}")
    bench = Bench(tmp_path, 9, sensor)
    try:
        bench.begin()
        bench.serve(dice.uniform(0.2, 2.5))
        assert bench.relay.is_closed
        bench.play(section, mode)
        assert bench.end() == 1
        if section == RELAY:  # nothing reaches it any more: it opens by itself, in its time
            bench.terminals.serve(bench.clock.elapsed_s() + 3.0)
        now_s = bench.clock.elapsed_s()
        assert not bench.relay.is_closed
        assert not bench.bench.gantry.is_moving(now_s)
        rest = bench.bench.gantry.position(now_s)
        bench.terminals.serve(now_s + 0.5)
        assert bench.bench.gantry.position(now_s + 0.5) == rest
        assert bench.bench.truth.wall_power_w(now_s + 0.5) < 5.0
    finally:
        bench.close()
    events = loaded(tmp_path).events
    assert events.event.iloc[-1] == "stopped"
    reason = events.detail.iloc[-1]
    assert reason.startswith(ENDS[section])
    assert f"run stopped: {reason}" in " ".join(bench.said.split())
    assert "Traceback" not in bench.said


def test_short_faults_of_the_lines_are_got_over_and_the_map_is_whole(tmp_path):
    dice = random.Random(1)
    bench = Bench(tmp_path, 2, PRINTER)
    struck = [(SENSOR, mode) for mode in ("silent", "turned", "cut short", "babbling")]
    struck += [(METER, mode) for _, mode in struck]
    dice.shuffle(struck)
    try:
        bench.begin()
        for section, mode in struck:
            bench.serve(dice.uniform(0.05, 0.3))
            bench.play(section, mode)
            bench.serve(0.3)
            bench.play(section, "fair")
        assert bench.end() == 0, bench.said
        assert not bench.relay.is_closed
    finally:
        bench.close()
    run = loaded(tmp_path)
    assert summarise(run).maps[0].is_complete
    failed = run.readings[run.readings.status == "failed"]
    assert set(failed.instrument) == {SENSOR, METER}
    assert failed.value.isna().all()
