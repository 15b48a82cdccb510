"""Whole runs, from folder and profile to intervals."""

import json
import math

import numpy as np
import pytest

from analysis.declared import DECLARATIONS
from analysis.results import RunSummary
from analysis.run_budget import with_uncertainty
from analysis.run_folder import RIG, load
from analysis.summary import summarise
from tests.analysis.one_map import influences
from tests.synthetic_run import entered_run, lambertian, plan, to_toml, write_run

BENCH = {"format": 1, "name": "bench 1", "stage": {"kind": "gcode-gantry"}}


@pytest.fixture(scope="module")
def run(tmp_path_factory) -> RunSummary:
    path = write_run(
        tmp_path_factory.mktemp("run") / "run",
        plan=plan(
            grid={"rows": 3, "columns": 3},
            sampling={"samples_per_point": 1, "reference_every": 3, "quick_look": False},
            limits={"target_ppfd_umol_m2_s": 600.0},
        ),
        field=lambertian,
        noise=0.003,
        warm_up_s=0.0,
    )
    (path / RIG).write_text(to_toml(BENCH))
    return summarise(load(path))


NAMES = {
    "calibration_percent": "calibration of the light sensor",
    "spectral_percent": "spectral error of the light sensor",
    "linearity_percent": "linearity of the light sensor",
    "cosine_45_percent": "cosine error of the light sensor",
    "cosine_75_percent": "cosine error of the light sensor",
    "sensor_temperature_percent": "temperature of the light sensor",
    "level_deg": "levelling of the light sensor",
    "sensor_height_mm": "height of the device over the sensor",
    "position_mm": "where the sensor stands at each point",
    "origin_mm": "where the grid lies",
    "wattmeter_percent": "gain of the wattmeter",
    "distorted_current_percent": "wattmeter on distorted current",
}


def stated(name, factor):
    figure = factor * DECLARATIONS[name].default
    if name == "calibration_percent":
        return {**BENCH, "light_sensor_calibration": {"uncertainty_percent": figure}}
    return {**BENCH, "uncertainty": {name: figure}}


@pytest.mark.parametrize("name", NAMES)
def test_every_figure_that_is_stated_scales_its_cause_and_is_said_to_be_stated(run, name):
    def found(rig):
        (map_,) = with_uncertainty(run, rig).maps
        return map_.budget

    default, twice = found(BENCH), found(stated(name, 2.0))
    changed = []
    for one, other in zip(default.influences, twice.influences, strict=True):
        if other.cause.is_default != one.cause.is_default:
            changed.append(other.cause.name)
            assert other.light == pytest.approx(2 * one.light)
            assert other.power == pytest.approx(2 * one.power)
            assert other.cause.source.endswith("; stated in the rig profile")
            assert f"{2 * DECLARATIONS[name].default:g}" in other.cause.source
            assert "default: " in one.cause.source
        else:
            assert (one.light == other.light).all()
            assert one.cause == other.cause
    assert set(changed) == {NAMES[name]}
    assert len(default.assumptions) == len(twice.assumptions) + 1  # no longer all by default


def test_the_correlation_of_cosine_errors_and_re_installation_are_stated_too(run):
    assert set(NAMES) | {"cosine_correlation", "reinstallation_percent"} == set(DECLARATIONS)
    (map_,) = with_uncertainty(run, stated("cosine_correlation", 0.4)).maps
    assert map_.budget.assumptions[-1].endswith("is taken to be 0.2 correlated.")
    (map_,) = with_uncertainty(run, stated("reinstallation_percent", 0.4)).maps
    assert map_.budget.reinstallation == pytest.approx(0.004)
    assert map_.budget.reinstallation_source == "0.4 %, standard; stated in the rig profile"
    assert run.maps[0].budget.reinstallation == pytest.approx(0.010)
    assert run.maps[0].budget.reinstallation_source.endswith("default: common practice, no source")


def test_the_profile_in_the_folder_is_the_one_that_counts(run):
    # With a stage the sensor stands within 2 mm, and a name makes the bench known.
    (place,) = influences(run.maps[0].budget, "where the sensor stands at each point")
    assert place.cause.source.startswith("± 2 mm; default")
    (height,) = influences(run.maps[0].budget, "height of the device over the sensor")
    assert height.cause.key == "height datum of bench 1"


def test_the_dark_reading_of_the_run_counts(run):
    (dark,) = influences(run.maps[0].budget, "dark reading")
    assert dark.cause.source.startswith("measured: ")
    assert dark.cause.source.endswith("from point to point, 5 points")


def test_the_target_of_the_plan_has_its_share_of_the_area(run):
    assert "share_above_target" in run.maps[0].uncertainty.at_points


def test_a_table_entered_by_hand_has_a_budget_too(tmp_path):
    # 16 equal cells; nothing known of instruments, no reference, no dark reading, no windows.
    (map_,) = summarise(load(entered_run(tmp_path / "run", np.full((4, 4), 400.0)))).maps
    found = map_.uncertainty
    flux = found.delivered_flux_umol_s
    assert flux.value == pytest.approx(400 * 1.44)
    assert flux.low < flux.value < flux.high
    rows = {row.name: row for row in found.rows}
    assert rows["repeatability of a reading"].percent == pytest.approx(1.0 / 4)
    assert rows["drift of the lamp during the map"].percent == pytest.approx(1.0)
    assert rows["dark reading"].percent == pytest.approx(100 / math.sqrt(3) / 400)
    assert all(row.is_default or row.percent < 0.06 for row in found.rows)
    (place,) = influences(map_.budget, "where the sensor stands at each point")
    assert place.cause.source.startswith("± 5 mm; default")
    # No figure of evenness beyond what there is.
    assert found.min_to_mean.high == 1.0
    assert 0.9 < found.min_to_mean.low < 1.0


def test_a_map_without_power_or_height_has_the_budget_of_its_light(tmp_path):
    path = entered_run(tmp_path / "run", np.full((4, 4), 400.0), wall_power_w=None, height_mm=None)
    (map_,) = summarise(load(path)).maps
    assert map_.uncertainty.plane_efficacy_umol_j is None
    assert "gain of the wattmeter" not in {row.name for row in map_.uncertainty.rows}
    assert map_.uncertainty.rows[0].name == "calibration of the light sensor"


def test_a_map_that_is_not_complete_has_no_interval(tmp_path):
    values = np.full((4, 4), 400.0)
    values[1, 2] = np.nan
    (map_,) = summarise(load(entered_run(tmp_path / "run", values))).maps
    assert map_.uncertainty is None
    assert map_.budget is None


def test_intervals_are_in_the_summary_of_the_run_and_the_budget_is_not(run):
    held = json.loads(json.dumps(run.to_dict()))["maps"][0]
    assert held["uncertainty"]["delivered_flux_umol_s"]["low"] > 0
    assert held["uncertainty"]["rows"][0]["percent"] == pytest.approx(
        run.maps[0].uncertainty.rows[0].percent
    )
    assert "budget" not in held
