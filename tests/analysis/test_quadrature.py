"""What a sum over points cannot know, on fields whose integrals are exact."""

import math

import numpy as np
import pytest

from analysis.grid import grid_from_plan
from analysis.quadrature import APPLIED_SHARE, DEFAULT, LEAST, LEFT_SHARE, between


def lattice(rows, columns=None, shape="rectangle", layout="cell-centres"):
    return grid_from_plan(
        {
            "area": {
                "shape": shape,
                "width_mm": 1200.0,
                "depth_mm": 1200.0,
                "diameter_mm": 1200.0,
            },
            "grid": {"layout": layout, "rows": rows, "columns": columns or rows},
        }
    )


def bowl(grid, a=1.2, b=0.6):
    """500 (1 + a x² + b y²) with x and y from −0.5 to 0.5."""
    x, y = grid.x_mm / 1200 - 0.5, grid.y_mm / 1200 - 0.5
    return 500 * (1 + a * x**2 + b * y**2)


@pytest.mark.parametrize(("rows", "columns"), [(3, 3), (5, 8), (9, 9)])
def test_the_integral_of_a_bowl_is_found_from_its_points(rows, columns):
    # Mean of x² over −0.5 … 0.5 is 1/12; of n midpoints it is (1 − 1/n²) / 12.
    exact = 1 + 1.2 / 12 + 0.6 / 12
    summed = 1 + 1.2 * (1 - columns**-2) / 12 + 0.6 * (1 - rows**-2) / 12
    grid = lattice(rows, columns)
    assert grid.weights_m2 @ bowl(grid) == pytest.approx(500 * 1.44 * summed)
    found = between(grid, bowl(grid), 0.0)
    assert found.is_estimated
    # The sum is too small: true value = sum × (1 − ends / share applied).
    assert -found.ends / APPLIED_SHARE == pytest.approx(exact / summed - 1)
    assert found.rest == pytest.approx(max(LEFT_SHARE * (exact / summed - 1), LEAST))


def test_a_sum_that_is_too_large_is_told_by_its_sign():
    found = between(lattice(5), bowl(lattice(5), -1.0, -1.0), 0.0)
    assert found.ends > 0


def test_a_slope_leaves_nothing_between_the_points():
    # Midpoints of a plane add up to its integral; only the least that is ever stated is left.
    grid = lattice(6)
    found = between(grid, 500 + 0.1 * grid.x_mm - 0.05 * grid.y_mm, 0.0)
    assert found.ends == pytest.approx(0, abs=1e-12)
    assert found.rest == LEAST


def test_the_spread_of_a_slope_between_its_points_is_taken_in():
    # CV of 1 + g (u − 0.5), u even in 0 … 1, is g/√12; of n midpoints g √((1 − 1/n²) / 12). The
    # square of the light has that slope at its ends, and the estimate applies a share of it.
    grid = lattice(4)
    slope = 0.4
    light = 500 * (1 + slope * (grid.x_mm / 1200 - 0.5))
    read, whole = slope * math.sqrt((1 - 1 / 16) / 12), slope / math.sqrt(12)
    found = between(grid, light, 0.0)
    assert found.variation == pytest.approx(read + APPLIED_SHARE * (whole - read))
    moved = (whole - read) / found.variation
    assert found.variation_left == pytest.approx(LEFT_SHARE * moved)
    # Noise of 2 % of each of 16 points adds 0.02² (1 − 1/16) (1 + read²) to the square of either.
    added = 0.02**2 * 15 / 16 * (1 + read**2)
    read, whole = math.sqrt(read**2 - added), math.sqrt(whole**2 - added)
    noisy = between(grid, light, 0.02)
    assert noisy.variation == pytest.approx(read + APPLIED_SHARE * (whole - read))


def test_noise_of_the_points_does_not_count_as_spread_of_the_field():
    # 2000 maps of an even field with 2 % noise: what is read scatters by 2 % of its own, and the
    # square of the figure freed of noise is 0 on average.
    grid = lattice(8)
    random = np.random.default_rng(5)
    edges = lattice(8, layout="edge-inclusive")
    for one in (grid, edges):
        squares, read = [], []
        for _ in range(2000):
            light = 500 * (1 + 0.02 * random.standard_normal(len(one)))
            share = one.weights_m2 / one.area_m2
            mean = share @ light
            read.append(share @ (light / mean - 1) ** 2)
            # What the estimate takes off, from a field with a spread that stays above 0.
            sloped = light * (1 + 0.5 * (one.x_mm / 1200 - 0.5))
            true = share @ (0.5 * (one.x_mm / 1200 - 0.5)) ** 2
            raw = share @ (sloped / (share @ sloped) - 1) ** 2
            left = _points_only(one, sloped) ** 2
            squares.append((raw - left, raw - true))
        taken, added = np.mean(squares, axis=0)
        assert taken == pytest.approx(added, rel=0.05)
        assert np.mean(read) == pytest.approx(0.02**2 * (1 - (one.weights_m2**2).sum()
                                                         / one.area_m2**2), rel=0.05)  # fmt: skip


def _points_only(grid, light):
    """Spread freed of 2 % noise, nothing added for what lies between the points."""
    from attrs import evolve

    return between(evolve(grid, layout="explicit"), light, 0.02).variation


def test_rough_light_adds_to_what_is_not_known():
    # Every other row twice as bright: fourth difference of +c, −c is 16 c; its square over 70.
    grid = lattice(6)
    light = 500 * (1 + 0.01 * (-1.0) ** grid.row)
    found = between(grid, light, 0.0)
    # Along the rows nothing, along the columns 16 × 0.01 of light about 500; half of all count.
    scatter = math.sqrt(0.16**2 / 2 / 70)
    assert found.rest == pytest.approx(scatter / 6, rel=0.05)
    assert between(grid, light, 0.05).rest == LEAST


@pytest.mark.parametrize(
    "grid", [lattice(7, shape="round"), lattice(5, layout="edge-inclusive"), lattice(2, 9)]
)
def test_another_layout_is_not_estimated_and_has_the_default(grid):
    found = between(grid, bowl(grid), 0.0)
    assert not found.is_estimated
    assert (found.ends, found.rest) == (0.0, DEFAULT)
    share = grid.weights_m2 / grid.area_m2
    mean = share @ bowl(grid)
    plain = math.sqrt(share @ (bowl(grid) / mean - 1) ** 2)
    assert found.variation == pytest.approx(plain)
    assert found.variation_left == pytest.approx(DEFAULT / plain)


def test_a_dark_map_has_no_spread():
    assert between(lattice(3), np.zeros(9), 0.01).variation is None
