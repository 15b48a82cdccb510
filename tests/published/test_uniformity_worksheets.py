"""Uniformity against worked sheets of irrigation practice, where these figures come from.

Each value stands beside its source and how it was checked.
"""

import math

import numpy as np
import pytest
from scipy import stats

from analysis.grid import grid_from_plan
from analysis.uniformity import uniformity

# Fifteen catch cans. CU and DUlq as printed in the reference pages of the R package spreval
# 1.1.0, after Christiansen 1942, Univ. California Agr. Exp. Sta. Bulletin 670; read there, and
# recomputed independently.
CANS = [47, 42, 45, 24, 13, 26, 33, 34, 27, 30, 40, 44, 32, 12, 12]

# Worksheet 1 of Evans et al. 1997, North Carolina Cooperative Extension AG-553-1, p. 13, as
# reproduced in a vignette of the same package (second-hand), and recomputed independently.
SHEET = [
    [0.57, 0.69, 0.83, 0.65],
    [0.61, 0.38, 0.27, 0.64],
    [0.51, 0.26, 0.36, 0.52],
    [0.79, 0.65, 0.61, 0.86],
]


def test_christiansen_coefficient_of_fifteen_cans():
    even = uniformity(CANS, np.ones(15))
    assert even.mean == pytest.approx(30.7333, abs=5e-5)
    assert even.christiansen == pytest.approx(0.6913955, abs=5e-8)


def test_low_quarter_of_fifteen_cans_lies_between_the_two_counting_rules():
    # Published with the four lowest of fifteen: 49.62039 %; three would give 40.13015 %. Ours
    # takes 3.75 cans: (12 + 12 + 13 + 0.75 × 24) / 3.75 / 30.7333, by hand.
    four = np.sort(CANS)[:4].mean() / np.mean(CANS)
    assert four == pytest.approx(0.4962039, abs=5e-8)
    even = uniformity(CANS, np.ones(15))
    assert even.low_quarter == pytest.approx((12 + 12 + 13 + 0.75 * 24) / 3.75 / (461 / 15))
    assert 0.4013015 < even.low_quarter < 0.4962039


def test_published_counting_rule_is_ours_where_a_quarter_is_a_whole_number():
    # The four lowest of the fifteen cans as a quarter of sixteen, the sixteenth at the mean of
    # the others: with an equal sixteenth can added the quarter is four whole cans.
    values = [*CANS, 461 / 15]
    even = uniformity(values, np.ones(16))
    assert even.low_quarter == pytest.approx(0.4962039, abs=5e-8)


def test_sixteen_cans_of_the_worksheet():
    even = uniformity(np.ravel(SHEET), np.full(16, 1.0))
    assert even.mean == pytest.approx(0.575)
    assert even.christiansen == pytest.approx(0.7489130, abs=5e-8)  # printed: 75
    assert even.low_quarter == pytest.approx(0.5521739, abs=5e-8)  # printed: 55
    assert even.min_to_mean == pytest.approx(0.452174, abs=5e-7)
    assert even.min_to_max == pytest.approx(0.302326, abs=5e-7)
    # The published sheet divides by n − 1; ours is the population's.
    sample = even.coefficient_of_variation * math.sqrt(16 / 15)
    assert sample == pytest.approx(0.319861, abs=5e-7)


def test_normal_field_keeps_the_relations_of_theory():
    # CU = 1 − √(2/π) CV and DUlq = 1 − 1.271106 CV for normally distributed values; the second
    # constant is φ(z₀.₂₅)/0.25. Computed with scipy.stats.norm.
    quantiles = (np.arange(200_000) + 0.5) / 200_000
    even = uniformity(stats.norm.ppf(quantiles, 500, 50), np.ones(200_000))
    spread = even.coefficient_of_variation
    assert even.christiansen == pytest.approx(1 - 0.797885 * spread, abs=1e-5)
    assert even.low_quarter == pytest.approx(1 - 1.271106 * spread, abs=1e-5)


# NIST Statistical Reference Datasets, NumAcc1 to NumAcc4: values that differ in their last digits
# only. Data and certified values (mean; standard deviation over n - 1) from memory.
@pytest.mark.parametrize(
    ("values", "mean", "deviation"),
    [
        ([10_000_001, 10_000_003, 10_000_002], 10_000_002, 1.0),
        ([1.2] + [1.1, 1.3] * 500, 1.2, 0.1),
        ([1_000_000.2] + [1_000_000.1, 1_000_000.3] * 500, 1_000_000.2, 0.1),
        ([10_000_000.2] + [10_000_000.1, 10_000_000.3] * 500, 10_000_000.2, 0.1),
    ],
)
def test_spread_of_values_that_hardly_differ(values, mean, deviation):
    even = uniformity(values, np.ones(len(values)))
    assert even.mean == pytest.approx(mean, rel=1e-14)
    sample = even.coefficient_of_variation * even.mean * math.sqrt(len(values) / (len(values) - 1))
    assert sample == pytest.approx(deviation, rel=1e-7)


# -- a field with a closed form ---------------------------------------------------------------
# Lambertian point source of 1000 µmol/s, 0.6 m over the middle of 1.2 m × 1.2 m: the share that
# lands on the square is 4 F with F the factor from a point to a corner-aligned rectangle
# (Howell's catalogue, B-4; formula from memory, agrees with numerical integration to 1e-12).

HEIGHT_M = 0.6


def corner_factor(a_m: float, b_m: float, height_m: float) -> float:
    a, b = a_m / height_m, b_m / height_m
    return (
        a / math.sqrt(1 + a * a) * math.atan(b / math.sqrt(1 + a * a))
        + b / math.sqrt(1 + b * b) * math.atan(a / math.sqrt(1 + b * b))
    ) / (2 * math.pi)


def lambertian_map(layout: str, count: int):
    grid = grid_from_plan(
        {
            "area": {"width_mm": 1200.0, "depth_mm": 1200.0},
            "grid": {"layout": layout, "rows": count, "columns": count},
        }
    )
    across_m2 = ((grid.x_mm - 600) ** 2 + (grid.y_mm - 600) ** 2) * 1e-6
    return grid, 1000 / math.pi * HEIGHT_M**2 / (HEIGHT_M**2 + across_m2) ** 2


EXACT_MEAN = 1000 * 4 * corner_factor(0.6, 0.6, HEIGHT_M) / 1.44


def test_closed_form_itself():
    assert 4 * corner_factor(0.6, 0.6, 0.6) == pytest.approx(0.554126423980, abs=1e-12)
    assert pytest.approx(384.810017, abs=1e-6) == EXACT_MEAN


@pytest.mark.parametrize(
    ("count", "error"), [(4, 0.016161), (8, 0.0041044), (16, 0.0010279), (64, 0.0000643)]
)
def test_cell_centres_overstate_the_closed_form_by_a_known_amount(count, error):
    grid, field = lambertian_map("cell-centres", count)
    mean = uniformity(field, grid.weights_m2).mean
    assert mean / EXACT_MEAN - 1 == pytest.approx(error, rel=1e-3)


def test_figures_of_the_eight_by_eight_grid():
    # Computed once with plain numpy outside this project; no second method for the ratios.
    grid, field = lambertian_map("cell-centres", 8)
    even = uniformity(field, grid.weights_m2)
    assert even.mean == pytest.approx(386.389448, abs=1e-6)
    assert even.min_to_mean == pytest.approx(0.357151, abs=1e-6)
    assert even.min_to_max == pytest.approx(0.165981, abs=1e-6)
    assert even.coefficient_of_variation == pytest.approx(0.498849, abs=1e-6)
    assert even.christiansen == pytest.approx(0.589574, abs=1e-6)
    assert even.low_quarter == pytest.approx(0.492813, abs=1e-6)


def test_edge_inclusive_points_need_trapezoid_weights():
    grid, field = lambertian_map("edge-inclusive", 8)
    assert field.mean() == pytest.approx(329.973809, abs=1e-6)
    assert field.mean() / EXACT_MEAN - 1 == pytest.approx(-0.143, abs=5e-4)
    assert uniformity(field, grid.weights_m2).mean == pytest.approx(380.697365, abs=1e-6)


def test_half_of_a_lambertian_source_lands_on_a_disc_of_its_height_as_radius():
    # 1 − cos²45° = 1/2, closed form.
    grid = grid_from_plan(
        {
            "area": {"shape": "round", "diameter_mm": 1200.0},
            "grid": {"rows": 41, "columns": 41},
        }
    )
    across_m2 = ((grid.x_mm - 600) ** 2 + (grid.y_mm - 600) ** 2) * 1e-6
    field = 1000 / math.pi * HEIGHT_M**2 / (HEIGHT_M**2 + across_m2) ** 2
    assert grid.weights_m2 @ field == pytest.approx(500, rel=1e-3)
