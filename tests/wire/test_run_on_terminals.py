"""A run in another process than its bench, real ports between, that is stopped or left alone.

How one is done from beginning to end: `tests/wire/test_walk.py`.
"""

from __future__ import annotations

import signal
import sys

import pytest

from analysis import run_folder
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
