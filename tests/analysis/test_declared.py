"""What a figure of a certificate, a class or a default becomes, by hand."""

import math

import pytest
from attrs import fields

from analysis.declared import DECLARATIONS, declared_of
from rig.uncertainty_keys import Uncertainty

STAGE = {"stage": {}}
# As `plan` of tests.synthetic_run has it.
LAMP = {"lamp": {"kind": "high-pressure sodium"}}


def test_nothing_stated_is_the_default_and_says_so():
    held = declared_of(STAGE, {})
    assert held.is_default
    assert not held.stated
    assert held.values == {name: one.default for name, one in DECLARATIONS.items()}
    for name in DECLARATIONS:
        assert "default: " in held.source(name)


def test_a_certificate_of_5_per_cent_at_k_2_is_2_5_per_cent():
    held = declared_of({"light_sensor_calibration": {"uncertainty_percent": 5.0}}, {})
    assert held.standard("calibration_percent") == pytest.approx(0.025)
    assert held.distribution("calibration_percent") == "normal"
    assert held.source("calibration_percent") == "± 5 %, k = 2; stated in the rig profile"


def test_limits_of_3_per_cent_are_3_over_root_3():
    held = declared_of({"uncertainty": {"spectral_percent": 3.0}}, {})
    assert held.standard("spectral_percent") == pytest.approx(0.03 / math.sqrt(3))
    assert held.distribution("spectral_percent") == "rectangular"
    assert held.source("spectral_percent") == "± 3 %; stated in the rig profile"


def test_a_standard_deviation_is_taken_as_it_is():
    held = declared_of({"uncertainty": {"reinstallation_percent": 0.4}}, {})
    assert held.standard("reinstallation_percent") == pytest.approx(0.004)
    assert held.distribution("reinstallation_percent") == "normal"
    assert held.source("reinstallation_percent") == "0.4 %, standard; stated in the rig profile"


def test_lengths_stay_lengths_and_angles_become_radians():
    held = declared_of({"uncertainty": {"origin_mm": 6.0, "level_deg": 2.0}}, {})
    assert held.standard("origin_mm") == pytest.approx(6.0 / math.sqrt(3))
    assert held.standard("level_deg") == pytest.approx(2.0 * math.pi / 180 / math.sqrt(3))
    assert held.source("level_deg") == "± 2°; stated in the rig profile"
    assert held.source("origin_mm") == "± 6 mm; stated in the rig profile"


def test_a_certificate_of_the_wattmeter_goes_before_its_class():
    rig = {
        "uncertainty": {"wattmeter_percent": 1.0},
        "power_meter_calibration": {"uncertainty_percent": 0.4},
    }
    held = declared_of(rig, {})
    assert held.standard("wattmeter_percent") == pytest.approx(0.002)
    assert held.distribution("wattmeter_percent") == "normal"
    assert held.source("wattmeter_percent") == "± 0.4 %, k = 2; stated in the rig profile"
    # Its class alone is a pair of limits.
    by_class = declared_of({"uncertainty": rig["uncertainty"]}, {})
    assert by_class.standard("wattmeter_percent") == pytest.approx(0.01 / math.sqrt(3))


def test_the_spectral_factor_that_a_plan_applies_brings_its_own_uncertainty():
    factors = [
        {"lamp_kind": "LED", "factor": 1.01, "uncertainty_percent": 9.0},
        {"lamp_kind": "high-pressure sodium", "factor": 0.98, "uncertainty_percent": 1.0},
    ]
    rig = {"light_sensor_calibration": {"spectral_factors": factors}}
    applied = declared_of(rig, {**LAMP, "corrections": {"spectral": "lamp kind"}})
    assert applied.standard("spectral_percent") == pytest.approx(0.005)
    assert applied.distribution("spectral_percent") == "normal"
    # A factor that is not applied makes nothing better.
    left = declared_of(rig, LAMP)
    assert left.standard("spectral_percent") == pytest.approx(0.03 / math.sqrt(3))
    other = declared_of(rig, {"lamp": {"kind": "metal halide"},
                              "corrections": {"spectral": "lamp kind"}})  # fmt: skip
    assert "spectral_percent" not in other.stated


def test_a_sensor_placed_by_hand_is_placed_less_closely():
    assert declared_of({}, {}).values["position_mm"] == 5.0
    assert declared_of({"stage": {"kind": "manual"}}, {}).values["position_mm"] == 5.0
    assert declared_of(STAGE, {}).values["position_mm"] == 2.0
    assert declared_of({"uncertainty": {"position_mm": 1.0}}, {}).values["position_mm"] == 1.0


@pytest.mark.parametrize("given", [-1.0, math.nan, math.inf, 51.0, True, "3", None, [3]])
def test_what_is_no_sensible_figure_is_not_taken_for_a_statement(given):
    rig = {"uncertainty": {"spectral_percent": given}}
    certified = {"light_sensor_calibration": {"uncertainty_percent": given}}
    assert declared_of(rig, {}).is_default
    if given != 51.0:
        assert declared_of(certified, {}).is_default
    assert declared_of({"uncertainty": 3.0, "light_sensor_calibration": None}, {}).is_default


def test_nothing_known_within_the_limits_of_0_is_a_statement():
    held = declared_of({"uncertainty": {"linearity_percent": 0}}, {})
    assert held.standard("linearity_percent") == 0
    assert held.stated == {"linearity_percent"}


def test_a_profile_can_state_every_figure_but_the_calibration_which_has_its_certificate():
    assert {one.name for one in fields(Uncertainty)} == DECLARATIONS.keys() - {
        "calibration_percent"
    }


def test_a_factor_from_curves_brings_the_uncertainty_that_the_plan_states():
    # Expanded, k = 2: 1.6 % is 0.8 %.
    plan = {"corrections": {"spectral": "curves", "spectral_uncertainty_percent": 1.6}}
    held = declared_of({}, plan)
    assert held.standard("spectral_percent") == pytest.approx(0.008)
    assert held.source("spectral_percent") == "± 1.6 %, k = 2; stated in the plan"
    # A figure that the plan does not use is not there.
    assert declared_of({}, {"corrections": {"spectral": "curves"}}).is_default
