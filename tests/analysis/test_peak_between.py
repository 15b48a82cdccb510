"""The peak between points, against fields whose peak is known by hand."""

import math

import numpy as np
import pytest

from analysis.grid import grid_from_plan
from analysis.peak_between import neighbours, peak_between
from tests.synthetic_run import plan


def grid_of(**sections):
    return grid_from_plan(plan(**sections))


def peak_of(grid, ppfd):
    least, most, cell = peak_between(neighbours(grid), np.log(ppfd))
    return math.exp(least), math.exp(most), int(cell)


def cos_power(grid, height_mm, n, x_mm=600.0, y_mm=600.0):
    """A cosⁿ point source at full strength of 1 right below it."""
    square = ((grid.x_mm - x_mm) ** 2 + (grid.y_mm - y_mm) ** 2) / height_mm**2
    return (1 + square) ** (-(n + 3) / 2)


def test_the_peak_of_a_lambertian_point_source_between_four_points_is_found_exactly():
    # 8 × 8 points: the lamp stands over the middle of four. By the cos⁴ law 1/√E = 1 + r²/h² is
    # quadratic, so the second rule gives the true peak, 1. By hand for the highest cell: pitch
    # 150 mm, h 300 mm, u² = (75² + 75²)/300² = 1/8, so the grid reads 1/1.125² = 0.790.
    grid = grid_of(grid={"rows": 8, "columns": 8})
    ppfd = cos_power(grid, 300.0, 1)
    assert ppfd.max() == pytest.approx(1 / 1.125**2)
    least, most, _ = peak_of(grid, ppfd)
    assert most == pytest.approx(1.0)
    # By hand, the rule in ln E: each axis adds (ln E₀ − ln E₋)/8 with ln E₀ = −2 ln 1.125 and
    # ln E₋ = −2 ln 1.625 (u = ¼ and ¾).
    assert math.log(least) == pytest.approx(
        -2 * math.log(1.125) + 2 * 2 * math.log(1.625 / 1.125) / 8
    )


@pytest.mark.parametrize("n", [1, 2, 3])
@pytest.mark.parametrize("height_mm", [300.0, 450.0, 600.0])
@pytest.mark.parametrize("points", [8, 9])
@pytest.mark.parametrize("off_mm", [0.0, 40.0])
def test_the_true_peak_of_a_point_source_lies_between_the_two_rules(n, height_mm, points, off_mm):
    grid = grid_of(grid={"rows": points, "columns": points})
    least, most, _ = peak_of(grid, cos_power(grid, height_mm, n, 600.0 + off_mm, 600.0 - off_mm))
    assert least <= 1.0 + 1e-9
    assert most >= 1.0 - 1e-9


def test_a_gaussian_bell_is_found_exactly_by_the_rule_in_the_logarithm():
    grid = grid_of()
    bell = np.exp(-((grid.x_mm - 620.0) ** 2 + (grid.y_mm - 570.0) ** 2) / (2 * 300.0**2))
    least, _, _ = peak_of(grid, bell)
    assert least == pytest.approx(1.0)


def test_uneven_lines_give_the_same_peak():
    grid = grid_of(
        grid={"layout": "lines", "x_mm": [100, 450, 680, 1000], "y_mm": [150, 500, 690, 1100]}
    )
    bell = np.exp(-((grid.x_mm - 580.0) ** 2 + (grid.y_mm - 570.0) ** 2) / (2 * 300.0**2))
    least, _, _ = peak_of(grid, bell)
    assert least == pytest.approx(1.0)


def test_level_light_has_no_peak_between_points():
    grid = grid_of()
    least, most, _ = peak_of(grid, np.full(len(grid), 500.0))
    assert (least, most) == pytest.approx((500.0, 500.0))


def test_a_peak_cell_at_the_wall_is_mirrored_there():
    # One row of four cells of 300 mm: 400, 300, 200, 100 from the wall on. The mirror image of the
    # first cell lies 300 mm beyond it. By hand in ln E: drops ln(4/3) and 0 over 300 mm each, so
    # the vertex stands ln(4/3)/8 above.
    grid = grid_of(grid={"rows": 1, "columns": 4})
    least, _, cell = peak_of(grid, np.array([400.0, 300.0, 200.0, 100.0]))
    assert cell == 0
    assert math.log(least / 400.0) == pytest.approx(math.log(4 / 3) / 8)


def test_a_peak_on_the_border_itself_is_the_peak():
    grid = grid_of(grid={"layout": "edge-inclusive", "rows": 3, "columns": 3})
    ppfd = 500.0 - grid.x_mm / 10
    least, most, _ = peak_of(grid, ppfd)
    assert (least, most) == pytest.approx((500.0, 500.0))


def test_points_without_rows_and_columns_say_nothing_of_what_lies_between():
    grid = grid_of(
        grid={
            "layout": "explicit",
            "x_mm": [100, 600, 900],
            "y_mm": [100, 600, 900],
            "weights_m2": [0.4, 0.4, 0.4],
        }
    )
    assert neighbours(grid) is None
    least, most, cell = peak_of(grid, np.array([1.0, 3.0, 2.0]))
    assert (least, most, cell) == pytest.approx((3.0, 3.0, 1))


def test_points_outside_a_round_area_are_no_neighbours():
    grid = grid_of(area={"shape": "round", "diameter_mm": 1200.0})
    found = neighbours(grid)
    assert (found.index >= 0).all()
    assert (found.distance_mm > 0).all()
