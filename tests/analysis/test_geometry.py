"""Angles and slopes at points whose place is worked out by hand."""

import math

import numpy as np
import pytest

from analysis import geometry
from analysis.grid import grid_from_plan


def lattice(rows=3, columns=3, width_mm=1200.0, depth_mm=1200.0, **grid):
    return grid_from_plan(
        {
            "area": {"shape": "rectangle", "width_mm": width_mm, "depth_mm": depth_mm},
            "grid": {"layout": "cell-centres", "rows": rows, "columns": columns, **grid},
        }
    )


def test_straight_light_meets_a_point_at_the_angle_of_its_place():
    # Points at ±400 mm and 0 from the centre under 400 mm: 0°, 45°, and atan √2 in the corners.
    angles = lattice().to_matrix(geometry.incidence_deg(lattice(), 400.0))
    corner = math.degrees(math.atan(math.sqrt(2)))
    assert angles == pytest.approx(
        np.array([[corner, 45.0, corner], [45.0, 0.0, 45.0], [corner, 45.0, corner]])
    )


def test_the_light_by_the_walls_grows_towards_them():
    # 0.08 at the centre; 2 × 400 / 1200 of the way out along each axis: (2/3)² × 0.33 more.
    share = lattice().to_matrix(geometry.wall_share(lattice()))
    assert share[1, 1] == pytest.approx(0.08)
    assert share[1, 0] == share[0, 1] == pytest.approx(0.08 + 0.33 * 4 / 9)
    assert share[0, 2] == pytest.approx(0.08 + 0.33 * 8 / 9)


def test_a_curve_is_read_at_the_angle_of_straight_light():
    straight, _ = geometry.at_angles(
        lattice(), 400.0, np.array([0.0, 45.0, 90.0]), np.array([0.0, 1.0, 0.0])
    )
    corner = math.degrees(math.atan(math.sqrt(2)))
    assert straight[:2] == pytest.approx([(90 - corner) / 45, 1.0])
    assert straight[4] == 0


def test_light_by_the_walls_is_weighted_as_a_diffuse_ring():
    # Mean of θ over sin θ cos θ dθ from 30° to 90°: with ∫ θ sin 2θ dθ = −θ cos 2θ / 2 + sin 2θ / 4
    # and ∫ sin 2θ dθ = −cos 2θ / 2.
    def upper(t):
        return -t * math.cos(2 * t) / 2 + math.sin(2 * t) / 4

    low, high = math.radians(30), math.pi / 2
    whole = (math.cos(2 * low) - math.cos(2 * high)) / 2
    mean = math.degrees((upper(high) - upper(low)) / whole)
    _, by_walls = geometry.at_angles(lattice(), 400.0, np.array([0.0, 90.0]), np.array([0.0, 90.0]))
    assert by_walls == pytest.approx(mean, abs=0.05)
    _, even = geometry.at_angles(lattice(), 400.0, np.array([0.0, 90.0]), np.ones(2))
    assert even == pytest.approx(1.0)


def test_a_sensor_tilted_towards_the_lamp_reads_more():
    # Tilted to +x by 1 mrad at a point 400 mm on the −x side, 400 mm below: straight light rises
    # by tan θ = 1 per rad, that of the walls (0.08 + 0.33 × 4/9 of it) does not.
    along_x, along_y = geometry.tilt_slopes(lattice(), 400.0)
    matrix = lattice().to_matrix(along_x)
    assert matrix[1, 0] == pytest.approx(1 - (0.08 + 0.33 * 4 / 9))
    assert matrix[1, 2] == pytest.approx(-matrix[1, 0])
    assert matrix[:, 1] == pytest.approx(0.0)
    assert lattice().to_matrix(along_y) == pytest.approx(matrix.T)


def test_a_device_that_hangs_higher_gives_less_below_it_and_less_less_aside():
    # −1.5 / h below; sin² 45° = 0.5 aside: (−1.5 + 3.2 × 0.5) / h; in the corners sin² θ = 2/3.
    slope = lattice().to_matrix(geometry.height_slope(lattice(), 400.0)) * 400.0
    assert slope[1, 1] == pytest.approx(-1.5)
    assert slope[0, 1] == slope[1, 0] == pytest.approx(0.1)
    assert slope[0, 0] == pytest.approx(-1.5 + 3.2 * 2 / 3)


@pytest.mark.parametrize(
    "grid",
    [
        lattice(5, 4),
        lattice(layout="lines", x_mm=[100.0, 250.0, 700.0, 1100.0], y_mm=[50.0, 500.0, 900.0]),
        # Too few rows for a difference on a lattice: a plane through the points nearby.
        lattice(2, 6),
        grid_from_plan(
            {
                "area": {"shape": "round", "diameter_mm": 1000.0},
                "grid": {"layout": "cell-centres", "rows": 7, "columns": 7},
            }
        ),
    ],
)
def test_light_that_falls_by_the_same_part_everywhere_has_that_slope(grid):
    light = 500.0 * np.exp(0.0004 * grid.x_mm - 0.0007 * grid.y_mm)
    along_x, along_y = geometry.map_slopes(grid, light)
    assert along_x == pytest.approx(np.full(len(grid), 0.0004))
    assert along_y == pytest.approx(np.full(len(grid), -0.0007))


def test_slopes_at_the_rim_follow_a_bending_field():
    # log light = −a (x − 600)²: slope −2a (x − 600), 500 mm from the centre 0.001 per mm.
    grid = lattice(6, 6)
    along_x, along_y = geometry.map_slopes(grid, 500 * np.exp(-1e-6 * (grid.x_mm - 600) ** 2))
    assert along_x == pytest.approx(-2e-6 * (grid.x_mm - 600))
    assert along_x[0] == pytest.approx(0.001)
    assert along_y == pytest.approx(0.0)


def test_a_missing_point_is_stood_for_by_the_nearest_that_is_there():
    grid = lattice(1, 5)
    assert list(geometry.nearest(grid, np.array([True, False, False, True, True]))) == [
        0, 0, 3, 3, 4,
    ]  # fmt: skip
