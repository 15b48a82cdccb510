"""Corner and edge deficit: expected values worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.deficits import deficits
from analysis.grid import grid_from_plan


def _grid(rows=4, columns=4, **area):
    layout = area.pop("layout", "cell-centres")
    area = {"shape": "rectangle", "width_mm": 1200.0, "depth_mm": 1200.0, **area}
    return grid_from_plan(
        {"area": area, "grid": {"layout": layout, "rows": rows, "columns": columns}}
    )


def test_deficits_of_a_four_by_four_map_are_those_worked_by_hand():
    # Corners 40 (4 cells), edges 80 (8), inner 120 (4): mean (160 + 640 + 480) / 16 = 80.
    matrix = np.array([[40, 80, 80, 40], [80, 120, 120, 80], [80, 120, 120, 80], [40, 80, 80, 40]])
    found = deficits(_grid(), matrix.ravel())
    assert found.corner_below_mean == pytest.approx(0.5)
    assert found.corner_below_inner == pytest.approx(2 / 3)
    assert found.edge_below_mean == pytest.approx(0.0)
    assert found.edge_below_inner == pytest.approx(1 / 3)
    assert found.reason == ""


def test_deficits_are_weighted_by_area_on_an_edge_inclusive_grid():
    # 3 x 3 with the border read: corners weigh 1, edges 2, the middle 4 (trapezoid rule).
    # Corners 0, edges 100, middle 200: mean (4 x 0 + 4 x 2 x 100 + 4 x 200) / 16 = 100.
    values = [0, 100, 0, 100, 200, 100, 0, 100, 0]
    found = deficits(_grid(3, 3, layout="edge-inclusive"), values)
    assert found.corner_below_mean == pytest.approx(1.0)
    assert found.edge_below_mean == pytest.approx(0.0)
    assert found.edge_below_inner == pytest.approx(0.5)


def test_flat_light_has_no_deficit():
    found = deficits(_grid(9, 9), np.full(81, 500.0))
    assert found.corner_below_mean == pytest.approx(0.0)
    assert found.edge_below_inner == pytest.approx(0.0)


def test_a_brighter_rim_is_a_negative_deficit():
    matrix = np.full((5, 5), 100.0)
    matrix[1:-1, 1:-1] = 50.0
    assert deficits(_grid(5, 5), matrix.ravel()).edge_below_inner == pytest.approx(-1.0)


def test_a_round_area_has_edges_but_no_corners():
    # 5 x 5 on a circle: the four far corners fall outside, (0, 2) and its like are on the rim.
    grid = grid_from_plan(
        {
            "area": {"shape": "round", "diameter_mm": 1000.0},
            "grid": {"layout": "cell-centres", "rows": 5, "columns": 5},
        }
    )
    assert len(grid) == 21
    inner = (np.abs(grid.row - 2) <= 1) & (np.abs(grid.column - 2) <= 1)
    found = deficits(grid, np.where(inner, 200.0, 100.0))
    assert found.corner_below_mean is None
    assert found.edge_below_inner == pytest.approx(0.5)
    assert found.reason == "a round area has no corners"


def test_a_missing_point_leaves_deficits_unstated():
    values = np.full(16, 100.0)
    values[5] = np.nan
    found = deficits(_grid(), values)
    assert (found.corner_below_mean, found.edge_below_mean) == (None, None)
    assert "1 of 16 points have no value" in found.reason


@pytest.mark.parametrize(("rows", "columns"), [(2, 5), (5, 2)])
def test_two_rows_or_columns_have_no_inner_points_to_compare_with(rows, columns):
    found = deficits(_grid(rows, columns), np.ones(rows * columns))
    assert found.corner_below_mean is None
    assert "at least 3 rows" in found.reason


def test_listed_points_that_form_no_lattice_have_no_corners():
    grid = grid_from_plan(
        {
            "area": {"shape": "rectangle", "width_mm": 1000.0, "depth_mm": 1000.0},
            "grid": {
                "layout": "explicit",
                "x_mm": [100.0, 500.0, 900.0, 300.0],
                "y_mm": [100.0, 400.0, 900.0, 700.0],
                "weights_m2": [0.25] * 4,
            },
        }
    )
    assert "lattice" in deficits(grid, np.ones(4)).reason


def test_a_dark_map_has_no_deficit():
    assert "not above 0" in deficits(_grid(), np.zeros(16)).reason


def test_values_that_do_not_fit_the_grid_are_refused():
    with pytest.raises(ValueError, match="15 values for 16 points"):
        deficits(_grid(), np.ones(15))
