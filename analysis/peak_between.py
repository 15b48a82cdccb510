"""What the highest reading of a grid can miss of the peak between its points.

Through the peak cell and its two neighbours along each axis goes one quadratic in x and one in y;
their vertices, added up, are the peak. Two quadratics are taken, and the peak is anywhere from one
to the other with equal chance:

- of ln PPFD, which follows a broad bell and falls short under a close source;
- of 1 / √PPFD, which under a Lambertian point source is *exactly* quadratic in x and y (cos⁴ law:
  1 / √E ∝ h² + x² + y²) and overshoots under sources that throw their light narrower (under cosⁿ
  it is E to the power −2 / (n + 3) that is quadratic).

Where the peak cell lies at the border, the field is taken as mirrored there. Worked with source,
pitch and height in `tests/analysis/test_peak_between.py`. A peak narrower than the pitch, such as
one facet throws, can lie between points unseen by this or any other rule.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.grid import SAME_PLACE_MM, Grid

Floats = NDArray[np.floating[Any]]
Integers = NDArray[np.int64]

MOST_RISE: Final = 2.0
"""The square root of the peak is never put above so many times that of the highest cell."""


@frozen(kw_only=True, eq=False)
class Neighbours:
    """The neighbours of every point along each axis, lower coordinate first.

    Attributes
    ----------
    index : array of int, shape (2, 2, n)
        Axis (x, y), side, point.
    distance_mm : array, shape (2, 2, n)
        [mm]
    """

    index: Integers
    distance_mm: Floats


def neighbours(grid: Grid) -> Neighbours | None:
    """Find the neighbours of every point; None where the points form no rows and columns.

    A point at the border has its own mirror image for a neighbour; one on the border, the mirror
    image of the neighbour inside.
    """
    if grid.layout == "explicit":
        return None
    index = np.empty((2, 2, len(grid)), dtype=np.int64)
    distance_mm = np.empty((2, 2, len(grid)))
    here = np.arange(len(grid))
    for axis, (at_mm, extent_mm) in enumerate(
        ((grid.x_mm, grid.width_mm), (grid.y_mm, grid.depth_mm))
    ):
        for side, step in enumerate((-1, 1)):
            row = grid.row + (step if axis == 1 else 0)
            column = grid.column + (step if axis == 0 else 0)
            found = grid.index_of(row, column)
            to_border_mm = at_mm if side == 0 else extent_mm - at_mm
            inside = np.abs(at_mm[found] - at_mm)
            index[axis, side] = np.where(found >= 0, found, here)
            distance_mm[axis, side] = np.where(found >= 0, inside, 2 * to_border_mm)
        for side in (0, 1):
            on_border = distance_mm[axis, side] <= SAME_PLACE_MM
            for held in (index, distance_mm):
                held[axis, side] = np.where(on_border, held[axis, 1 - side], held[axis, side])
    return Neighbours(index=index, distance_mm=np.maximum(distance_mm, SAME_PLACE_MM))


def peak_between(
    beside: Neighbours | None, ln_ppfd: Floats
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Find the peak of maps, on the grid and between its points.

    Parameters
    ----------
    beside : Neighbours or None
        Of the grid; with None nothing is said of what lies between.
    ln_ppfd : array, shape (…, n)
        Natural logarithm of PPFD in µmol m⁻² s⁻¹, complete.

    Returns
    -------
    least, most : array, shape (…)
        Natural logarithm of the peak by the two quadratics.
    cell : array of int, shape (…)
        The highest cell.
    """
    cell = ln_ppfd.argmax(axis=-1)

    def value_at(place: Integers) -> Floats:
        return np.take_along_axis(ln_ppfd, place[..., None], axis=-1)[..., 0]

    here = value_at(cell)
    if beside is None:
        return here, here, cell
    by_log, by_root = np.zeros_like(here), np.zeros_like(here)
    for axis in (0, 1):
        sides = [value_at(beside.index[axis, side][cell]) for side in (0, 1)]
        away = [beside.distance_mm[axis, side][cell] for side in (0, 1)]
        by_log += _rise(*(here - side for side in sides), *away)
        # In units of the root of the highest cell, so that nothing overflows.
        by_root += _rise(*(np.exp((here - side) / 2) - 1 for side in sides), *away)
    most = here - 2 * np.log(np.maximum(1 - by_root, 1 / MOST_RISE))
    return here + by_log, most, cell


def _rise(drop_before: Floats, drop_after: Floats, before_mm: Floats, after_mm: Floats) -> Floats:
    """Height of the vertex over the middle one of three points of a parabola.

    Parameters
    ----------
    drop_before, drop_after : array
        How far the neighbours lie below the middle, 0 or more. [any unit]
    before_mm, after_mm : array
        How far away they are. [mm]
    """
    slope_before, slope_after = drop_before / before_mm, drop_after / after_mm
    bend = (slope_before + slope_after) / (before_mm + after_mm)
    lean = slope_before - bend * before_mm
    flat = bend <= 0
    return np.where(flat, 0.0, lean**2 / (4 * np.where(flat, 1.0, bend)))
