"""The README's two terminals: `simulate` in one process, `run` in another, real ports between.

The person is this test: it reads what the programs print, answers, and presses Enter in the
first terminal when the second asks for the lamp. Takes about half a minute of real time.
"""

from __future__ import annotations

import signal
import sys

import pytest

from analysis import run_folder
from analysis.summary import summarise
from tests.wire.two_terminals import bench_on, replan, run_on

pytestmark = [
    pytest.mark.wire,
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="pseudo-terminals as Linux has them"),
]


@pytest.fixture
def bench(tmp_path):
    terminal = bench_on(tmp_path)
    try:
        yield terminal
    finally:
        terminal.close()


def test_the_whole_job_is_done_through_real_serial_ports(bench, tmp_path):
    rule = {"block_s": 1.0, "window_s": 5.0, "minimum_on_s": 5.0, "limit_percent": 10.0}
    replan(tmp_path, "warm_up", **rule)
    replan(tmp_path, "sampling", samples_per_point=1, settle_s=0.1)
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
    replan(tmp_path, "trouble", pause_most_min=0.0)
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
