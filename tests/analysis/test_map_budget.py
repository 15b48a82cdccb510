"""What acts on a map, and how strongly: sizes and sharing by hand.

The map has its points at 200, 600 and 1000 mm along x and y under a device at 400 mm, so light
meets them at 0°, 45° and atan √2.
"""

import math

import numpy as np
import pytest
from attrs import evolve

from analysis.budget import combine
from analysis.causes import DECLARED, MEASURED
from analysis.corrections import Applied
from analysis.declared import declared_of
from analysis.grid import grid_from_plan
from analysis.identity import identity_of
from analysis.map_budget import budget_of
from analysis.results import Dark
from analysis.uncertainty import efficacy_sizes, evaluate, flux_sizes, ratio_terms
from tests.analysis.comparable import run as comparable_run
from tests.analysis.one_map import DARK, IDENTITY, budget, by_key, influences, measured

ROOT_3 = math.sqrt(3)
DEFAULTS = declared_of({"stage": {}}, {})
CORNER, EDGE, CENTRE = 0, 1, 4
WALLS = {CENTRE: 0.08, EDGE: 0.08 + 0.33 * 4 / 9, CORNER: 0.08 + 0.33 * 8 / 9}


def the(of, name):
    (found,) = influences(of, name)
    return found


def flat(**changes):
    """The map with the same light at each point."""
    return evolve(measured(), ppfd=np.full(9, 500.0), **changes)


def test_what_the_sensor_does_to_every_cell_is_what_is_declared():
    of = budget()
    assert the(of, "calibration of the light sensor").light == pytest.approx(0.05 / 2)
    assert the(of, "spectral error of the light sensor").light == pytest.approx(0.03 / ROOT_3)
    assert the(of, "temperature of the light sensor").light == pytest.approx(0.005 / ROOT_3)


def test_linearity_acts_in_proportion_to_the_reading():
    map_ = evolve(measured(), ppfd=np.array([1, 2, 3, 4, 8, 4, 3, 2, 1]) * 100.0)
    light = the(budget(map_), "linearity of the light sensor").light
    assert light == pytest.approx(0.01 / ROOT_3 * np.array([1, 2, 3, 4, 8, 4, 3, 2, 1]) / 8)


def test_the_wattmeter_acts_on_the_power_alone():
    of = budget()
    gain, distorted = the(of, "gain of the wattmeter"), the(of, "wattmeter on distorted current")
    assert (gain.power, distorted.power) == pytest.approx((0.01 / ROOT_3, 0.003 / ROOT_3))
    assert not gain.light.any()
    assert not distorted.light.any()
    assert {gain.cause, distorted.cause} & flux_sizes(of).keys() == set()
    assert efficacy_sizes(of)[gain.cause] == pytest.approx(-0.01 / ROOT_3)


def test_a_level_sensor_is_level_to_1_degree_along_both_axes():
    along_x, along_y = influences(budget(), "levelling of the light sensor")
    size = math.radians(1.0) / ROOT_3
    # 400 mm aside under 400 mm: tan 45° for the part that comes straight.
    assert abs(along_x.light[3]) == pytest.approx(size * (1 - WALLS[EDGE]))
    assert along_x.light[3] == pytest.approx(-along_x.light[5])
    assert along_x.light[[1, 4, 7]] == pytest.approx(0)
    assert along_y.light.reshape(3, 3) == pytest.approx(along_x.light.reshape(3, 3).T)


def test_a_height_datum_off_by_5_mm_acts_most_below_the_device():
    light = the(budget(), "height of the device over the sensor").light
    size = 5.0 / ROOT_3 / 400.0
    assert light[CENTRE] == pytest.approx(-1.5 * size)
    assert light[EDGE] == pytest.approx((-1.5 + 3.2 / 2) * size)
    assert light[CORNER] == pytest.approx((-1.5 + 3.2 * 2 / 3) * size)


def test_origin_and_places_act_by_the_slope_of_the_map():
    grid = measured().grid
    map_ = evolve(measured(), ppfd=500 * np.exp(0.0006 * grid.x_mm + 0.0008 * grid.y_mm))
    along_x, along_y = influences(budget(map_), "where the grid lies")
    assert along_x.light == pytest.approx(3 / ROOT_3 * 0.0006)
    assert along_y.light == pytest.approx(3 / ROOT_3 * 0.0008)
    place = the(budget(map_), "where the sensor stands at each point")
    assert place.is_per_cell
    # Along x and along y for itself: √(6² + 8²) = 10.
    assert place.light == pytest.approx(2 / ROOT_3 * 0.001)


def test_tilt_and_origin_leave_the_flux_of_a_symmetric_map_alone():
    x, y = (measured().grid.x_mm - 600) / 1200, (measured().grid.y_mm - 600) / 1200
    of = budget(evolve(measured(), ppfd=500 * (1 - x**2 - y**2)))
    for name in ("levelling of the light sensor", "where the grid lies"):
        for one in influences(of, name):
            assert np.abs(one.light).max() > 1e-4
            assert one.on_flux(of.shares) == pytest.approx(0, abs=1e-12)


def test_cosine_error_where_angles_are_not_known_is_half_in_common():
    # The error declared at 45° is met there and is 0 straight down; in the corners it has fallen
    # towards 75°; the walls' light, from 30° to the horizon, has its mean.
    of = budget()
    at_45, own_45, at_75, own_75 = influences(of, "cosine error of the light sensor")
    size = 0.02 / ROOT_3
    for one in (at_45, own_45):
        by_walls = one.light[CENTRE] / (size * math.sqrt(0.5) * WALLS[CENTRE])
        assert 0.3 < by_walls < 0.7
        expected = (1 - WALLS[EDGE]) + WALLS[EDGE] * by_walls
        assert one.light[EDGE] == pytest.approx(size * math.sqrt(0.5) * expected)
        corner = (75 - math.degrees(math.atan(math.sqrt(2)))) / 30
        expected = (1 - WALLS[CORNER]) * corner + WALLS[CORNER] * by_walls
        assert one.light[CORNER] == pytest.approx(size * math.sqrt(0.5) * expected)
    assert at_75.light == pytest.approx(own_75.light)
    # At 45° straight light knows nothing of the error declared at 75°.
    assert at_75.light[EDGE] < 0.3 * at_75.light[CORNER]


@pytest.mark.parametrize("correlation", [0.0, 0.5, 1.0])
def test_the_cosine_errors_of_two_devices_correlate_as_stated(correlation):
    rig = {"uncertainty": {"cosine_correlation": correlation}}
    a, b = (budget(profile=rig, device=device) for device in ("A", "B"))
    name = "cosine error of the light sensor"
    of_a, of_b = (
        {one.cause.key: one.on_flux(of.shares) for one in influences(of, name)} for of in (a, b)
    )
    whole = sum(size**2 for size in of_a.values())
    shared = sum(size * of_b[key] for key, size in of_a.items() if key in of_b)
    assert shared / whole == pytest.approx(correlation)
    # Whatever it is, the whole is the same.
    plain = sum(one.on_flux(a.shares) ** 2 for one in influences(budget(), name))
    assert whole == pytest.approx(plain)


def test_where_the_opening_is_stated_only_the_share_of_the_walls_is_not_known():
    of = budget(is_opening_known=True)
    at_45, own, _, _ = influences(of, "cosine error of the light sensor")
    size = 0.02 / ROOT_3
    by_walls = at_45.light[CENTRE] / (size * WALLS[CENTRE])
    assert at_45.light[EDGE] == pytest.approx(size * ((1 - WALLS[EDGE]) + WALLS[EDGE] * by_walls))
    assert own.light[EDGE] == pytest.approx(size * (by_walls - 1) * 0.1)


SENSOR = {
    "calibration of the light sensor",
    "spectral error of the light sensor",
    "linearity of the light sensor",
    "cosine error of the light sensor",
    "levelling of the light sensor",
}
METER = {"gain of the wattmeter", "wattmeter on distorted current"}
RIG = {
    "levelling of the light sensor",
    "where the grid lies",
    "height of the device over the sensor",
    "light between the points",
}
ALWAYS_OWN = {
    "temperature of the light sensor",
    "where the sensor stands at each point",
    "repeatability of a reading",
    "dark reading",
    "drift of the lamp during the map",
}


def shared(a, b):
    return {cause.name for key, cause in by_key(a).items() if key in by_key(b)}


def test_two_devices_on_one_bench_share_what_belongs_to_the_bench():
    assert shared(budget(), budget(run="run 2", device="B")) == SENSOR | METER | RIG


@pytest.mark.parametrize("other", ["Q-2", ""])
def test_another_sensor_or_one_not_stated_shares_nothing_of_its_errors(other):
    # Both runs are of one device: not even the part that goes with its angles is shared.
    both = shared(budget(), budget(run="run 2", light_sensor=other))
    assert both == (METER | RIG) - {"levelling of the light sensor"}
    if not other:
        unknown = budget(light_sensor=""), budget(run="run 2", light_sensor="")
        assert shared(*unknown) & SENSOR == set()


@pytest.mark.parametrize(
    ("what", "lost"),
    [
        ("power_meter", METER),
        ("ballast", {"wattmeter on distorted current"}),
        ("lamp", {"spectral error of the light sensor"}),
        ("rig", {"levelling of the light sensor", "where the grid lies",
                 "height of the device over the sensor"}),
    ],
)  # fmt: skip
@pytest.mark.parametrize("other", ["another", ""])
def test_what_belongs_to_two_goes_with_either(what, lost, other):
    same = shared(budget(), budget(run="run 2"))
    assert same - shared(budget(), budget(run="run 2", **{what: other})) == lost


def test_one_device_read_again_shares_what_lies_between_its_points():
    a, again = budget(), budget(run="run 2")
    other = budget(run="run 3", device="B")

    def sums(of):
        return {key for key, one in by_key(of).items() if one.name == "light between the points"}

    assert sums(a) == sums(again)
    assert len(sums(a) & sums(other)) == 1  # what walls do to all devices of a room
    unnamed = budget(device=""), budget(run="run 2", device="")
    assert len(sums(unnamed[0]) & sums(unnamed[1])) == 1
    assert not shared(a, again) & ALWAYS_OWN


def test_calibration_cancels_in_a_ratio_for_one_sensor_and_not_for_two():
    a = efficacy_sizes(budget())

    def left(**changes):
        terms = ratio_terms(a, efficacy_sizes(budget(run="run 2", device="B", **changes)))
        by = [term for term in terms if term.name == "calibration of the light sensor"]
        return math.hypot(*(term.in_ratio for term in by)), combine(terms).standard

    assert left()[0] == pytest.approx(0.0, abs=1e-12)
    for other in ("Q-2", ""):
        size, whole = left(light_sensor=other)
        assert size == pytest.approx(0.025 * math.sqrt(2))
        assert whole > left()[1]


def test_repeatability_is_that_of_the_reference_with_its_degrees_of_freedom():
    map_ = measured()
    assert map_.reference_visits == len(map_.drift.values) == 4
    one = the(budget(), "repeatability of a reading")
    assert one.is_per_cell
    assert one.light == pytest.approx(map_.reference_repeatability)
    assert (one.cause.kind, one.cause.distribution) == (MEASURED, "t")
    # Two differences of three visits each that correlate by −2/3: 2² / (2 + 2 × 4/9).
    assert one.cause.degrees_of_freedom == pytest.approx(4 / (2 + 8 / 9))
    percent = f"{100 * map_.reference_repeatability:.2g}"
    assert one.cause.source == f"measured: {percent} % at each point, from 4 visits"
    assert not one.cause.is_default


def test_a_reading_that_was_never_repeated_is_taken_to_repeat_to_1_per_cent():
    one = the(budget(flat(reference_repeatability=None)), "repeatability of a reading")
    assert one.light == pytest.approx(0.01)
    assert one.is_per_cell
    assert (one.cause.kind, one.cause.is_default) == (DECLARED, True)
    assert one.cause.source == "1.0 % at each point; default: common practice, no source"


def test_the_dark_reading_counts_the_more_the_dimmer_the_cell():
    light = np.array([100, 200, 300, 400, 500, 400, 300, 200, 100.0])
    one = the(budget(evolve(measured(), ppfd=light)), "dark reading")
    # 0.2 µmol m⁻² s⁻¹ from point to point, 4 points: 0.1 in their mean.
    assert one.light == pytest.approx(0.1 / light)
    assert (one.cause.kind, one.cause.degrees_of_freedom) == (MEASURED, 3.0)
    assert one.cause.source == "measured: 0.20 µmol m⁻² s⁻¹ from point to point, 4 points"


@pytest.mark.parametrize(
    "dark",
    [
        Dark(status="skipped", mean=None, sd=None, points=0, reason="dusk"),
        Dark(status="missing", mean=None, sd=None, points=0, reason=""),
        Dark(status="measured", mean=0.4, sd=None, points=1, reason=""),
    ],
)
def test_a_dark_reading_of_less_than_two_points_is_taken_to_be_within_1(dark):
    one = the(budget(flat(), dark=dark), "dark reading")
    assert one.light == pytest.approx(1 / ROOT_3 / 500)
    assert (one.cause.distribution, one.cause.is_default) == ("rectangular", True)


def test_maps_of_one_hanging_share_its_dark_reading():
    def key(**changes):
        return the(budget(evolve(measured(), **changes)), "dark reading").cause.key

    assert key() == key(mounting_height_mm=500.0)
    assert key() != key(installation=2)


def with_reference(visits_s, read_s, repeatability=0.004, source="reference", **changes):
    drift = evolve(
        measured().drift,
        source=source,
        elapsed_s=np.asarray(visits_s, dtype=float),
        values=np.full(len(visits_s), 500.0),
        repeatability=repeatability,
    )
    return flat(drift=drift, read_s=np.asarray(read_s, dtype=float), **changes)


def test_a_noisy_visit_moves_the_points_read_near_it_against_the_rest():
    # Points read at the first visit, half-way, at the second, third, … of 0, 10 and 20 s: their
    # shares of the three are 1·0·0, ½·½·0, 0·1·0, 0·½·½, 0·0·1.
    read_s = [0, 0, 5, 5, 10, 15, 15, 20, 20]
    of = budget(with_reference([0, 10, 20], read_s))
    *visits, left = influences(of, "drift of the lamp during the map")
    shares = np.array([[1, 1, 0.5, 0.5, 0, 0, 0, 0, 0],
                       [0, 0, 0.5, 0.5, 1, 0.5, 0.5, 0, 0],
                       [0, 0, 0, 0, 0, 0.5, 0.5, 1, 1]])  # fmt: skip
    assert len(visits) == 3
    for one, share in zip(visits, shares, strict=True):
        assert one.light == pytest.approx(0.004 * (share.mean() - share))
        assert not one.is_in_efficacy
        assert one.on_flux(of.shares) == pytest.approx(0, abs=1e-12)  # all cells alike
        assert one.cause.degrees_of_freedom == pytest.approx(1.0)
    # One estimate of noise, whatever it acts on.
    noise = the(of, "repeatability of a reading").cause
    assert {one.cause.estimate for one in visits} == {noise.estimate}
    assert left.cause.estimate == ""
    assert not left.light.any()


def test_what_drift_leaves_in_the_efficacy_lies_within_two_ways_to_it():
    left = influences(budget(flat(efficacy_disagreement=-0.0006)), "drift of the lamp during the "
                      "map")[-1]  # fmt: skip
    assert left.efficacy == pytest.approx(0.0006 / ROOT_3)
    assert left.cause.distribution == "rectangular"
    assert left.cause.source == "measured: two ways to the plane efficacy, 0.060 % apart"
    # With a mean wall power alone there is one way, and the noise of the visits is left.
    map_ = with_reference([0, 10, 20, 30], range(9), plane_efficacy_umol_j=None)
    left = influences(budget(map_), "drift of the lamp during the map")[-1]
    assert left.efficacy == pytest.approx(0.004 / 2)


def test_a_monitor_that_is_read_all_along_acts_as_noise_of_each_cell():
    map_ = with_reference(range(31), range(9), source="monitor", repeatability=0.001)
    noise, _ = influences(budget(map_), "drift of the lamp during the map")
    assert noise.is_per_cell
    assert noise.light == pytest.approx(0.001)
    # Its noise is another than that of the reference, with visits of its own.
    assert noise.cause.degrees_of_freedom > 10
    assert the(budget(map_), "repeatability of a reading").cause.estimate == ""
    assert the(budget(map_), "repeatability of a reading").cause.degrees_of_freedom < 2


def test_up_to_30_visits_are_variables_of_their_own():
    of = budget(with_reference(range(30), range(9)))
    assert len(influences(of, "drift of the lamp during the map")) == 31


@pytest.mark.parametrize("changes", [{"source": "none"}, {"repeatability": None}])
def test_a_lamp_without_a_reference_is_taken_to_drift_by_1_per_cent(changes):
    one = the(budget(flat(drift=evolve(measured().drift, **changes))),
              "drift of the lamp during the map")  # fmt: skip
    assert one.light == pytest.approx(0.01)
    assert one.cause.is_default
    assert one.cause.source == "1.0 %; default: common practice, no source"


def test_between_the_points_of_a_flat_map_lies_only_the_least():
    walls, own = influences(budget(flat()), "light between the points")
    assert (walls.total, own.total) == pytest.approx((0.0, 0.0005))


def test_a_grid_of_another_layout_has_the_default_and_says_so():
    grid = grid_from_plan(
        {
            "area": {"shape": "rectangle", "width_mm": 1200.0, "depth_mm": 1200.0},
            "grid": {"layout": "edge-inclusive", "rows": 3, "columns": 3},
        }
    )
    of = budget(flat(grid=grid))
    one = the(of, "light between the points")
    assert one.total == pytest.approx(0.005)
    assert one.cause.source == "0.50 %; default: common practice, no source"
    assert of.assumptions[-1] == (
        "What lies between the points of this grid is not estimated from the map."
    )


def test_a_map_with_a_point_missing_has_no_budget():
    map_ = evolve(measured(), n_used=8, delivered_flux_umol_s=None)
    assert budget_of(map_, DARK, IDENTITY, DEFAULTS) is None


@pytest.mark.parametrize("value", [0.0, -0.1])
def test_a_map_with_a_point_without_light_has_no_budget(value):
    light = np.full(9, 500.0)
    light[3] = value
    assert budget_of(flat(), DARK, IDENTITY, DEFAULTS) is not None
    assert budget_of(evolve(flat(), ppfd=light), DARK, IDENTITY, DEFAULTS) is None


@pytest.mark.parametrize("value", [math.nan, 0.0])
def test_a_point_of_no_area_may_be_missing_and_changes_nothing(value):
    light, read_s = np.full(9, 500.0), measured().read_s.copy()
    light[8] = read_s[8] = value or math.nan
    weights = np.where(np.arange(9) == 8, 0.0, 0.16)
    grid = evolve(measured().grid, layout="explicit", weights_m2=weights)
    map_ = evolve(measured(), grid=grid, ppfd=light, read_s=read_s, n_used=8, n_expected=8)
    found = evaluate(budget(map_), draws=200)
    assert found.delivered_flux_umol_s.value == pytest.approx(8 * 0.16 * 500)
    whole = evaluate(budget(evolve(map_, ppfd=np.full(9, 500.0), read_s=measured().read_s)),
                     draws=200)  # fmt: skip
    assert found.delivered_flux_umol_s.standard == pytest.approx(
        whole.delivered_flux_umol_s.standard, rel=1e-3
    )
    assert found.at_points["minimum"].half_width == pytest.approx(
        whole.at_points["minimum"].half_width, rel=0.01
    )


def test_a_bench_of_which_nothing_is_stated_is_said_to_be_the_default():
    default, angles = budget().assumptions
    assert default.startswith("Nothing is stated of the instruments and the bench")
    assert angles.endswith("the cosine error of two runs is taken to be 0.5 correlated.")
    assert evaluate(budget(), draws=10).is_default
    told = budget(profile={"uncertainty": {"level_deg": 0.5}}, is_opening_known=True)
    assert told.assumptions == ()


def test_a_height_that_is_not_stated_is_said_to_be_the_width_of_the_area():
    of = budget(evolve(measured(), mounting_height_mm=None))
    assert of.assumptions[-1] == (
        "The mounting height is not stated: the width of the area stands for it."
    )
    light = the(of, "height of the device over the sensor").light
    assert light[CENTRE] == pytest.approx(-1.5 * 5.0 / ROOT_3 / 1200)


def test_identities_are_read_from_run_plan_and_rig():
    run = comparable_run()
    run.plan["device"]["opening"] = "above the centre"
    found = identity_of(run, {"name": "bench 1"})
    assert (found.light_sensor, found.power_meter) == ("serial number Q-1", "serial number M-1")
    assert (found.lamp, found.ballast, found.rig) == (run.lamp, run.ballast, "bench 1")
    assert found.device == "Reflector A A-1"
    assert found.is_opening_known
    bare = identity_of(evolve(run, instruments=(), specimen="", plan={"device": "?"}), {})
    assert (bare.light_sensor, bare.power_meter, bare.device, bare.rig) == ("",) * 4
    assert not bare.is_opening_known
    assert found.key("gain", "Q-1", "L-1") == "gain of Q-1 and L-1"
    assert bare.key("gain", "Q-1", "") == f"gain in {run.path}"


def test_scaling_to_a_nominal_voltage_brings_what_is_not_known_of_its_slopes():
    both = [
        Applied(
            name="nominal line voltage",
            on=on,
            factor=1.05,
            source="fitted",
            setting="to 230 V",
            uncertainty=size,
            mark="scaled to a line voltage of 230 V",
        )
        for on, size in (("light", 0.004), ("power", 0.003))
    ]
    light, power = influences(
        budget(evolve(measured(), corrections=tuple(both))), "scaling to the nominal line voltage"
    )
    assert light.light == pytest.approx(0.004)
    assert (light.power, power.power) == (0.0, 0.003)
    assert not power.light.any()
    # In the efficacy the two slopes, fitted apart, do not cancel.
    assert light.cause.key != power.cause.key


def test_maps_that_were_not_scaled_have_no_such_cause():
    assert influences(budget(measured()), "scaling to the nominal line voltage") == []
