"""Corrections of light and power, on runs whose truth is a formula."""

import hashlib
import json
import math
from datetime import timedelta

import numpy as np
import pytest

from analysis import run_folder
from analysis.corrections import LIGHT_ORDER, POWER_ORDER, apply, undo
from analysis.grid import grid_from_plan
from analysis.run_folder import ReadingRow
from analysis.sensor_corrections import Geometry
from analysis.summary import summarise
from tests.synthetic_run import BEGUN_UTC, add_rows, flat, lambertian, plan, to_toml, write_run

SMALL = {"grid": {"rows": 4, "columns": 4}, "sampling": {"reference_every": 4, "quick_look": False}}


def rig_text(**sections):
    return to_toml({"format": 1, **sections})


def summary_of(tmp_path, *, rig=None, asked=None, sections=SMALL, rows=(), **options):
    options.setdefault("warm_up_s", 0.0)
    whole = plan(**sections)
    if asked is not None:
        whole["corrections"] = asked
    folder = tmp_path / "run"
    if not folder.exists():
        write_run(folder, plan=whole, **options)
    (folder / run_folder.RIG).write_text(rig_text(**(rig or {})), encoding="utf-8")
    add_rows(folder, rows)
    summary = summarise(run_folder.load(folder))
    json.dumps(summary.to_dict(), allow_nan=False)
    return summary


def row(quantity, value, unit, role, *, at_s=0.0, instrument="light_sensor", **more):
    return ReadingRow(
        elapsed_s=at_s,
        utc=BEGUN_UTC + timedelta(seconds=at_s),
        window_start_s=at_s - 1.0,
        window_end_s=at_s,
        instrument=instrument,
        quantity=quantity,
        value=value,
        unit=unit,
        role=role,
        installation=1,
        **more,
    )


def said(summary, *words):
    return any(all(word in remark for word in words) for remark in summary.remarks)


def names(summary):
    return [one.name for one in summary.maps[0].corrections]


# -- nothing asked for ------------------------------------------------------------------------


def test_without_keys_a_map_is_raw_less_dark_times_drift_to_the_last_bit(tmp_path):
    one = summary_of(
        tmp_path, field=lambertian, noise=0.003, light_drift=lambda t_s: 1 + 1e-5 * t_s
    ).maps[0]
    assert (one.ppfd == (one.ppfd_raw - one.dark) * one.drift.factor).all()
    assert [item.name for item in one.corrections] == ["dark reading", "drift"]
    assert one.mark == ""
    assert one.label == "installation 1, mounting height 400 mm"


def test_keys_that_ask_for_nothing_change_no_bit(tmp_path):
    options = {"field": lambertian, "noise": 0.003, "power_noise": 0.002}
    plain = summary_of(tmp_path / "a", **options).maps[0]
    told = summary_of(
        tmp_path / "b",
        rig={
            "light_sensor_calibration": {"uncertainty_percent": 5.0, "height_mm": 0.0},
            "power_meter_calibration": {"uncertainty_percent": 1.0},
        },
        asked={"spectral": "none", "line_voltage": "as read"},
        **options,
    ).maps[0]
    assert (told.ppfd == plain.ppfd).all()
    assert (told.wall_power_w == plain.wall_power_w).all()
    assert told.plane_efficacy_umol_j == plain.plane_efficacy_umol_j
    assert [item.name for item in told.corrections] == ["dark reading", "drift"]


# -- calibration ------------------------------------------------------------------------------


def test_a_calibration_factor_multiplies_the_light_and_leaves_it_raw_beside(tmp_path):
    summary = summary_of(
        tmp_path,
        rig={
            "light_sensor_calibration": {"factor": 1.05, "uncertainty_percent": 4.0},
            "light_sensor": {"calibrated_on": "2025-06-01", "calibration_due": "2027-06-01"},
        },
    )
    one = summary.maps[0]
    # 500 µmol m⁻² s⁻¹ on 1.44 m² over 640 W; dark of 0.5 comes off first.
    assert one.ppfd_raw == pytest.approx(np.full(16, 500.5))
    assert one.delivered_flux_umol_s == pytest.approx(720 * 1.05)
    assert one.plane_efficacy_umol_j == pytest.approx(1.125 * 1.05)
    (applied,) = (item for item in one.corrections if item.name == "sensor calibration")
    assert applied.factor == 1.05
    assert applied.uncertainty == pytest.approx(0.02)  # 4 % at k = 2
    assert applied.source == "profile: calibrated on 2025-06-01, due 2027-06-01"
    assert summary.corrections["sensor calibration"] == "factor 1.05"


def test_a_wattmeters_factor_and_offset_act_on_all_power(tmp_path):
    summary = summary_of(
        tmp_path, rig={"power_meter_calibration": {"factor": 0.98, "offset_w": -0.4}}
    )
    one = summary.maps[0]
    # 640 × 0.98 − 0.4 = 626.8 W
    assert one.mean_wall_power_w == pytest.approx(626.8)
    assert one.wall_power.mean_w == pytest.approx(626.8)
    assert summary.power_series[1].max() == pytest.approx(626.8)
    assert one.plane_efficacy_umol_j == pytest.approx(720 / 626.8)
    assert undo(one.wall_power_w, one.corrections, "power") == pytest.approx(np.full(16, 640.0))
    assert one.ppfd == pytest.approx(np.full(16, 500.0))


def test_a_passed_calibration_is_said_with_every_map_and_run(tmp_path):
    sections = {**SMALL, "heights": {"mounting_height_mm": [400.0, 500.0], "axis": "lamp"}}
    folder = write_run(tmp_path / "run", plan=plan(**sections), warm_up_s=0.0)
    descriptor = json.loads((folder / run_folder.DESCRIPTOR).read_text())
    descriptor["evenfall"]["instruments"] = [
        {"name": "light_sensor", "calibrated_on": "2024-01-01", "calibration_due": "2026-01-04"},
        {"name": "power_meter", "calibrated_on": "2025-01-01", "calibration_due": "2026-01-05"},
    ]
    (folder / run_folder.DESCRIPTOR).write_text(json.dumps(descriptor))
    summary = summarise(run_folder.load(folder))
    # The synthetic run began on 2026-01-05: due the day before has passed, due that day has not.
    sentence = "The calibration of the light sensor was due on 2026-01-04, before the run."
    assert [one.remarks for one in summary.maps] == [(sentence,), (sentence,)]
    assert summary.remarks == (sentence,)


# -- stray light ------------------------------------------------------------------------------


def stray_rows(value, places):
    return [
        row(
            "ppfd_umol_m2_s",
            value(place) if callable(value) else value,
            "umol/m2/s",
            "stray",
            grid_row=place[0],
            grid_column=place[1],
            mounting_height_mm=400.0,
        )
        for place in places
    ]


def test_stray_light_is_taken_off_beyond_the_dark_reading_that_it_holds(tmp_path):
    # The sensor shows 0.5 in the dark and 3.5 with the lamp lit and shaded: 3 is stray.
    summary = summary_of(tmp_path, rows=stray_rows(3.5, [(0, 0), (3, 3)]))
    one = summary.maps[0]
    assert one.ppfd_raw == pytest.approx(np.full(16, 500.5))
    assert one.ppfd == pytest.approx(np.full(16, 497.0))
    assert names(summary)[:2] == ["dark reading", "stray light"]
    assert one.drift.values == pytest.approx(np.full(len(one.drift.values), 497.0))


def test_stray_light_that_was_measured_apart_is_stated_in_the_plan_and_taken_off(tmp_path):
    # 500 on the plane beyond 0.5 in the dark; of the 500, 4 are stated to be stray.
    one = summary_of(tmp_path, asked={"stray_umol_m2_s": 4.0}).maps[0]
    assert one.ppfd == pytest.approx(np.full(16, 496.0))
    (stray,) = (held for held in one.corrections if held.name == "stray light")
    assert stray.source == "plan: corrections.stray_umol_m2_s"


def test_stray_light_that_a_run_read_goes_before_what_its_plan_states(tmp_path):
    rows = stray_rows(3.5, [(0, 0), (3, 3)])
    summary = summary_of(tmp_path, rows=rows, asked={"stray_umol_m2_s": 40.0})
    (stray,) = (held for held in summary.maps[0].corrections if held.name == "stray light")
    assert stray.source == "readings of role stray"


def test_stray_light_read_at_every_point_is_taken_off_each(tmp_path):
    places = [(i, k) for i in range(4) for k in range(4)]
    one = summary_of(tmp_path, rows=stray_rows(lambda at: 1.5 + at[0], places)).maps[0]
    assert one.ppfd == pytest.approx(499.0 - one.grid.row)


# -- spectral factor --------------------------------------------------------------------------

KINDS = [
    {"lamp_kind": "metal halide", "factor": 0.97},
    {"lamp_kind": "high-pressure sodium", "factor": 1.03, "uncertainty_percent": 2.0},
]


def with_kinds(kinds):
    rows = "".join(
        "[[light_sensor_calibration.spectral_factors]]\n"
        + "".join(f"{key} = {json.dumps(value)}\n" for key, value in kind.items())
        for kind in kinds
    )
    return "format = 1\n" + rows


def test_the_spectral_factor_is_that_of_the_kind_of_lamp(tmp_path):
    folder = write_run(
        tmp_path / "run",
        plan={**plan(**SMALL), "corrections": {"spectral": "lamp kind"}},
        warm_up_s=0.0,
    )
    (folder / run_folder.RIG).write_text(with_kinds(KINDS), encoding="utf-8")
    one = summarise(run_folder.load(folder)).maps[0]
    assert one.ppfd == pytest.approx(np.full(16, 515.0))  # the plan's lamp is a sodium lamp
    (folder / run_folder.RIG).write_text(with_kinds(KINDS[:1]), encoding="utf-8")
    without = summarise(run_folder.load(folder))
    assert without.maps[0].ppfd == pytest.approx(np.full(16, 500.0))
    assert said(without, "No spectral factor is applied", "high-pressure sodium")


def put_curves(folder, curves):
    """Lay curves into a run folder as a run does."""
    descriptor = json.loads((folder / run_folder.DESCRIPTOR).read_text())
    descriptor["evenfall"]["curves"] = {}
    for key, (name, text) in curves.items():
        copy = f"curve-{hashlib.sha256(text.encode()).hexdigest()[:16]}-{name}"
        (folder / copy).write_text(text)
        descriptor["evenfall"]["curves"][key] = copy
    (folder / run_folder.DESCRIPTOR).write_text(json.dumps(descriptor))


def curve(value, first=400, last=700):
    lines = [f"{nm},{value(nm)}" for nm in range(first, last + 1)]
    return "\n".join(["wavelength_nm,value", *lines]) + "\n"


CURVES = {
    "light_sensor_calibration.response": ("sensor.csv", curve(lambda nm: 1.0)),
    "light_sensor_calibration.calibration_spectrum": ("source.csv", curve(lambda nm: 2.0)),
    "corrections.lamp_spectrum": ("lamp.csv", curve(lambda nm: nm / 100)),
}


def run_with_curves(tmp_path, curves):
    asked = {"spectral": "curves", "spectral_uncertainty_percent": 1.5}
    folder = write_run(
        tmp_path / "run", plan={**plan(**SMALL), "corrections": asked}, warm_up_s=0.0
    )
    put_curves(folder, curves)
    return folder


def test_the_spectral_factor_of_three_curves_is_that_of_the_integrals(tmp_path):
    # A sensor that counts joules, not photons, calibrated under equal energy, below a lamp whose
    # spectrum rises with λ. By hand, over 400 to 700 nm:
    # photons: ∫λ·λ dλ ÷ ∫λ dλ = (700³ − 400³)/3 ÷ ((700² − 400²)/2) = 93 000 000 ÷ 165 000
    # seen:    ∫λ dλ ÷ ∫1 dλ = 165 000 ÷ 300; their ratio is 1.024793
    summary = summarise(run_folder.load(run_with_curves(tmp_path, CURVES)))
    one = summary.maps[0]
    assert one.ppfd == pytest.approx(np.full(16, 500 * 1.0247934), rel=1e-5)
    (applied,) = (item for item in one.corrections if item.name == "spectral factor")
    assert applied.uncertainty == pytest.approx(0.0075)


def test_a_sensor_sees_nothing_beyond_its_curve(tmp_path):
    # As above, but it is blind beyond 600 nm: it sees ∫λ dλ ÷ ∫1 dλ = 100 000 ÷ 200, and
    # 563.636 ÷ 500 = 1.127273; the edge is half a nanometre wide.
    blind = ("sensor.csv", curve(lambda nm: 1.0, last=600))
    folder = run_with_curves(tmp_path, {**CURVES, "light_sensor_calibration.response": blind})
    one = summarise(run_folder.load(folder)).maps[0]
    assert one.ppfd == pytest.approx(np.full(16, 500 * 1.127273), rel=1e-3)


def test_a_curve_that_was_changed_after_the_run_is_not_used(tmp_path):
    folder = run_with_curves(tmp_path, CURVES)
    (copy,) = folder.glob("curve-*-lamp.csv")
    copy.write_text(curve(lambda nm: 1.0))
    summary = summarise(run_folder.load(folder))
    assert summary.maps[0].ppfd == pytest.approx(np.full(16, 500.0))
    assert said(summary, "No spectral factor", "was changed since the run")


def test_a_lamp_spectrum_that_ends_where_the_sensor_still_sees_is_not_used(tmp_path):
    wide = ("sensor.csv", curve(lambda nm: 1.0, last=750))
    folder = run_with_curves(tmp_path, {**CURVES, "light_sensor_calibration.response": wide})
    summary = summarise(run_folder.load(folder))
    assert said(summary, "400 to 750 nm are needed")
    assert "spectral factor" not in names(summary)


def test_a_run_folder_without_its_curve_says_which_is_missing(tmp_path):
    curves = {key: one for key, one in CURVES.items() if "lamp" not in key}
    summary = summarise(run_folder.load(run_with_curves(tmp_path, curves)))
    assert said(summary, "holds no curve for corrections.lamp_spectrum")


# -- temperature ------------------------------------------------------------------------------

WARM = {
    "light_sensor_calibration": {
        "temperature_coefficient_percent_per_k": -0.1,
        "temperature_reference_c": 23.0,
    }
}


def at_33_c():
    return [
        row("temperature_c", 33.0, "Cel", "background", at_s=at_s, instrument="thermometer")
        for at_s in (0.0, 500.0)
    ]


def test_a_sensor_10_k_too_warm_is_corrected_by_its_coefficient(tmp_path):
    # It reads 1 − 0.001 × 10 = 0.99 of the truth.
    rig = {**WARM, "thermometer": {"place": "beside the light sensor"}}
    one = summary_of(tmp_path, rig=rig, rows=at_33_c()).maps[0]
    assert one.ppfd == pytest.approx(np.full(16, 500 / 0.99))


@pytest.mark.parametrize(
    ("rig", "rows", "why"),
    [
        ({**WARM, "thermometer": {"place": "reflector"}}, at_33_c(), "is at the reflector"),
        ({**WARM, "thermometer": {"place": "plane"}}, [], "none was logged"),
    ],
)
def test_a_temperature_from_elsewhere_or_none_is_said_and_not_used(tmp_path, rig, rows, why):
    summary = summary_of(tmp_path, rig=rig, rows=rows)
    assert summary.maps[0].ppfd == pytest.approx(np.full(16, 500.0))
    assert said(summary, "temperature of the light sensor is not corrected", why)


# -- geometry ---------------------------------------------------------------------------------


def geometry(**changes):
    return Geometry(
        **{
            "direct_share": 1.0,
            "x_mm": 600.0,
            "y_mm": 600.0,
            "height_mm": 0.0,
            "tilt_deg": (0.0, 0.0),
            "angle_deg": np.array([]),
            "response": np.array([]),
            **changes,
        }
    )


GRID = grid_from_plan(plan(**SMALL))


@pytest.mark.parametrize("share", [1.0, 0.5])
def test_tilt_is_the_ratio_of_cosines_of_the_direct_share(share):
    (tilt,) = geometry(tilt_deg=(2.0, 0.0), direct_share=share).by_point(GRID, 400.0, [])
    # At (150, 150) the device stands 450 mm east and north and 400 mm above; the axis leans 2°
    # to the east: cos θ′ / cos θ = (450 sin 2° + 400 cos 2°)/400 = 1.038653.
    read = share * 1.038653 + 1 - share
    assert tilt.factor[0] == pytest.approx(1 / read, rel=1e-6)
    # On the other side it turns away from it: (−450 sin 2° + 400 cos 2°)/400 = 0.960129
    assert tilt.factor[3] == pytest.approx(1 / (share * 0.960129 + 1 - share), rel=1e-6)


def test_a_point_sources_light_at_60_degrees_is_divided_by_the_response_there():
    # 4 × 4 points: (450, 450) lies 150√2 mm from the middle; seen from there the source stands at
    # 60° if it hangs 150√2/√3 mm high. The table says 0.9 at 60°.
    table = {"angle_deg": np.array([0.0, 60.0, 90.0]), "response": np.array([1.0, 0.9, 0.5])}
    (cosine,) = geometry(**table).by_point(GRID, 150 * math.sqrt(2 / 3), [])
    assert cosine.factor[5] == pytest.approx(1 / 0.9)


def test_tilt_and_cosine_response_together_take_off_what_a_leaning_sensor_reads():
    table = {"angle_deg": np.array([0.0, 90.0]), "response": np.array([1.0, 0.0])}
    both = geometry(**table, tilt_deg=(2.0, 0.0), direct_share=0.5).by_point(GRID, 400.0, [])
    # At (150, 150): cos θ = 400/√(450² + 450² + 400²) = 0.532152, cos θ′ = 1.038653 of that, so
    # θ′ = 56.4461° and f = 1 − θ′/90 = 0.372821; f to diffuse light is 0.5.
    read = 0.5 * 0.372821 * 1.038653 + 0.5 * 0.5
    assert math.prod(one.factor[0] for one in both) == pytest.approx(1 / read, rel=1e-5)


def test_light_from_everywhere_is_divided_by_the_response_to_it():
    # f = 1 − 2θ/π: ∫ f sin 2θ dθ = 1 − (2/π)(π/4) = 0.5.
    table = {"angle_deg": np.array([0.0, 90.0]), "response": np.array([1.0, 0.0])}
    (cosine,) = geometry(**table, direct_share=0.0).by_point(GRID, 400.0, [])
    assert cosine.factor == pytest.approx(np.full(16, 2.0), rel=1e-6)


def test_angles_beyond_the_table_are_said():
    remarks = []
    table = {"angle_deg": np.array([0.0, 45.0]), "response": np.array([1.0, 0.98])}
    geometry(**table).by_point(GRID, 400.0, remarks)
    # The corner: √2 × 450 mm aside and 400 mm above is atan(1.591) = 57.8°.
    assert remarks == [
        "Light reaches the sensor at up to 58°, and its cosine response is known up to 45°; the "
        "last value is held."
    ]


def test_a_tilted_low_reading_of_a_known_field_comes_out_right(tmp_path):
    """A sensor 35 mm above the plane that leans 1.5° and −1° under a Lambertian point source."""
    lean = np.tan(np.radians([1.5, -1.0]))

    def read(x_mm, y_mm, height_mm):
        above = height_mm - 35.0
        tilted = 1 + ((600 - x_mm) * lean[0] + (600 - y_mm) * lean[1]) / above
        return lambertian(x_mm, y_mm, above) * tilted / np.sqrt(1 + lean @ lean)

    sensor = {"height_mm": 35.0, "tilt_x_deg": 1.5, "tilt_y_deg": -1.0}
    one = summary_of(
        tmp_path,
        sections={"grid": {"rows": 9, "columns": 9}, "sampling": {"quick_look": False}},
        rig={"light_sensor_calibration": sensor},
        asked={"direct_share": 1.0},
        field=read,
    ).maps[0]
    truth = lambertian(one.grid.x_mm, one.grid.y_mm, 400.0)
    as_read = read(one.grid.x_mm, one.grid.y_mm, 400.0)
    assert np.abs(as_read / truth - 1).max() > 0.15  # what it costs not to correct
    assert one.ppfd == pytest.approx(truth, rel=4e-3)
    assert one.delivered_flux_umol_s == pytest.approx(truth @ one.grid.weights_m2, rel=1e-3)


def test_what_is_known_of_the_sensor_is_not_used_where_the_light_comes_from_is_not_stated(
    tmp_path,
):
    sensor = {"height_mm": 35.0, "cosine_angle_deg": [0.0, 60.0], "cosine_response": [1.0, 0.95]}
    summary = summary_of(tmp_path, rig={"light_sensor_calibration": sensor})
    assert summary.maps[0].ppfd == pytest.approx(np.full(16, 500.0))
    assert said(summary, "not corrected: cosine response, height", "corrections.direct_share")


def test_the_height_of_the_sensor_is_not_corrected_on_a_map_with_a_hole(tmp_path):
    summary = summary_of(
        tmp_path,
        rig={"light_sensor_calibration": {"height_mm": 35.0}},
        asked={"direct_share": 1.0},
        skip=[(1, 1)],
    )
    assert said(summary, "height of the sensor, 35 mm above the plane, is not corrected")
    assert "sensor height" not in names(summary)


# -- all together -----------------------------------------------------------------------------


def test_all_corrections_are_recorded_in_their_order_and_come_off_again(tmp_path):
    sensor = {
        **WARM["light_sensor_calibration"],
        "factor": 1.02,
        "height_mm": 20.0,
        "tilt_x_deg": 0.7,
        "cosine_angle_deg": [0.0, 45.0, 75.0],
        "cosine_response": [1.0, 0.99, 0.94],
    }
    summary = summary_of(
        tmp_path,
        rig={
            "thermometer": {"place": "plane"},
            "light_sensor_calibration": sensor,
            "power_meter_calibration": {"factor": 1.01, "offset_w": 0.7},
        },
        asked={"direct_share": 0.7, "line_voltage": "nominal"},
        rows=[*at_33_c(), *stray_rows(3.5, [(0, 0)])],
        field=lambertian,
        noise=0.001,
        sections=LONG,
        **swinging(period_s=1000.0),
    )
    one = summary.maps[0]
    order = [name for name in LIGHT_ORDER if name != "spectral factor"]
    assert names(summary) == [*order, *POWER_ORDER]
    assert apply(one.ppfd_raw, one.corrections) == pytest.approx(one.ppfd, rel=1e-13)
    assert undo(one.ppfd, one.corrections) == pytest.approx(one.ppfd_raw, rel=1e-13)
    for item in one.corrections:
        assert np.shape(item.factor) in ((), (81,))
        assert (np.asarray(item.factor) > 0).all()


# -- line voltage -----------------------------------------------------------------------------


def swinging(span=0.04, light=1.7, power=1.4, period_s=100.0, other_electrical=True):
    """Mains that swing, and a lamp that follows them by powers of their own, fading with time."""

    def volts(t_s):
        return 228.0 * (1 + span / 2 * math.sin(2 * math.pi * t_s / period_s))

    return {
        "other_electrical": other_electrical,
        "line_voltage_v": volts,
        "light_drift": lambda t_s: (volts(t_s) / 230) ** light * math.exp(-2e-5 * t_s),
        "power_w": lambda t_s: 640.0 * (volts(t_s) / 230) ** power,
    }


LONG = {"grid": {"rows": 9, "columns": 9}, "sampling": {"reference_every": 3, "quick_look": False}}
NOMINAL = {"line_voltage": "nominal"}


def test_light_and_power_are_scaled_to_the_nominal_voltage(tmp_path):
    options = swinging(period_s=1000.0)
    as_read = summary_of(tmp_path / "a", sections=LONG, **options)
    scaled = summary_of(tmp_path / "b", sections=LONG, asked=NOMINAL, **options)
    before, one = as_read.maps[0], scaled.maps[0]
    light, power = (item for item in one.corrections if item.name == "nominal line voltage")
    assert one.delivered_flux_umol_s == pytest.approx(before.delivered_flux_umol_s * light.factor)
    assert one.mean_wall_power_w == pytest.approx(before.mean_wall_power_w * power.factor)
    assert one.plane_efficacy_umol_j == pytest.approx(
        before.plane_efficacy_umol_j * light.factor / power.factor
    )
    assert (one.ppfd_raw == before.ppfd_raw).all()
    assert one.mark == "scaled to a line voltage of 230 V"
    assert one.label.endswith("400 mm, scaled to a line voltage of 230 V")


def test_scaled_light_and_power_are_those_of_the_lamp_at_nominal_voltage(tmp_path):
    one = summary_of(
        tmp_path, sections=LONG, asked=NOMINAL, field=flat, **swinging(period_s=1000.0)
    ).maps[0]
    assert one.mean_wall_power_w == pytest.approx(640.0, rel=3e-4)
    # The lamp was made to give 500 µmol m⁻² s⁻¹ at 230 V, and to fade by 2e-5 a second.
    middle_s = (one.ended_s - one.begun_s) / 2
    assert one.mean_ppfd_umol_m2_s == pytest.approx(500 * math.exp(-2e-5 * middle_s), rel=5e-4)


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (swinging(span=0.015, period_s=1000.0), "span 1."),
        (swinging(power=0.0, period_s=1000.0), "the wall power goes with the line voltage"),
        ({**swinging(period_s=1000.0), "noise": 0.05}, "the light goes with the line voltage"),
        (swinging(other_electrical=False), "were not both read"),
    ],
)
def test_scaling_is_refused_with_its_reason(tmp_path, options, why):
    if "noise" not in options:
        options = {"power_noise": 1e-4, **options}
    summary = summary_of(tmp_path, sections=LONG, asked=NOMINAL, **options)
    assert said(summary, "Nothing is scaled to 230 V", why), summary.remarks
    assert summary.maps[0].mark == ""
    assert "nominal line voltage" not in names(summary)


def test_scaling_beyond_the_voltages_that_were_seen_is_said(tmp_path):
    options = swinging(period_s=1000.0)
    far = {**LONG, "ballast": {"nominal_voltage_v": 240.0}}
    summary = summary_of(tmp_path, sections=far, asked=NOMINAL, **options)
    assert said(summary, "240 V lies outside the line voltage of the maps")
    assert summary.maps[0].mark
