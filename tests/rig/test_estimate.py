"""What a run will take, against hand calculations and against a run."""

from __future__ import annotations

import itertools

import pytest

from analysis import run_folder
from rig.demo.show import HurriedStorage
from rig.estimate import ANSWER_S, CONFIRM_S, RISE_S, estimate
from rig.profile import read_profile
from tests.rig.bench_run import bench_of, do_run, plan_of

# A rule that holds at the first moment it may: only its times decide.
LAX = {"limit_percent": 20.0, "block_s": 20.0, "window_s": 120.0, "minimum_on_s": 600.0}


def test_estimate_agrees_with_a_run_within_a_tenth(tmp_path):
    plan = plan_of(
        tmp_path,
        heights={"mounting_height_mm": [400.0, 500.0]},
        warm_up=LAX,
        grid={"rows": 3, "columns": 4},
        sampling={"quick_look": True},
    )
    profile, bench = bench_of(tmp_path)
    foreseen = estimate(plan, profile)
    done = run_folder.load(do_run(tmp_path, plan, profile, bench, storage=HurriedStorage()))
    moments = dict(zip(done.events["event"], done.events["elapsed_s"], strict=True))
    lit_s = moments["run-ended"] - moments["lamp-lit"]
    assert foreseen.duration_s == pytest.approx(moments["run-ended"], rel=0.1)
    assert foreseen.lit_s == pytest.approx(lit_s, rel=0.1)
    power = done.readings[done.readings["quantity"] == "wall_power_w"]
    power = power[power["elapsed_s"] >= moments["lamp-lit"]]
    points = list(zip(power["elapsed_s"], power["value"], strict=True))
    energy_j = sum((b - a) * (p + q) / 2 for (a, p), (b, q) in itertools.pairwise(points))
    assert foreseen.energy_kwh == pytest.approx(energy_j / 3.6e6, rel=0.1)
    # What is kept on disk is not underestimated by more than the descriptor and the events.
    written = sum(file.stat().st_size for file in done.path.glob("*.csv"))
    assert written < 10.0 * foreseen.row_bytes


RIG = """
format = 1
[light_sensor]
kind = "sdi12-quantum-sensor"
port = "/dev/a"
averaging_s = 0.7
[power_meter]
kind = "modbus-power-meter"
port = "/dev/b"
[[power_meter.registers]]
quantity = "wall_power_w"
register = 0
[stage]
kind = "gcode-gantry"
port = "/dev/c"
speed_mm_s = 100.0
acceleration_mm_s2 = 500.0
travel_x_mm = [0.0, 1200.0]
travel_y_mm = [0.0, 1200.0]
banner_within_s = 3.0
"""


def steps_of(tmp_path, **sections):
    (tmp_path / "rig.toml").write_text(RIG)
    profile = read_profile(tmp_path / "rig.toml")
    foreseen = estimate(plan_of(tmp_path, **sections), profile)
    return foreseen, {step.what: step for step in foreseen.steps}


def test_times_agree_with_hand_arithmetic(tmp_path):
    foreseen, steps = steps_of(
        tmp_path,
        grid={"rows": 1, "columns": 3},
        area={"width_mm": 1200.0, "depth_mm": 1200.0},
        sampling={"reference_every": 100, "samples_per_point": 2, "settle_s": 1.0},
        warm_up={"minimum_on_s": 600.0, "block_s": 60.0, "window_s": 300.0},
        dark={"points": "all"},
    )
    # Points at x 200, 600, 1000; y 600. Reference is the middle one. Each visit: settling 1 s
    # and two readings of 0.7 + 0.3 s = 3 s.
    # Moves of the map from the reference: 0, 400 (to the first), 400, 400, 400 (back) mm:
    # 400 mm at 100 mm/s with 500 mm/s² takes 4 + 0.2 = 4.2 s.
    assert steps["map of 3 points at 450 mm"].duration_s == pytest.approx(5 * 3.0 + 4 * 4.2)
    # Half of 1200 mm at half of 100 mm/s, after at most 3 s of greeting.
    homing = steps["instruments say who they are; the stage homes"]
    assert homing.duration_s == pytest.approx(3.0 + 12.0)
    # 10 minutes on, of which the light took RISE_S to be seen, in whole blocks.
    warm_up = steps["warm-up, rule 'as written in the plan'"]
    assert RISE_S < 60.0
    assert warm_up.duration_s == pytest.approx(600.0)
    assert warm_up.at_least
    # Dark, from the corner: 632.456 mm takes 6.5246 s, then two moves of 400 mm.
    dark = steps["dark reading at 3 points, lamp off"]
    assert dark.duration_s == pytest.approx(ANSWER_S + 3 * 3.0 + 6.5246 + 2 * 4.2, abs=1e-3)
    # Electronic ballast of a 600 W lamp: 1.07 by assumption.
    assert foreseen.wall_power_w == pytest.approx(642.0)
    assert foreseen.energy_kwh == pytest.approx(0.642 * foreseen.lit_s / 3600.0)
    assert foreseen.duration_s == pytest.approx(sum(s.duration_s for s in foreseen.steps))


def test_height_changed_by_hand_cools_and_warms_up_anew(tmp_path):
    foreseen, steps = steps_of(
        tmp_path, heights={"mounting_height_mm": [400.0, 500.0]}, lamp={"minimum_off_s": 900.0}
    )
    assert steps["lamp off, isolated; cooling"].duration_s == pytest.approx(ANSWER_S + 900.0)
    assert not steps["lamp off, isolated; cooling"].lamp_is_lit
    assert [step.what for step in foreseen.steps].count("the lamp is lit by a person") == 2
    assert sum("warm-up" in step.what for step in foreseen.steps) == 2


def test_reading_seen_to_take_longer_lengthens_each_visit(tmp_path):
    (tmp_path / "rig.toml").write_text(RIG)
    profile, plan = read_profile(tmp_path / "rig.toml"), plan_of(tmp_path, dark={"points": "all"})
    usual, slow = estimate(plan, profile), estimate(plan, profile, light_reading_s=3.0)
    # 9 dark, 9 grid and, every 4 and at both ends, 4 reference visits, of 2 samples each.
    assert slow.duration_s - usual.duration_s == pytest.approx(22 * 2 * (3.0 - 1.0))


def test_every_assumption_is_a_sentence_with_its_standing(tmp_path):
    foreseen, _ = steps_of(tmp_path)
    assert all(sentence.endswith(".") for sentence in foreseen.assumptions)
    assert any("common practice, no source" in sentence for sentence in foreseen.assumptions)
    assert CONFIRM_S > 0.2
