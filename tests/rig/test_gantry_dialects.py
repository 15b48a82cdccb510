"""Whole runs with each dialect of the motion controller, and its barrier put to the test."""

from __future__ import annotations

import pytest
from attrs import evolve

from analysis import run_folder
from drivers.simulated.attach import usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.peer import Fault
from drivers.simulated.scenario import packaged
from rig.faults import RunStopped
from tests.benchmarks.scan_bound import scan_ratio
from tests.rig.bench_run import bench_of, do_run, plan_of


def stage_bench(folder, *, faults=(), **keys):
    plain = usual_instruments(VirtualBench.from_scenario(packaged("demo")))
    stage = evolve(plain.stage, faults=tuple(faults), **keys)
    return bench_of(folder, instruments=evolve(plain, stage=stage))


def test_a_run_with_position_reports_keeps_the_scan_bound(tmp_path):
    plan = plan_of(tmp_path)
    profile, bench = stage_bench(tmp_path, dialect="position-report")
    assert profile.stage.options.dialect == "position-report"
    run = run_folder.load(do_run(tmp_path, plan, profile, bench))
    assert "run-ended" in set(run.events.event)
    assert scan_ratio(run, plan, profile) <= 1.05


# After identification of the others: home, modes, settings, test move, barrier.
@pytest.mark.parametrize("dialect", ["status-report", "position-report"])
def test_a_barrier_that_answers_early_ends_the_run_before_the_lamp_is_lit(tmp_path, dialect):
    plan = plan_of(tmp_path)
    early = Fault(kind="early", at_exchange=1, exchanges=float("inf"))
    profile, bench = stage_bench(tmp_path, dialect=dialect, faults=[early])
    with pytest.raises(RunStopped, match=r"motion fault.*answered 0\.\d+ s after a move of 10 mm"):
        do_run(tmp_path, plan, profile, bench)


def test_motors_that_switch_off_at_rest_are_noted_in_the_run(tmp_path):
    plan = plan_of(tmp_path)
    profile, bench = stage_bench(tmp_path, idle_delay_ms=25)
    run = run_folder.load(do_run(tmp_path, plan, profile, bench))
    notes = run.events[(run.events.event == "note") & (run.events.subject == "stage")].detail
    assert notes.str.contains(r"\(\$1=25\)").any()
