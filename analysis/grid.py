"""The measurement grid: where the points lie, and which area each one stands for.

::

    y ^        columns ->            cell centres (3 × 4)     edge-inclusive (3 × 4)
      |   +----+----+----+----+      points in the middle     points on the border too;
    d |   | .  | .  | .  | .  |      of equal cells           trapezoid weights: half an
    e |   +----+----+----+----+                               inner cell on a side, a
    p |   | .  | .  | .  | .  |                               quarter in a corner
    t |   +----+----+----+----+
    h |   | .  | .  | .  | .  |      row 0 is the row with the smallest y,
      |   +----+----+----+----+      column 0 the column with the smallest x
      0 ----------- width --------> x

A point stands for the part of the area that lies nearer to its line than to the next one:
the borders run half-way between neighbouring lines and end at the border of the area. For
cell centres that gives the cells themselves, for edge-inclusive points the trapezoid rule,
and for uneven lines the trapezoid rule with the ends carried to the border.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

from analysis.grid_plan import SAME_PLACE_MM, GridError, GridPlan, read_grid_plan

__all__ = ["Grid", "GridError", "grid_from_plan", "serpentine"]


Floats = NDArray[np.floating[Any]]
Integers = NDArray[np.int64]


@frozen(kw_only=True, eq=False)
class Grid:
    """Points of the measurement plane and the area that each stands for.

    Attributes
    ----------
    layout : str
        One of `LAYOUTS`.
    shape : str
        ``"rectangle"`` or ``"round"``, the shape of the area.
    rows, columns : int
        Size of the matrix that `to_matrix` makes.
    width_mm, depth_mm : float
        Extent of the area along x and y; both are the diameter of a round one. [mm]
    x_mm, y_mm : array, shape (n,)
        Positions from the corner of the plane, row by row. [mm]
    weights_m2 : array, shape (n,)
        Area that each point stands for. [m²]
    row, column : array of int, shape (n,)
        Place of each point in the matrix, counted from 0.
    """

    layout: str
    shape: str
    rows: int
    columns: int
    width_mm: float
    depth_mm: float
    x_mm: Floats
    y_mm: Floats
    weights_m2: Floats
    row: Integers
    column: Integers

    def __len__(self) -> int:
        return len(self.x_mm)

    @property
    def label(self) -> str:
        """What stands beside every uniformity figure, e.g. ``"9 × 9 points"``."""
        if self.layout == "explicit":
            return f"{len(self)} listed points"
        lattice = f"{self.rows} × {self.columns}"
        count = f"{lattice} points"
        if len(self) != self.rows * self.columns:
            count = f"{len(self)} points of {lattice}"
        extra = {"edge-inclusive": ", edges included", "lines": ", uneven lines"}
        return count + extra.get(self.layout, "")

    @property
    def area_m2(self) -> float:
        """Area that all points together stand for. [m²]"""
        return float(self.weights_m2.sum())

    @property
    def centre_is_read(self) -> bool:
        """Whether a point lies at the centre of the area, where the peak is often found."""
        off_mm = np.hypot(self.x_mm - self.width_mm / 2, self.y_mm - self.depth_mm / 2)
        return bool((off_mm <= SAME_PLACE_MM).any())

    def to_matrix(self, values: ArrayLike) -> Floats:
        """Lay values of the points out as rows and columns.

        Parameters
        ----------
        values : array, shape (n,)
            One value for each point.

        Returns
        -------
        array, shape (rows, columns)
            Row 0 is at the smallest y. NaN where the grid has no point.
        """
        matrix = np.full((self.rows, self.columns), math.nan)
        matrix[self.row, self.column] = np.asarray(values, dtype=float)
        return matrix

    def index_of(self, row: ArrayLike, column: ArrayLike) -> Integers:
        """Find the points at these places of the matrix.

        Parameters
        ----------
        row, column : array of int, shape (k,)
            Places, counted from 0.

        Returns
        -------
        array of int, shape (k,)
            Index of each point, −1 where the grid has none.
        """
        lookup = np.full((self.rows, self.columns), -1, dtype=np.int64)
        lookup[self.row, self.column] = np.arange(len(self))
        row_, column_ = np.asarray(row, dtype=np.int64), np.asarray(column, dtype=np.int64)
        inside = (row_ >= 0) & (row_ < self.rows) & (column_ >= 0) & (column_ < self.columns)
        found = np.full(row_.shape, -1, dtype=np.int64)
        found[inside] = lookup[row_[inside], column_[inside]]
        return found

    def is_same_as(self, other: Grid) -> bool:
        """Whether both have the same points with the same areas, so that figures compare."""
        return (
            len(self) == len(other)
            and self.shape == other.shape
            and bool(np.allclose(self.x_mm, other.x_mm, rtol=0, atol=SAME_PLACE_MM))
            and bool(np.allclose(self.y_mm, other.y_mm, rtol=0, atol=SAME_PLACE_MM))
            and bool(np.allclose(self.weights_m2, other.weights_m2, rtol=1e-6, atol=0))
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "layout": self.layout,
            "shape": self.shape,
            "label": self.label,
            "rows": self.rows,
            "columns": self.columns,
            "width_mm": self.width_mm,
            "depth_mm": self.depth_mm,
            "area_m2": self.area_m2,
            "centre_is_read": self.centre_is_read,
            "x_mm": self.x_mm.tolist(),
            "y_mm": self.y_mm.tolist(),
            "weights_m2": self.weights_m2.tolist(),
            "row": self.row.tolist(),
            "column": self.column.tolist(),
        }


def grid_from_plan(plan: Mapping[str, Any]) -> Grid:
    """Build the grid that the tables ``[area]`` and ``[grid]`` of a test plan describe.

    On a round area the lattice spans the square around the circle. Points outside the circle
    are not read; each cell is clipped at the circle, and the slivers that belong to cells
    without a point go to the nearest point (in equal parts to equally near ones), so that the
    areas add up to that of the circle.

    Parameters
    ----------
    plan : mapping
        The plan as `tomllib` reads it.

    Raises
    ------
    GridError
        With all faults: an unknown layout or shape, sizes or counts that are not positive,
        lines that do not rise or lie outside the area, point lists of different lengths,
        two points at one place, areas below 0 or adding up to more than the area.
    """
    wanted = read_grid_plan(plan)
    width_mm, depth_mm = wanted.width_mm, wanted.depth_mm
    if wanted.layout == "explicit":
        return _explicit(wanted)
    x_lines, y_lines = wanted.x_mm, wanted.y_mm
    if wanted.layout != "lines":
        place = _centres if wanted.layout == "cell-centres" else _with_edges
        x_lines, y_lines = place(width_mm, wanted.columns), place(depth_mm, wanted.rows)
    return _lattice(wanted.layout, wanted.shape, width_mm, depth_mm, x_lines, y_lines)


def serpentine(grid: Grid) -> Integers:
    """Order the points so that a stage goes forth along one row and back along the next.

    Returns
    -------
    array of int, shape (n,)
        Indices of the points in the order of reading, row 0 first, left to right.
    """
    along = np.where(grid.row % 2 == 0, grid.column, -grid.column)
    return np.lexsort((along, grid.row))


def _centres(extent_mm: float, count: int) -> Floats:
    return (np.arange(count) + 0.5) * (extent_mm / count)


def _with_edges(extent_mm: float, count: int) -> Floats:
    return np.linspace(0.0, extent_mm, count)


def _borders(lines_mm: Floats, extent_mm: float) -> Floats:
    """Borders between the strips of neighbouring lines, the area's own border at both ends."""
    return np.concatenate(([0.0], (lines_mm[1:] + lines_mm[:-1]) / 2, [extent_mm]))


def _lattice(
    layout: str, shape: str, width_mm: float, depth_mm: float, x_lines: Floats, y_lines: Floats
) -> Grid:
    x_borders, y_borders = _borders(x_lines, width_mm), _borders(y_lines, depth_mm)
    row, column = (index.ravel() for index in np.indices((len(y_lines), len(x_lines))))
    x_mm, y_mm = x_lines[column], y_lines[row]
    if shape == "round":
        radius_mm = width_mm / 2
        areas_mm2 = _area_in_circle(
            x_borders[column] - radius_mm,
            x_borders[column + 1] - radius_mm,
            y_borders[row] - radius_mm,
            y_borders[row + 1] - radius_mm,
            radius_mm,
        )
        inside = np.hypot(x_mm - radius_mm, y_mm - radius_mm) <= radius_mm + SAME_PLACE_MM
        if not inside.any():
            raise GridError(["grid: no point lies inside the round area; use more rows"])
        areas_mm2 = _hand_over_slivers(x_mm, y_mm, areas_mm2, inside)
        row, column, x_mm, y_mm = row[inside], column[inside], x_mm[inside], y_mm[inside]
    else:
        areas_mm2 = np.diff(x_borders)[column] * np.diff(y_borders)[row]
    return Grid(
        layout=layout,
        shape=shape,
        rows=len(y_lines),
        columns=len(x_lines),
        width_mm=width_mm,
        depth_mm=depth_mm,
        x_mm=x_mm,
        y_mm=y_mm,
        weights_m2=areas_mm2 * 1e-6,
        row=row.astype(np.int64),
        column=column.astype(np.int64),
    )


def _area_in_circle(x0: Floats, x1: Floats, y0: Floats, y1: Floats, radius: float) -> Floats:
    """Area of rectangles inside a circle around the origin, by integrating the chord over x."""

    def below_chord(x: Floats, y: Floats) -> Floats:
        # Integral from 0 to x of y held between the two ends of the chord at each x.
        reach = np.minimum(np.abs(x), radius)
        flat_to = np.sqrt(np.maximum(radius**2 - y**2, 0.0))
        flat = np.minimum(reach, flat_to)
        beyond = segment(reach) - segment(flat)
        return np.sign(x) * (y * flat + np.sign(y) * beyond)

    def segment(x: Floats) -> Floats:
        # Integral from 0 to x of half the chord.
        return 0.5 * (
            x * np.sqrt(np.maximum(radius**2 - x**2, 0.0)) + radius**2 * np.arcsin(x / radius)
        )

    return below_chord(x1, y1) - below_chord(x0, y1) - below_chord(x1, y0) + below_chord(x0, y0)


def _hand_over_slivers(
    x_mm: Floats, y_mm: Floats, areas: Floats, inside: NDArray[np.bool_]
) -> Floats:
    kept = areas[inside].copy()
    for index in np.flatnonzero(~inside & (areas > 0)):
        away = np.hypot(x_mm[inside] - x_mm[index], y_mm[inside] - y_mm[index])
        nearest = away <= away.min() + SAME_PLACE_MM
        kept[nearest] += areas[index] / nearest.sum()
    return kept


def _explicit(wanted: GridPlan) -> Grid:
    x_mm, y_mm = wanted.x_mm, wanted.y_mm
    columns, column = np.unique(np.round(x_mm, 2), return_inverse=True)
    rows, row = np.unique(np.round(y_mm, 2), return_inverse=True)
    order = np.lexsort((column, row))
    return Grid(
        layout="explicit",
        shape=wanted.shape,
        rows=len(rows),
        columns=len(columns),
        width_mm=wanted.width_mm,
        depth_mm=wanted.depth_mm,
        x_mm=x_mm[order],
        y_mm=y_mm[order],
        weights_m2=wanted.weights_m2[order],
        row=row[order].astype(np.int64),
        column=column[order].astype(np.int64),
    )
