"""Where light comes from and how a map slopes: what a sensor's angle, height and place do to it.

Light reaches a point of the plane straight from the device, from above the centre of the area at
the mounting height, and by way of walls that surround it. Angles are only needed for the size of
uncertainties, so a few plain rules serve:

- the share that comes by the walls grows from `WALL_SHARE_AT_CENTRE` at the centre by
  `WALL_SHARE_ADDED` along each axis towards the walls. Taken from the light of diffuse walls of
  reflectance 0.85 around 1.2 m × 1.2 m as the virtual bench computes it; our own assumption;
- light from the walls comes evenly from all directions between `WALL_LIGHT_DEG` and the horizon;
- below the device the light falls by `FALL_BELOW` per cent for a per cent of height, and grows by
  `RISE_ASIDE` times the square of the sine of the angle aside of it; from the same bench.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.grid import Grid

Floats = NDArray[np.floating[Any]]

WALL_SHARE_AT_CENTRE: Final = 0.08
WALL_SHARE_ADDED: Final = 0.33
WALL_LIGHT_DEG: Final = 30.0
FALL_BELOW: Final = 1.5
RISE_ASIDE: Final = 3.2
NEIGHBOURS: Final = 9
"""Points, itself among them, from which the slope at a point of an uneven grid is taken."""


def wall_share(grid: Grid) -> Floats:
    """Share of the light at each point that comes by way of the walls, shape (n,). [fraction]"""
    x, y = _from_centre(grid)
    square = (2 * x / grid.width_mm) ** 2 + (2 * y / grid.depth_mm) ** 2
    return np.asarray(np.minimum(WALL_SHARE_AT_CENTRE + WALL_SHARE_ADDED * square, 0.9))


def incidence_deg(grid: Grid, mounting_height_mm: float) -> Floats:
    """Angle from the vertical at which straight light meets each point, shape (n,). [deg]"""
    x, y = _from_centre(grid)
    return np.asarray(np.degrees(np.arctan2(np.hypot(x, y), mounting_height_mm)))


def at_angles(
    grid: Grid, mounting_height_mm: float, theta_deg: Floats, curve: Floats
) -> tuple[Floats, float]:
    """Average an angular curve over the light that comes straight, and over that by the walls.

    Parameters
    ----------
    theta_deg, curve : array, shape (k,)
        Angles of incidence, rising, and the value of the curve there. [deg]

    Returns
    -------
    straight : array, shape (n,)
        The curve at the angle of straight light at each point.
    by_walls : float
        Its mean over the light of the walls.
    """
    angles = np.linspace(WALL_LIGHT_DEG, 90.0, 121)[1::2]  # middles of steps
    weight = np.sin(np.radians(angles)) * np.cos(np.radians(angles))
    by_walls = float(np.average(np.interp(angles, theta_deg, curve), weights=weight))
    straight = np.interp(incidence_deg(grid, mounting_height_mm), theta_deg, curve)
    return np.asarray(straight), by_walls


def tilt_slopes(grid: Grid, mounting_height_mm: float) -> tuple[Floats, Floats]:
    """Relative change of each point for a sensor tilted towards x, and towards y. [1 per rad]

    A tilt towards the lamp adds the part of the light that comes along the plane; what comes by
    the walls comes from all sides and adds nothing.
    """
    x, y = _from_centre(grid)
    straight = (1.0 - wall_share(grid)) / mounting_height_mm
    return np.asarray(-x * straight), np.asarray(-y * straight)


def height_slope(grid: Grid, mounting_height_mm: float) -> Floats:
    """Relative change of each point for a greater height of the device. [1 per mm]

    For a small plane source without walls it is (−2 + 4 sin² θ) / h. An opening of some size and
    the light of the walls take a part of that off.
    """
    x, y = _from_centre(grid)
    h = mounting_height_mm
    square_of_sine = (x * x + y * y) / (h * h + x * x + y * y)
    return np.asarray((-FALL_BELOW + RISE_ASIDE * square_of_sine) / h)


def map_slopes(grid: Grid, ppfd: Floats) -> tuple[Floats, Floats]:
    """Relative slope of a complete map along x and along y at each point. [1 per mm]

    Parameters
    ----------
    ppfd : array, shape (n,)
        Above 0. [µmol m⁻² s⁻¹]
    """
    level = np.log(np.maximum(ppfd, 1e-9))
    if len(grid) == grid.rows * grid.columns and min(grid.rows, grid.columns) > 2:
        matrix = grid.to_matrix(level)
        y_mm = grid.to_matrix(grid.y_mm)[:, 0]
        x_mm = grid.to_matrix(grid.x_mm)[0]
        along_y, along_x = np.gradient(matrix, y_mm, x_mm, edge_order=2)
        place = (grid.row, grid.column)
        return np.asarray(along_x)[place], np.asarray(along_y)[place]
    away = np.hypot(grid.x_mm[:, None] - grid.x_mm, grid.y_mm[:, None] - grid.y_mm)
    near = np.argsort(away, axis=1, kind="stable")[:, :NEIGHBOURS]
    slopes = np.zeros((len(grid), 2))
    for at, points in enumerate(near):
        design = np.column_stack(
            [
                np.ones(len(points)),
                grid.x_mm[points] - grid.x_mm[at],
                grid.y_mm[points] - grid.y_mm[at],
            ]
        )
        slopes[at] = np.linalg.lstsq(design, level[points], rcond=None)[0][1:]
    return slopes[:, 0], slopes[:, 1]


def nearest(grid: Grid, is_known: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Index of the known point nearest to each, a known one itself, shape (n,)."""
    points = np.flatnonzero(is_known)
    away = np.hypot(grid.x_mm[:, None] - grid.x_mm[points], grid.y_mm[:, None] - grid.y_mm[points])
    return np.asarray(points[np.argmin(away, axis=1)])


def _from_centre(grid: Grid) -> tuple[Floats, Floats]:
    return grid.x_mm - grid.width_mm / 2, grid.y_mm - grid.depth_mm / 2
