"""A sensor and a meter that err by known amounts, corrected, against what was true on the bench."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import evolve

from analysis import run_folder
from analysis.summary import summarise
from tests.rig.bench_run import bench_of, do_run, plan_of
from tests.rig.test_chain_against_truth import EXACT

ANGLES = [0.0, 30.0, 45.0, 60.0, 75.0, 85.0, 90.0]
COSINE_ERROR = [0.0, -1.0, -3.0, -7.0, -15.0, -30.0, -50.0]
"""Of a sensor much worse than any that is sold as cosine-corrected. [%]"""
ERRORS = {
    "light_sensor": {
        **EXACT["light_sensor"],
        "calibration_percent": 5.0,
        "cosine_theta_deg": ANGLES,
        "cosine_error_percent": COSINE_ERROR,
        "dark_offset_umol_m2_s": 0.5,
    },
    "monitor_sensor": EXACT["monitor_sensor"],
    "power_meter": {**EXACT["power_meter"], "power_gain_percent": 1.5, "power_offset_w": 2.0},
}
# The meter shows P · 1.015 + 2, so P is what it shows over 1.015, less 2/1.015.
FACTORS = {
    "light_sensor_calibration": {"factor": 1 / 1.05},
    "power_meter_calibration": {"factor": 1 / 1.015, "offset_w": -2 / 1.015},
}
COSINE = {
    "cosine_angle_deg": ANGLES,
    "cosine_response": [1 + percent / 100 for percent in COSINE_ERROR],
}


@pytest.fixture(scope="module")
def bench_and_run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("errs")
    plan = plan_of(
        folder,
        grid={"rows": 7, "columns": 7},
        sampling={"reference_every": 7, "samples_per_point": 1},
        heights={"mounting_height_mm": [400.0]},
    )
    still = {"repeatable_error_mm": 0.0, "random_error_mm": 0.0, "scale_error_percent": 0.0}
    profile, bench = bench_of(folder, scenario={"gantry": still}, errors=ERRORS)
    return bench.virtual.truth, run_folder.load(do_run(folder, plan, profile, bench))


def corrected(bench_and_run, rig, asked=None):
    """Return the errors of flux and cells that are left, and the map. [fraction]"""
    truth, run = bench_and_run
    told = evolve(run, rig={**run.rig, **rig}, plan={**run.plan, "corrections": asked or {}})
    (one,) = summarise(told).maps
    true = truth.ppfd_map(one.grid.x_mm, one.grid.y_mm, one.begun_s, one.ended_s)
    weights = one.grid.weights_m2
    return (one.ppfd @ weights) / (true @ weights) - 1, one.ppfd / true - 1, one


def test_a_wattmeter_calibration_brings_power_to_the_truth(bench_and_run):
    truth, _ = bench_and_run
    _, _, raw = corrected(bench_and_run, {})
    _, _, one = corrected(bench_and_run, FACTORS)
    true = truth.wall_power_w(one.begun_s, one.ended_s)
    assert raw.mean_wall_power_w / true - 1 > 0.015
    assert one.mean_wall_power_w == pytest.approx(true, rel=2e-4)


def test_a_calibration_factor_leaves_the_cosine_error_alone(bench_and_run):
    flux, cells, _ = corrected(bench_and_run, FACTORS)
    # The sensor reads light that comes aslant low by 1 to 15 % and more.
    assert -0.05 < flux < -0.03
    assert cells.min() < -0.06


@pytest.mark.parametrize("share", [0.5, 0.7])
def test_the_cosine_correction_leaves_a_sixth_of_the_error_whatever_share_is_stated(
    bench_and_run, share
):
    before, cells_before, _ = corrected(bench_and_run, FACTORS)
    sensor = {**FACTORS["light_sensor_calibration"], **COSINE}
    rig = {**FACTORS, "light_sensor_calibration": sensor}
    after, cells, _ = corrected(bench_and_run, rig, {"direct_share": share})
    assert abs(after) < abs(before) / 6
    assert np.abs(cells).max() < np.abs(cells_before).max() / 4


def test_scaling_to_nominal_voltage_gives_what_the_lamp_gives_there(tmp_path):
    """A magnetic ballast on mains that wander about 225 V, and the same lamp on steady 230 V."""

    def run_on(name, mains, **sections):
        folder = tmp_path / name
        folder.mkdir()
        plan = plan_of(
            folder,
            heights={"mounting_height_mm": [400.0]},
            warm_up={"limit_percent": 20.0},
            corrections={"line_voltage": "nominal"},
            **sections,
        )
        ballast = {"kind": "magnetic", "voltage_exponent": 1.6}
        _, bench = profile_and_bench = bench_of(
            folder, scenario={"ballast": ballast, "mains": mains}, errors=EXACT
        )
        summary = summarise(run_folder.load(do_run(folder, plan, *profile_and_bench)))
        return bench.virtual.truth, summary

    steady = {"mean_v": 230.0, "ramp_percent_per_hour": 0.0, "slow_percent": 0.0}
    truth, at_nominal = run_on("steady", {**steady, "fast_percent": 0.0})
    # On mains that do not move there is nothing to fit.
    (refused,) = [told for told in at_nominal.remarks if told.startswith("Nothing is scaled")]
    assert "it takes 2\u202f% to see" in refused
    span = at_nominal.maps[0].begun_s, at_nominal.maps[0].ended_s
    wandering = {**steady, "mean_v": 226.0, "slow_percent": 2.5, "slow_s": 300.0}
    _, summary = run_on(
        "wandering",
        wandering,
        grid={"rows": 9, "columns": 9},
        sampling={"reference_every": 5, "samples_per_point": 2},
    )
    (one,) = summary.maps
    light, power = (item for item in one.corrections if item.name == "nominal line voltage")
    assert one.delivered_flux_umol_s / light.factor < 0.97 * truth.delivered_flux_umol_s(*span)
    # Within 95 % of the fit, and 0.5 % for the grid and the lamp's own wander.
    for value, true, scaled in (
        (one.delivered_flux_umol_s, truth.delivered_flux_umol_s(*span), light),
        (one.mean_wall_power_w, truth.wall_power_w(*span), power),
    ):
        assert value == pytest.approx(true, rel=2 * scaled.uncertainty + 0.005)
