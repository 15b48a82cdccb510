"""Two maps at one height, cell by cell: by how much per cent the light differs, and what is noise.

The difference of a cell is b ÷ a − 1. Its noise is worked out from the budgets of the maps
(`analysis.causes`): what one cause does to the cell in both maps cancels as far as it acts alike,
so the calibration of one sensor leaves nothing, and a tilted sensor leaves little. How a device
hangs is added as declared, or from three hangings on as its maps scatter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.budget import CONFIDENCE
from analysis.causes import Cause
from analysis.effects import Effect, taken_off
from analysis.grid import Grid
from analysis.plane_results import ENOUGH_INSTALLATIONS
from analysis.results import MapSummary

Floats = NDArray[np.floating[Any]]


class DifferentGridsError(ValueError):
    """Two maps of different grids have no cells in common."""


@frozen(kw_only=True, eq=False)
class Difference:
    """The light of one device over that of another at one height.

    Attributes
    ----------
    grid : Grid
    relative : array, shape (n,)
        b ÷ a − 1 of each cell. [fraction]
    half_width : array, shape (n,)
        Of its 95 % interval. [fraction]
    of_flux : float
        b ÷ a − 1 of the delivered flux. [fraction]
    """

    grid: Grid
    relative: Floats
    half_width: Floats
    of_flux: float

    @property
    def is_noise(self) -> NDArray[np.bool_]:
        """Whether the interval of each cell holds 0, shape (n,)."""
        return np.asarray(np.abs(self.relative) <= self.half_width)


def difference(
    a: Sequence[MapSummary], b: Sequence[MapSummary], effects: Sequence[Effect] = ()
) -> Difference:
    """Set the light of two devices side by side, cell by cell.

    Parameters
    ----------
    a, b : sequence of MapSummary
        Complete maps of each with a budget, one for each hanging; their mean is taken.
    effects : sequence of Effect
        What stands between the two beside their devices; taken off every cell alike.

    Raises
    ------
    DifferentGridsError
        Not all maps have one grid.
    """
    grid = a[0].grid
    for one in (*a, *b):
        if not one.grid.is_same_as(grid):
            raise DifferentGridsError(
                f"{grid.label} and {one.grid.label} have no cells in common"
                if grid.label != one.grid.label
                else f"both have {grid.label}, in other places or for other areas"
            )
    of_a, of_b = (np.mean([one.ppfd for one in maps], axis=0) for maps in (a, b))
    sizes = _sizes(a, -1.0)
    for key, (cause, light) in _sizes(b, 1.0).items():
        held = sizes.get(key)
        sizes[key] = (cause, light if held is None else held[1] + light)
    square, tail = np.zeros(len(of_a)), np.zeros(len(of_a))
    terms = [(light**2, cause.degrees_of_freedom) for cause, light in sizes.values()]
    terms += [term for maps in (a, b) for term in (*_per_cell(maps), _hanging(maps))]
    terms += [(np.full(len(of_a), one.standard**2), math.inf) for one in effects]
    for term, freedom in terms:
        square += term
        tail += term**2 / freedom
    flux = float(grid.weights_m2 @ of_b / (grid.weights_m2 @ of_a))
    ratio = of_b / of_a * taken_off(1.0, effects)
    return Difference(
        grid=grid,
        relative=ratio - 1.0,
        half_width=ratio * _coverage(square, tail) * np.sqrt(square),
        of_flux=taken_off(flux, effects) - 1.0,
    )


def _sizes(maps: Sequence[MapSummary], sign: float) -> dict[str, tuple[Cause, Floats]]:
    """What one standard deviation of each cause does to the mean of the maps, cell by cell."""
    held: dict[str, tuple[Cause, Floats]] = {}
    for one in maps:
        for influence in () if one.budget is None else one.budget.influences:
            if influence.is_per_cell:
                continue
            light = sign * influence.light / len(maps)
            before = held.get(influence.cause.key)
            held[influence.cause.key] = (
                influence.cause,
                light if before is None else before[1] + light,
            )
    return held


def _per_cell(maps: Sequence[MapSummary]) -> list[tuple[Floats, float]]:
    """Squares of what every cell has for itself, with their degrees of freedom."""
    return [
        (influence.light**2 / len(maps) ** 2, influence.cause.degrees_of_freedom)
        for one in maps
        if one.budget is not None
        for influence in one.budget.influences
        if influence.is_per_cell
    ]


def _hanging(maps: Sequence[MapSummary]) -> tuple[Floats, float]:
    """Square of what hanging does to each cell of the mean, with its degrees of freedom."""
    count, size = len(maps), len(maps[0].ppfd)
    if count >= ENOUGH_INSTALLATIONS:
        light = np.array([one.ppfd for one in maps])
        # One spread for all cells: of each by itself it would be known to two readings or so.
        square = float(np.mean(light.var(axis=0, ddof=1) / light.mean(axis=0) ** 2))
        return np.full(size, square / count), count - 1.0
    declared = 0.0 if maps[0].budget is None else maps[0].budget.reinstallation
    return np.full(size, declared**2 / count), math.inf


def _coverage(square: Floats, tail: Floats) -> Floats:
    """Coverage factor of each cell, after Welch and Satterthwaite; see `analysis.budget`."""
    from scipy.special import ndtri, stdtrit  # here, so that importing stays quick

    probability = (1 + CONFIDENCE) / 2
    known = tail > 0
    factor = np.full(len(square), float(ndtri(probability)))
    factor[known] = stdtrit(square[known] ** 2 / tail[known], probability)
    return factor
