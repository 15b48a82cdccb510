"""The rule of the mounting height, on curves whose crossings are worked by hand."""

import math

import numpy as np
import pytest
from scipy.stats import norm

from analysis.height_curves import height_curves
from analysis.height_limits import (
    CLEARANCE,
    MEAN,
    MIN_TO_MEAN,
    PEAK,
    ceiling,
    clearance,
    decide,
    floor,
    not_distinguishable,
)
from analysis.next_height import gain_of_measuring, next_height
from tests.analysis.test_height_curves import (
    DRAWS,
    cells,
    curves_of,
    inverse_square,
    lambertian,
    plane,
)

# The quantiles of the normal distribution themselves, so that nothing is left to chance.
NORMAL = norm.ppf((np.arange(DRAWS) + 0.5) / DRAWS)
CALIBRATION = 1 + 0.025 * NORMAL
PLANES = [400.0, 450.0, 500.0, 600.0]
RANGE = (400.0, 600.0)
Z95 = 1.6449


def peak(curves, wanted):
    return ceiling(PEAK, curves, curves.peak, wanted)


def mean(curves, wanted):
    return floor(MEAN, curves, curves.mean, wanted)


def test_light_known_exactly_crosses_its_limit_where_the_inverse_square_law_says():
    # 240e6 / h² = 1000 at h = √240000 = 489.9 mm.
    answer = decide([peak(curves_of(cells(3), inverse_square, PLANES), 1000.0)], RANGE)
    assert answer.lowest_mm == pytest.approx(math.sqrt(240e3), abs=0.1)
    assert answer.binding.key == PEAK
    assert answer.goes_beyond_above
    assert not answer.goes_beyond_below
    assert answer.undecided_mm == pytest.approx((489.9, 489.9), abs=0.1)


def test_calibration_moves_the_answer_up_by_its_95_per_cent_quantile():
    # A standard uncertainty of 2.5 %: sure where 240e6 (1 + 1.645 × 0.025) / h² ≤ 1000.
    curves = curves_of(cells(3), inverse_square, PLANES, factor=CALIBRATION)
    answer = decide([peak(curves, 1000.0)], RANGE)
    assert answer.lowest_mm == pytest.approx(math.sqrt(240e3 * (1 + Z95 * 0.025)), abs=0.5)
    # Excluded below the height at which only 5 % of the draws keep to it.
    low, high = answer.undecided_mm
    assert low == pytest.approx(math.sqrt(240e3 * (1 - Z95 * 0.025)), abs=0.5)
    assert high == answer.lowest_mm


def test_a_mean_to_be_reached_ends_the_range_above():
    # Mean 1000 at 489.9 mm too; sure below √(240e3 (1 − 1.645 × 0.025)) = 479.7 mm.
    curves = curves_of(cells(3), inverse_square, PLANES, factor=CALIBRATION)
    answer = decide([peak(curves, 1200.0), mean(curves, 1000.0)], RANGE)
    assert answer.lowest_mm == pytest.approx(math.sqrt(200e3 * (1 + Z95 * 0.025)), abs=0.5)
    assert answer.highest_mm == pytest.approx(math.sqrt(240e3 * (1 - Z95 * 0.025)), abs=0.5)
    assert (answer.binding.key, answer.ending.key) == (PEAK, MEAN)
    assert not answer.goes_beyond_above


def test_limits_that_contradict_each_other_leave_no_height():
    curves = curves_of(cells(3), inverse_square, PLANES)
    answer = decide([peak(curves, 900.0), mean(curves, 1000.0)], RANGE)
    assert answer.lowest_mm is None
    assert answer.failing == ()  # each holds somewhere


def test_a_lambertian_source_over_a_black_floor_is_hung_where_its_closed_form_says():
    # E right below is 1000 / (π h²): 1500 at 460.66 mm, between four points of 8 × 8. The square
    # of 1.2 m gets 0.357684746630 of the flux at 900 mm (check-values section 6, closed form, C):
    # a mean of 248.392.
    curves = curves_of(cells(16), lambertian, [400.0, 500.0, 700.0, 850.0, 1000.0])
    answer = decide(
        [peak(curves, 1500.0), mean(curves, 1000 * 0.357684746630 / 1.44)], (400.0, 1000.0)
    )
    assert answer.lowest_mm == pytest.approx(460.66, abs=4.0)
    assert answer.highest_mm == pytest.approx(900.0, abs=8.0)
    assert answer.highest_mm <= 901.0  # what is not known between the planes tells


def test_the_peak_that_the_grid_misses_lifts_the_answer():
    # 8 × 8 points over a lamp in the middle: at 460.66 mm the highest point, 75 mm off along each
    # axis, reads 1500 / (1 + 2 × 75²/460.66²)² = 1353, so by the points alone
    # the device could hang lower: by hand h² + 11250 = h √(1000 / (1500 π)) × 1000.
    by_points_mm = (460.66 + math.sqrt(460.66**2 - 4 * 11250)) / 2
    assert by_points_mm == pytest.approx(434.8, abs=0.1)
    curves = curves_of(cells(8), lambertian, [400.0, 450.0, 500.0])
    answer = decide([peak(curves, 1500.0)], (400.0, 500.0))
    assert by_points_mm + 15 < answer.lowest_mm < 463.0


def test_the_clearance_binds_where_the_light_would_allow_less():
    curves = curves_of(cells(3), inverse_square, PLANES)
    answer = decide([peak(curves, 1200.0), clearance(curves, 520.0)], RANGE)
    assert answer.lowest_mm == 520.0
    assert answer.binding.key == CLEARANCE
    assert answer.undecided_mm is None


def test_a_clearance_at_the_lowest_plane_is_an_answer_and_not_the_end_of_the_range():
    curves = curves_of(cells(3), inverse_square, PLANES)
    answer = decide([clearance(curves, 400.0)], RANGE)
    assert answer.lowest_mm == 400.0
    assert answer.binding.key == CLEARANCE
    assert not answer.goes_beyond_below


def test_a_clearance_at_the_highest_plane_is_an_answer_too():
    curves = curves_of(cells(3), inverse_square, PLANES)
    limits = [peak(curves, 1000.0), clearance(curves, 600.0)]
    answer = decide(limits, RANGE)
    assert (answer.lowest_mm, answer.binding.key) == (600.0, CLEARANCE)
    assert not answer.is_only_highest
    assert next_height(curves, limits, answer) == (None, None)


def test_a_clearance_above_all_planes_leaves_no_height():
    curves = curves_of(cells(3), inverse_square, PLANES)
    answer = decide([clearance(curves, 700.0)], RANGE)
    assert answer.lowest_mm is None
    assert [limit.key for limit in answer.failing] == [CLEARANCE]


def test_limits_that_hold_at_the_lowest_plane_are_at_or_beyond_the_range():
    curves = curves_of(cells(3), inverse_square, PLANES)
    limits = [peak(curves, 2000.0), clearance(curves, 330.0)]
    answer = decide(limits, RANGE)
    assert answer.goes_beyond_below
    assert answer.binding is None
    proposed, _ = next_height(curves, limits, answer)
    # Planes are 50, 50 and 100 mm apart: one usual step further down.
    assert (proposed.mounting_height_mm, proposed.where) == (350.0, "below")


def test_no_height_below_the_clearance_is_proposed():
    curves = curves_of(cells(3), inverse_square, PLANES)
    limits = [peak(curves, 2000.0), clearance(curves, 380.0)]
    proposed, _ = next_height(curves, limits, decide(limits, RANGE))
    assert proposed.mounting_height_mm == 380.0


def test_a_limit_that_only_the_highest_plane_holds_is_at_or_beyond_the_range():
    curves = curves_of(cells(3), inverse_square, PLANES)
    limits = [peak(curves, 240e6 / 600.0**2 + 0.01)]
    answer = decide(limits, RANGE)
    assert answer.is_only_highest
    proposed, _ = next_height(curves, limits, answer)
    assert (proposed.mounting_height_mm, proposed.where) == (650.0, "above")


def test_a_limit_passed_at_every_plane_is_named_and_the_way_out_is_up():
    curves = curves_of(cells(3), inverse_square, PLANES)
    limits = [peak(curves, 500.0), mean(curves, 100.0)]
    answer = decide(limits, RANGE)
    assert [limit.key for limit in answer.failing] == [PEAK]
    proposed, _ = next_height(curves, limits, answer)
    assert proposed.where == "above"


def test_a_mean_reached_nowhere_points_down():
    curves = curves_of(cells(3), inverse_square, PLANES)
    limits = [mean(curves, 3000.0)]
    proposed, _ = next_height(curves, limits, decide(limits, RANGE))
    assert proposed.where == "below"


@pytest.mark.parametrize(
    ("limit", "where"),
    [
        (lambda c: peak(c, 1000.0), "above"),
        (lambda c: mean(c, 2000.0), "below"),
        (lambda c: floor(MIN_TO_MEAN, c, c.min_to_mean, 1.0 + 1e-9), "above"),
    ],
)
def test_with_one_plane_the_way_is_that_of_light_in_general(limit, where):
    curves = curves_of(cells(3), inverse_square, [400.0])
    limits = [limit(curves)]
    answer = decide(limits, (400.0, 400.0))
    assert answer.lowest_mm is None
    proposed, _ = next_height(curves, limits, answer)
    assert proposed.where == where


def test_where_calibration_alone_is_unknown_no_further_height_helps():
    curves = curves_of(cells(3), inverse_square, PLANES, factor=CALIBRATION)
    limits = [peak(curves, 1000.0)]
    proposed, widest = next_height(curves, limits, decide(limits, RANGE))
    assert proposed is None
    assert widest < 0.001


def test_where_the_gap_between_planes_is_unknown_a_height_near_the_answer_is_proposed():
    # Two planes far apart and nothing else unknown: the answer lies in the gap, and so does the
    # height that would tell most; what it would leave is little.
    curves = curves_of(cells(3), inverse_square, [400.0, 800.0])
    limits = [peak(curves, 750.0)]
    answer = decide(limits, (400.0, 800.0))
    proposed, widest = next_height(curves, limits, answer)
    assert proposed.where == "between"
    assert abs(proposed.mounting_height_mm - answer.lowest_mm) < 60
    assert widest > 0.5


def test_where_each_hanging_has_its_own_error_measuring_again_narrows_by_hand_worked_share():
    # Level light at two planes, each with an error of its own of the same size s, nothing shared,
    # the answer at the first plane. A further map there has error s too, so the variance of the
    # mean halves: known = s⁴ / ((s² + s²) s²) = 1/2, the band narrows by 1 − √½ = 29 %.
    grid = cells(3)
    rng = np.random.default_rng(3)
    planes = [
        plane(grid, h, inverse_square(grid.x_mm, grid.y_mm, h), factor=factor)
        for h, factor in zip(
            (400.0, 800.0), 1 + 0.01 * rng.standard_normal((2, DRAWS)), strict=True
        )
    ]
    curves = height_curves(grid, planes, seed=1)
    candidates, gain = gain_of_measuring(curves.mean, curves, 400.0)
    assert gain[candidates == 400.0] == pytest.approx([1 - math.sqrt(0.5)], abs=0.03)
    assert gain[candidates == 800.0] == pytest.approx([0.0], abs=0.01)


def test_heights_that_no_measurement_tells_apart_are_found_around_the_answer():
    # Flux ∝ h⁻²; two hangings, each with its own 1 %, and nothing between the planes: at 400 and
    # 410 mm the flux differs by 5 %, far beyond what is not known of their ratio.
    grid = cells(3)
    rng = np.random.default_rng(3)
    planes = [
        plane(grid, h, np.full(len(grid), level), factor=factor)
        for h, level, factor in zip(
            (400.0, 410.0, 420.0),
            (1000.0, 999.0, 900.0),
            1 + 0.01 * rng.standard_normal((3, DRAWS)),
            strict=True,
        )
    ]
    curves = height_curves(grid, planes, seed=1)
    low, high = not_distinguishable(curves.flux, curves, 400.0)
    assert low == 400.0
    assert 410.0 < high < 420.0
