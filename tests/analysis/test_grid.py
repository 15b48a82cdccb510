import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from analysis.grid import GridError, grid_from_plan, serpentine

SQUARE = {"shape": "rectangle", "width_mm": 1200.0, "depth_mm": 1200.0}
quickly = settings(deadline=None, derandomize=True, max_examples=60)


def made(area=None, **grid):
    return grid_from_plan({"area": area or SQUARE, "grid": grid})


def test_default_grid_is_nine_by_nine_cell_centres():
    grid = made()
    assert grid.label == "9 × 9 points"
    assert len(grid) == 81
    assert grid.centre_is_read
    assert grid.x_mm[0] == pytest.approx(1200 / 18)


def test_cell_centres_share_the_area_equally():
    grid = made(rows=3, columns=4)
    # 1.44 m² / 12
    assert grid.weights_m2 == pytest.approx(np.full(12, 0.12))
    assert grid.x_mm[:4] == pytest.approx([150, 450, 750, 1050])
    assert grid.y_mm[::4] == pytest.approx([200, 600, 1000])


def test_even_grid_does_not_read_the_centre():
    assert not made(rows=8, columns=8).centre_is_read


def test_edge_inclusive_points_have_trapezoid_weights():
    grid = made(layout="edge-inclusive", rows=3, columns=3)
    # Spacing 0.6 m: an inner point stands for 0.36 m², an edge for half, a corner for a quarter.
    by_hand = [[0.09, 0.18, 0.09], [0.18, 0.36, 0.18], [0.09, 0.18, 0.09]]
    assert grid.to_matrix(grid.weights_m2) == pytest.approx(np.array(by_hand))
    assert grid.label == "3 × 3 points, edges included"
    assert grid.x_mm[:3] == pytest.approx([0, 600, 1200])


def test_uneven_lines_share_the_area_half_way_between_them():
    grid = made(layout="lines", x_mm=[100, 300, 900], y_mm=[600])
    # Borders at 0, 200, 600, 1200 mm.
    assert grid.weights_m2 == pytest.approx([0.2 * 1.2, 0.4 * 1.2, 0.6 * 1.2])


def test_uneven_lines_with_edges_follow_the_trapezoid_rule():
    x = [0.0, 200.0, 700.0, 1200.0]
    grid = made(layout="lines", x_mm=x, y_mm=[0.0, 1200.0])
    field = 3 * grid.x_mm + 2
    # The trapezoid rule is exact for a straight line: mean of 3 x + 2 over 0…1200 is 1802.
    assert grid.weights_m2 @ field / 1.44 == pytest.approx(1802)
    assert grid.weights_m2 @ field / 1.44 == pytest.approx(
        np.trapezoid(3 * np.array(x) + 2, x) / 1200
    )


def test_two_by_two_on_a_round_area_are_four_quarters():
    grid = made({"shape": "round", "diameter_mm": 1000.0}, rows=2, columns=2)
    assert grid.weights_m2 == pytest.approx(np.full(4, math.pi / 16))


def test_clipped_cell_of_a_round_area_matches_an_integral():
    grid = made({"shape": "round", "diameter_mm": 1200.0}, rows=5, columns=5)
    # Cell in the middle of the left side: x −0.6…−0.36 m, |y| ≤ 0.12 m, radius 0.6 m.
    inside, _ = quad(lambda y: math.sqrt(0.36 - y * y) - 0.36, -0.12, 0.12)
    left = int(grid.index_of([2], [0])[0])
    assert grid.weights_m2[left] == pytest.approx(inside, rel=1e-9)
    assert not np.isfinite(grid.to_matrix(grid.weights_m2)[0, 0])


@quickly
@given(rows=st.integers(1, 20), columns=st.integers(1, 20))
def test_weights_of_a_round_area_add_up_to_the_circle(rows, columns):
    grid = made({"shape": "round", "diameter_mm": 1200.0}, rows=rows, columns=columns)
    assert grid.area_m2 == pytest.approx(math.pi * 0.36)
    assert (grid.weights_m2 > 0).all()
    assert grid.label.startswith(
        f"{len(grid)} points of" if len(grid) < rows * columns else f"{rows} ×"
    )


@quickly
@given(
    st.lists(st.integers(0, 1200), min_size=1, max_size=12, unique=True),
    st.lists(st.integers(0, 900), min_size=1, max_size=12, unique=True),
)
def test_weights_of_any_lines_add_up_to_the_area(x, y):
    area = {"shape": "rectangle", "width_mm": 1200.0, "depth_mm": 900.0}
    grid = made(area, layout="lines", x_mm=sorted(x), y_mm=sorted(y))
    assert grid.area_m2 == pytest.approx(1.2 * 0.9)


def test_explicit_points_are_sorted_into_rows():
    grid = made(
        layout="explicit",
        x_mm=[900, 300, 600],
        y_mm=[300, 300, 800],
        weights_m2=[0.1, 0.2, 0.3],
    )
    assert grid.x_mm.tolist() == [300, 900, 600]
    assert grid.weights_m2.tolist() == [0.2, 0.1, 0.3]
    assert grid.row.tolist() == [0, 0, 1]
    assert grid.column.tolist() == [0, 2, 1]
    assert grid.label == "3 listed points"


def test_serpentine_turns_at_the_end_of_each_row():
    order = serpentine(made(rows=3, columns=3))
    assert order.tolist() == [0, 1, 2, 5, 4, 3, 6, 7, 8]


def test_serpentine_on_a_round_area_visits_each_point_once_without_jumping_rows():
    grid = made({"shape": "round", "diameter_mm": 1200.0})
    order = serpentine(grid)
    assert sorted(order.tolist()) == list(range(len(grid)))
    steps_mm = np.hypot(np.diff(grid.x_mm[order]), np.diff(grid.y_mm[order]))
    assert steps_mm.max() < 3.2 * 1200 / 9


def test_index_of_a_place_outside_the_grid_is_minus_one():
    grid = made({"shape": "round", "diameter_mm": 1200.0})
    assert grid.index_of([0, 4, 9, -1], [0, 4, 0, 0]).tolist() == [-1, len(grid) // 2, -1, -1]


def test_grids_with_other_points_are_not_the_same():
    assert made().is_same_as(made(rows=9, columns=9))
    assert not made().is_same_as(made(rows=8))
    assert not made(rows=2, columns=2).is_same_as(made(layout="edge-inclusive", rows=2, columns=2))


def test_all_faults_of_a_grid_are_listed_at_once():
    with pytest.raises(GridError) as caught:
        grid_from_plan(
            {
                "area": {"shape": "oval", "width_mm": -3, "depth_mm": 1200.0},
                "grid": {"layout": "lines", "x_mm": [300, 200], "y_mm": [0.0, 1300.0]},
            }
        )
    text = str(caught.value)
    assert len(caught.value.faults) == 4
    assert "area.shape is 'oval'; give one of 'rectangle', 'round'" in text
    assert "area.width_mm is -3; give a number of millimetres above 0" in text
    assert "grid.x_mm goes from 300 to 200" in text
    assert "grid.y_mm holds 1300, outside the area (0 to 1200 mm)" in text


@pytest.mark.parametrize(
    ("grid", "says"),
    [
        ({"rows": 0}, "grid.rows is 0; give a whole number of at least 1"),
        ({"rows": 2.5}, "grid.rows is 2.5"),
        ({"rows": True}, "grid.rows is True"),
        ({"layout": "edge-inclusive", "rows": 1}, "at least 2"),
        ({"layout": "spiral"}, "grid.layout is 'spiral'; give one of 'cell-centres'"),
        ({"layout": "lines", "x_mm": [], "y_mm": [1]}, "grid.x_mm is []"),
        ({"layout": "lines", "x_mm": [1, "a"], "y_mm": [1]}, "grid.x_mm holds 'a'"),
        ({"layout": "lines", "x_mm": [1]}, "grid.y_mm is missing"),
        (
            {"layout": "explicit", "x_mm": [1, 2], "y_mm": [1], "weights_m2": [1]},
            "hold 2, 1 and 1 numbers",
        ),
        (
            {"layout": "explicit", "x_mm": [1, 1], "y_mm": [1, 1], "weights_m2": [0.1, 0.1]},
            "lists the point x 1 mm, y 1 mm more than once",
        ),
        (
            {"layout": "explicit", "x_mm": [1, 2], "y_mm": [1, 1], "weights_m2": [0.1, -0.1]},
            "must be 0 or more",
        ),
        (
            {"layout": "explicit", "x_mm": [1, 2], "y_mm": [1, 1], "weights_m2": [1, 1]},
            "add up to 2 m², more than the area (1.44 m²)",
        ),
    ],
)
def test_a_faulty_grid_is_refused_with_what_was_received(grid, says):
    with pytest.raises(GridError) as caught:
        made(**grid)
    assert says in str(caught.value)
