"""The geometry of a plan view: cells, outline, and where each number finds its room."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
from attrs import frozen
from matplotlib.patches import Circle, Ellipse, Rectangle
from numpy.typing import NDArray

if TYPE_CHECKING:
    from analysis.grid import Grid

Floats = NDArray[np.floating[Any]]

DIGIT_WIDTH: Final = 0.64
"""Width of a digit of DejaVu Sans. [of its size]"""
_LARGEST_PT: Final = 13.0
_ROUND: Final = 0.85
_DOT_TO_NUMBER: Final = 0.62
"""From a dot to the middle of its number. [of the number's size]"""


@frozen
class Cell:
    """The rectangle that stands for one point. [mm]"""

    left: float
    bottom: float
    width: float
    height: float


@frozen(kw_only=True, eq=False)
class Numbers:
    """Where the numbers of a map stand. `x_mm`, `y_mm`: middles; `size_pt`: one for each."""

    x_mm: Floats
    y_mm: Floats
    size_pt: Floats


def _bounds(places: Floats, end: float) -> Floats:
    return np.concatenate([[0.0], (places[1:] + places[:-1]) / 2, [end]])


def lines_mm(grid: Grid) -> tuple[Floats, Floats]:
    """Return the x of each column and the y of each row. [mm]"""
    x = [float(np.median(grid.x_mm[grid.column == at])) for at in range(grid.columns)]
    y = [float(np.median(grid.y_mm[grid.row == at])) for at in range(grid.rows)]
    return np.array(x), np.array(y)


def cells(grid: Grid) -> list[Cell] | None:
    """Return the cell of each point, or None where the points form no rows and columns.

    Cells meet half-way between neighbouring rows and columns and end at the walls.
    """
    if grid.layout == "explicit":
        return None
    x, y = lines_mm(grid)
    edges_x, edges_y = _bounds(x, grid.width_mm), _bounds(y, grid.depth_mm)
    return [
        Cell(
            float(edges_x[column]),
            float(edges_y[row]),
            float(edges_x[column + 1] - edges_x[column]),
            float(edges_y[row + 1] - edges_y[row]),
        )
        for row, column in zip(grid.row.tolist(), grid.column.tolist(), strict=True)
    ]


def outline(grid: Grid, *, grow_mm: float = 0.0, **how: Any) -> Any:
    """Return the border of the area as a patch, moved outwards by `grow_mm`. [mm]"""
    width, depth = grid.width_mm + 2 * grow_mm, grid.depth_mm + 2 * grow_mm
    if grid.shape == "round":
        return Ellipse((grid.width_mm / 2, grid.depth_mm / 2), width, depth, **how)
    return Rectangle((-grow_mm, -grow_mm), width, depth, **how)


def _nearest_distance(grid: Grid) -> float:
    points = np.column_stack([grid.x_mm, grid.y_mm])
    if len(points) < 2:
        return min(grid.width_mm, grid.depth_mm)
    apart = np.hypot(*(points[:, None, :] - points[None, :, :]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    return float(np.median(apart.min(axis=1)))


def patches(grid: Grid) -> tuple[list[Any], Floats, Floats]:
    """Return a patch for each point, and the width and height that its number may take. [mm]"""
    found = cells(grid)
    if found is None:
        across = 0.92 * _nearest_distance(grid)
        dots = [Circle((x, y), across / 2) for x, y in zip(grid.x_mm, grid.y_mm, strict=True)]
        return dots, np.full(len(dots), across * 0.95), np.full(len(dots), across * 0.8)
    boxes = [Rectangle((c.left, c.bottom), c.width, c.height) for c in found]
    return boxes, np.array([c.width for c in found]), np.array([c.height for c in found])


def numbers(grid: Grid, labels: list[str], mm_per_pt: float) -> Numbers:
    """Give each number its place and size: clear of its dot, inside its cell and the area.

    Parameters
    ----------
    grid : Grid
    labels : list of str
        The longest sets the size, so that cells alike have numbers alike.
    mm_per_pt : float
        How many millimetres of the plane one point of paper shows.
    """
    _, room_x, room_y = patches(grid)
    longest = max(3, *(len(label) for label in labels))
    size = np.minimum(0.40 * room_y, 0.86 * room_x / (longest * DIGIT_WIDTH)) / mm_per_pt
    size = np.minimum(size, _LARGEST_PT)
    if grid.shape == "round":
        size = _ROUND * size  # leaves room to keep clear of the circle
    lift = _DOT_TO_NUMBER * size * mm_per_pt
    x, y = grid.x_mm.astype(float), grid.y_mm + lift
    found = cells(grid)
    if found is not None and grid.layout != "cell-centres":
        x = np.array([c.left + c.width / 2 for c in found])
        middle = np.array([c.bottom + c.height / 2 for c in found])
        clear = np.abs(grid.y_mm - middle) > 1.4 * np.abs(lift)
        y = np.where(clear, middle, y)
    if grid.shape == "round":
        width, height = longest * DIGIT_WIDTH * size * mm_per_pt, 0.9 * size * mm_per_pt
        below = grid.y_mm - lift
        out = _beyond(grid, x, y, width, height)
        y = np.where((out > 0) & (_beyond(grid, x, below, width, height) < out), below, y)
        # What still sticks out moves towards the middle, as far as its own cell goes.
        sideways = np.clip(_beyond(grid, x, y, width, height), 0.0, (room_x - width) / 2)
        x = x - np.sign(x - grid.width_mm / 2) * sideways
    return Numbers(x_mm=x, y_mm=y, size_pt=size)


def _beyond(grid: Grid, x: Floats, y: Floats, width: Floats, height: Floats) -> Floats:
    """How far the far corner of each number lies beyond the circle; negative inside. [mm]"""
    radius = grid.width_mm / 2
    corner = np.hypot(np.abs(x - radius) + width / 2, np.abs(y - radius) + height / 2)
    return corner - radius
