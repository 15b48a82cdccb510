"""Corner and edge deficit: how far the rim of the plane falls below the rest.

::

    c e e e c      c  corner points, where an outermost row meets an outermost column
    e . . . e      e  edge points, the rest of the outermost rows and columns
    e . . . e      .  inner points
    c e e e c

Each group is averaged by area and set against the area-weighted mean of the whole plane, and
against the inner points. The two are kept apart because they have different cures: a round
beam loses the corners of a square, while a lamp that hangs too high loses corners and edges.

A round area has no corners; its edge points are those that lack a neighbour on one of their
four sides. A list of points that forms no lattice has neither.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

from analysis.grid import Grid

Booleans = NDArray[np.bool_]


@frozen(kw_only=True)
class Deficits:
    """How far corners and edges fall below mean and inner points; None where not stated.

    Attributes
    ----------
    corner_below_mean, edge_below_mean : float or None
        1 less the group's mean over the mean of the plane. Below 0 where the group is brighter.
        [fraction]
    corner_below_inner, edge_below_inner : float or None
        The same against the mean of the inner points. [fraction]
    reason : str
        Why something is not stated; empty if all is.
    """

    corner_below_mean: float | None = None
    corner_below_inner: float | None = None
    edge_below_mean: float | None = None
    edge_below_inner: float | None = None
    reason: str = ""


def deficits(grid: Grid, ppfd: ArrayLike) -> Deficits:
    """Work out the corner and the edge deficit of a map.

    Parameters
    ----------
    grid : Grid
        Points and areas. Points of no area are left out.
    ppfd : array, shape (n,)
        PPFD of each point, NaN where missing. [µmol m⁻² s⁻¹]

    Returns
    -------
    Deficits
        Nothing is stated for an incomplete map, a map without light, a grid that is no lattice
        or has fewer than three rows or columns.

    Raises
    ------
    ValueError
        `ppfd` has not one value for each point.
    """
    values = np.asarray(ppfd, dtype=float)
    if values.shape != (len(grid),):
        raise ValueError(f"{values.size} values for {len(grid)} points; give one for each point")
    counted = grid.weights_m2 > 0
    is_lattice = grid.layout != "explicit" or len(grid) == grid.rows * grid.columns
    if not is_lattice or min(grid.rows, grid.columns) < 3:
        return Deficits(
            reason="corner and edge deficit take a lattice of at least 3 rows and 3 columns"
        )
    missing = int(np.isnan(values[counted]).sum())
    if missing:
        return Deficits(
            reason=f"{missing} of {int(counted.sum())} points have no value; corner and edge "
            "deficit take a complete map"
        )
    rim = _rim(grid) & counted
    corner = corner_cells(grid) & counted
    edge = edge_cells(grid) & counted
    inner = counted & ~rim
    mean = _mean(grid, values, counted)
    if mean is None or not mean > 0:
        return Deficits(reason="the mean of the map is not above 0")
    inner_mean = _mean(grid, values, inner)
    has_corners = bool(corner.any())
    return Deficits(
        corner_below_mean=_below(_mean(grid, values, corner), mean),
        corner_below_inner=_below(_mean(grid, values, corner), inner_mean),
        edge_below_mean=_below(_mean(grid, values, edge), mean),
        edge_below_inner=_below(_mean(grid, values, edge), inner_mean),
        reason="" if has_corners else "a round area has no corners",
    )


def corner_cells(grid: Grid) -> Booleans:
    """Points in the corners of the plane, shape (n,); none of a round one."""
    if grid.shape == "round":
        return np.zeros(len(grid), dtype=bool)
    return np.isin(grid.row, (0, grid.rows - 1)) & np.isin(grid.column, (0, grid.columns - 1))


def edge_cells(grid: Grid) -> Booleans:
    """Points along the walls that are no corners, shape (n,)."""
    return _rim(grid) & ~corner_cells(grid)


def _rim(grid: Grid) -> Booleans:
    """Points that lack a neighbour above, below, left or right."""
    rim = np.zeros(len(grid), dtype=bool)
    for down, over in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        rim |= grid.index_of(grid.row + down, grid.column + over) < 0
    return rim


def _mean(grid: Grid, values: NDArray[Any], group: Booleans) -> float | None:
    if not group.any():
        return None
    return float(np.average(values[group], weights=grid.weights_m2[group]))


def _below(group: float | None, level: float | None) -> float | None:
    if group is None or level is None or not level > 0:
        return None
    return 1 - group / level
