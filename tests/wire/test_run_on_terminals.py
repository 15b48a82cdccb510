"""The README's two terminals: `simulate` in one process, `run` in another, real ports between.

The person is this test: it reads what the programs print, answers, and presses Enter in the
first terminal when the second asks for the lamp. Takes about two minutes of real time.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from analysis import run_folder
from analysis.summary import summarise

EVENFALL = [sys.executable, "-m", "rig.cli"]
ROOT = Path(__file__).parents[2]
pytestmark = [
    pytest.mark.wire,
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="pseudo-terminals as Linux has them"),
]


class Terminal:
    """A child whose output is watched for what it must say next."""

    def __init__(self, *words: str) -> None:
        self.child = subprocess.Popen(
            [*EVENFALL, *words],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            bufsize=0,
            env={**os.environ, "PYTHONUNBUFFERED": "1", "COLUMNS": "100"},
        )
        self.seen = ""
        self._read_to = 0

    def expect(self, text: str, within_s: float = 60.0) -> None:
        """Wait until the text is printed, after what was expected before."""
        while text not in self.seen[self._read_to :]:
            ready, _, _ = select.select([self.child.stdout], [], [], within_s)
            data = os.read(self.child.stdout.fileno(), 65536) if ready else b""
            assert data, f"{text!r} did not come; the terminal shows:\n{self.seen}"
            self.seen += data.decode(errors="replace")
        self._read_to = self.seen.index(text, self._read_to) + len(text)

    def type(self, line: str) -> None:
        self.child.stdin.write(line.encode() + b"\n")

    def close(self) -> None:
        if self.child.poll() is None:
            self.child.kill()
        self.child.communicate()


@pytest.fixture
def bench(tmp_path):
    terminal = Terminal("simulate", "--scenario", "quick", "--out", str(tmp_path / "bench"))
    try:
        terminal.expect("Enter switches the lamp")
        yield terminal
    finally:
        terminal.close()


def run_on(tmp_path) -> Terminal:
    bench = tmp_path / "bench"
    return Terminal(
        "run", str(bench / "plan.toml"), "--rig", str(bench / "rig.toml"), "--lab",
        str(tmp_path / "lab"),
    )  # fmt: skip


def test_the_whole_job_is_done_through_real_serial_ports(bench, tmp_path):
    run = run_on(tmp_path)
    try:
        run.expect("is the test area clear?")
        run.type("yes")
        run.expect("Hang ")
        run.type("done")
        run.expect("lamp must be OFF")
        run.type("done")
        run.expect("Light the lamp now", within_s=90)
        bench.type("")
        bench.expect("lamp switched on")
        run.type("done")
        run.expect("Map  9 points", within_s=150)
        run.expect("Report: ", within_s=150)
        assert run.child.wait(30) == 0
    finally:
        run.close()
    (folder,) = (tmp_path / "lab" / "runs").iterdir()
    loaded = run_folder.load(folder)
    assert loaded.damage == ()
    summary = summarise(loaded)
    assert summary.is_complete
    (one,) = summary.maps
    assert one.n_used == 9
    assert one.stated_efficacy_umol_j > 0
    assert (folder / "report.html").stat().st_size > 10_000
    # At least once a second while the lamp was lit; half a second for a busy computer.
    power = loaded.readings[loaded.readings.quantity == "wall_power_w"].elapsed_s
    assert power.diff().max() < 1.5


def test_a_terminated_run_stops_the_stage_keeps_its_data_and_exits_130(bench, tmp_path):
    run = run_on(tmp_path)
    try:
        run.expect("is the test area clear?")
        run.type("yes")
        run.expect("Hang ")
        run.type("done")
        run.expect("lamp must be OFF")
        run.type("done")
        run.expect("Dark reading")
        run.child.send_signal(signal.SIGTERM)
        run.expect("run stopped: stopped by the operator (SIGTERM)")
        assert run.child.wait(30) == 130
    finally:
        run.close()
    (folder,) = (tmp_path / "lab" / "runs").iterdir()
    loaded = run_folder.load(folder)
    assert loaded.damage == ()
    assert loaded.events.event.iloc[-1] == "stopped"
    assert loaded.descriptor["evenfall"]["is_closed"]


def test_a_bench_that_goes_away_ends_the_run_in_one_line(bench, tmp_path):
    with (tmp_path / "bench" / "plan.toml").open("a", encoding="utf-8") as plan:
        plan.write("\n[trouble]\npause_most_min = 0.0\n")
    run = run_on(tmp_path)
    try:
        run.expect("is the test area clear?")
        run.type("yes")
        run.expect("Hang ")
        bench.child.kill()
        run.expect("run stopped: measurement fault: wattmeter")
        assert run.child.wait(30) == 1
        assert "Traceback" not in run.seen
    finally:
        run.close()
