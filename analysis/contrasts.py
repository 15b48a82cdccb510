"""How sure the contrasts of a map are: a spot against the field around it, corners and edges.

A contrast is one weighted sum of cells over another. What acts alike on both cancels, so it is
drawn (`analysis.monte_carlo`): the interval is that of the drawn ratios turned round the read one.
Around a spot the field is taken from the cells at most two rows and two columns away that are not
spots themselves. A spot between the points is not seen by them, nor by this.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.budget import CONFIDENCE
from analysis.causes import Budget
from analysis.deficits import corner_cells, edge_cells
from analysis.hot_spots import Spot
from analysis.monte_carlo import DRAWS, SEED, draw_together
from analysis.results import MapSummary
from analysis.uncertainty import Interval

Floats = NDArray[np.floating[Any]]
AROUND = 2
"""Rows and columns."""


def with_contrasts(map_: MapSummary, budget: Budget) -> dict[str, Any]:
    """Return the intervals of spots and deficits, as `MapUncertainty` holds them.

    Parameters
    ----------
    map_ : MapSummary
        Complete.
    budget : Budget
        Of this map.
    """
    weights = map_.grid.weights_m2
    wanted: list[tuple[Floats, Floats]] = []
    for spot in map_.spots:
        wanted.append(_around(map_, spot))
    rims = [
        (name, cells)
        for name, value, cells in (
            ("corner_deficit", map_.corner_deficit, corner_cells(map_.grid)),
            ("edge_deficit", map_.edge_deficit, edge_cells(map_.grid)),
        )
        if value is not None and (weights * cells).sum() > 0
    ]
    whole = weights / weights.sum()
    for _, cells in rims:
        part = weights * cells
        wanted.append((part / part.sum(), whole))
    if not wanted:
        return {}
    spans = _spans(budget, wanted)
    found: dict[str, Any] = {
        "spots": tuple(
            _interval(spot.excess, 1 + spot.excess, span)
            for spot, span in zip(map_.spots, spans, strict=False)
        )
    }
    for (name, _), span in zip(rims, spans[len(map_.spots) :], strict=True):
        value = float(getattr(map_, name))
        found[name] = _interval(value, -(1 - value), span)
    return found


def _around(map_: MapSummary, spot: Spot) -> tuple[Floats, Floats]:
    grid = map_.grid
    at = (grid.row == spot.row) & (grid.column == spot.column)
    near = (abs(grid.row - spot.row) <= AROUND) & (abs(grid.column - spot.column) <= AROUND)
    for other in map_.spots:
        near &= ~((grid.row == other.row) & (grid.column == other.column))
    near &= grid.weights_m2 > 0
    if not near.any():
        near = ~at & (grid.weights_m2 > 0)
    return at.astype(float), near / near.sum()


def _spans(
    budget: Budget, wanted: Sequence[tuple[Floats, Floats]]
) -> list[tuple[float, float, float]]:
    """Ends of the 95 % interval and standard deviation of each drawn ratio over the read one."""
    above = np.array([one for one, _ in wanted]).T
    below = np.array([other for _, other in wanted]).T
    read = (budget.ppfd @ above) / (budget.ppfd @ below)
    drawn = np.concatenate(
        [
            (one.ppfd @ above) / (one.ppfd @ below) / read
            for (one,) in draw_together([budget], draws=DRAWS, seed=SEED)
        ]
    )
    tail = (1 - CONFIDENCE) / 2
    low, high = np.quantile(drawn, [tail, 1 - tail], axis=0)
    spread = drawn.std(axis=0)
    return [(float(a), float(b), float(c)) for a, b, c in zip(low, high, spread, strict=True)]


def _interval(value: float, slope: float, span: tuple[float, float, float]) -> Interval:
    """Interval of a value that moves by `slope` for a relative change of its ratio."""
    low, high, spread = span
    ends = sorted((value + slope * (1 - low), value + slope * (1 - high)))
    return Interval(value=value, low=ends[0], high=ends[1], standard=abs(slope) * spread)
