"""How sure the contrasts of a map are: a spot against the field around it, corners and edges.

A contrast is one weighted sum of cells over another. What acts alike on both cancels, so it is
drawn (`analysis.monte_carlo`): the interval is that of the drawn ratios turned round the read one.
Around a spot the field is taken from the cells at most two rows and two columns away that are not
spots themselves. A spot between the points is not seen by them, nor by this.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.budget import CONFIDENCE
from analysis.causes import Budget
from analysis.deficits import corner_cells, edge_cells
from analysis.hot_spots import Spot
from analysis.results import MapSummary
from analysis.uncertainty import Interval

Floats = NDArray[np.floating[Any]]
AROUND = 2
"""Rows and columns."""


class Contrasts:
    """The contrasts of one map: shown its draws one chunk after another, it states intervals.

    Parameters
    ----------
    map_ : MapSummary
        Complete.
    budget : Budget
        Of this map.
    """

    def __init__(self, map_: MapSummary, budget: Budget) -> None:
        self._map = map_
        weights = map_.grid.weights_m2
        wanted = [_around(map_, spot) for spot in map_.spots]
        rims = (
            ("corner_deficit", map_.corner_deficit, corner_cells(map_.grid)),
            ("edge_deficit", map_.edge_deficit, edge_cells(map_.grid)),
        )
        self._rims = []
        for name, value, cells in rims:
            part = weights * cells
            if value is not None and part.sum() > 0:
                self._rims.append((name, value))
                wanted.append((part / part.sum(), weights / weights.sum()))
        self._above = np.array([one for one, _ in wanted]).T
        self._below = np.array([other for _, other in wanted]).T
        self._read = self._ratios(budget.ppfd) if wanted else None
        self._drawn: list[Floats] = []

    def see(self, ppfd: Floats) -> None:
        """Take a chunk of drawn maps, shape (d, n). [µmol m⁻² s⁻¹]"""
        if self._read is not None:
            self._drawn.append(self._ratios(ppfd) / self._read)

    def intervals(self) -> dict[str, Any]:
        """Return the intervals of spots and deficits, as `MapUncertainty` holds them."""
        if self._read is None:
            return {}
        spans = _spans(np.concatenate(self._drawn))
        spots = self._map.spots
        found: dict[str, Any] = {
            "spots": tuple(
                _interval(spot.excess, 1 + spot.excess, span)
                for spot, span in zip(spots, spans, strict=False)
            )
        }
        for (name, value), span in zip(self._rims, spans[len(spots) :], strict=True):
            found[name] = _interval(value, -(1 - value), span)
        return found

    def _ratios(self, ppfd: Floats) -> Floats:
        return (ppfd @ self._above) / (ppfd @ self._below)


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


def _spans(drawn: Floats) -> list[tuple[float, float, float]]:
    """Ends of the 95 % interval and standard deviation of each drawn ratio over the read one."""
    tail = (1 - CONFIDENCE) / 2
    low, high = np.quantile(drawn, [tail, 1 - tail], axis=0)
    spread = drawn.std(axis=0)
    return [(float(a), float(b), float(c)) for a, b, c in zip(low, high, spread, strict=True)]


def _interval(value: float, slope: float, span: tuple[float, float, float]) -> Interval:
    """Interval of a value that moves by `slope` for a relative change of its ratio."""
    low, high, spread = span
    ends = sorted((value + slope * (1 - low), value + slope * (1 - high)))
    return Interval(value=value, low=ends[0], high=ends[1], standard=abs(slope) * spread)
