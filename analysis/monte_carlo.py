"""Draws of maps that may have been true, given what was read: propagation of distributions.

For figures that no straight line follows (a minimum, a limit that is kept or not, which of several
heights is best) every cause is drawn at random and the map is worked out anew, many times. Maps of
one call share the draws of the causes that they share, so what is common to two results stays
common. Chunks bound the memory whatever the number of draws.

References
----------
.. [1] JCGM 101:2008, Propagation of distributions using a Monte Carlo method: 6.4 for the
   distributions, 7 for the procedure (from memory). A measured size with ν degrees of freedom is
   drawn from Student's t (6.4.9), which spreads wider than its standard uncertainty says.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.causes import Budget, Cause

Floats = NDArray[np.floating[Any]]

DRAWS: Final = 4000
"""Enough for the ends of a 95 % interval to stand within some 3 % of its width."""
CHUNK: Final = 4096
SEED: Final = 20260101
"""Fixed, so that a report can be rebuilt byte for byte."""


@frozen(kw_only=True, eq=False)
class Drawn:
    """One chunk of draws of one map.

    Attributes
    ----------
    ppfd : array, shape (d, n)
        [µmol m⁻² s⁻¹]
    delivered_flux_umol_s : array, shape (d,)
        What lies between the cells included. [µmol s⁻¹]
    plane_efficacy_umol_j : array, shape (d,), or None
        None where the map has none. [µmol J⁻¹]
    """

    ppfd: Floats
    delivered_flux_umol_s: Floats
    plane_efficacy_umol_j: Floats | None


def draw_together(
    budgets: Sequence[Budget], *, draws: int = DRAWS, seed: int = SEED, chunk: int = CHUNK
) -> Iterator[tuple[Drawn, ...]]:
    """Draw maps, one `Drawn` for each budget in every chunk.

    Parameters
    ----------
    budgets : sequence of Budget
        Causes of one key are drawn once for all of them.
    draws : int
        How many in all.
    seed : int
        The same seed and chunk give the same draws.
    chunk : int
        Draws at a time; sets the memory.

    Raises
    ------
    ValueError
        Fewer than one draw is asked for.
    """
    if draws < 1 or chunk < 1:
        raise ValueError(f"draws is {draws} and chunk is {chunk}; give 1 or more of each")
    random = np.random.Generator(np.random.SFC64(seed))
    shared: dict[str, Cause] = {}
    for budget in budgets:
        for one in budget.influences:
            if not one.is_per_cell:
                shared.setdefault(one.cause.key, one.cause)
    plans = [_Plan.of(budget, shared) for budget in budgets]
    for start in range(0, draws, chunk):
        count = min(chunk, draws - start)
        variables = np.empty((count, len(shared)))
        for at, cause in enumerate(shared.values()):
            variables[:, at] = _sample(random, cause, count)
        yield tuple(plan.draw(random, variables) for plan in plans)


def _sample(random: np.random.Generator, cause: Cause, count: int) -> Floats:
    if cause.distribution == "rectangular":
        return random.uniform(-math.sqrt(3.0), math.sqrt(3.0), count)
    if cause.distribution == "t" and math.isfinite(cause.degrees_of_freedom):
        return random.standard_t(cause.degrees_of_freedom, count)
    return random.standard_normal(count)


@frozen(kw_only=True, eq=False)
class _Plan:
    """A budget as matrices: a row for each shared cause, and the spread of each cell.

    Sums of independent normal variables are normal, so all causes that every cell has for itself
    are drawn as one variable a cell. One whose size was measured with few degrees of freedom
    scales its part of that spread by a draw common to all cells: it is one size, not well known.
    """

    budget: Budget
    light: Floats
    total: Floats
    efficacy: Floats
    square: Floats
    measured: tuple[tuple[Floats, float], ...]

    @classmethod
    def of(cls, budget: Budget, shared: Mapping[str, Cause]) -> _Plan:
        row = {key: at for at, key in enumerate(shared)}
        n = len(budget.ppfd)
        light, square = np.zeros((len(shared), n)), np.zeros(n)
        total, efficacy = np.zeros(len(shared)), np.zeros(len(shared))
        measured = []
        shares = budget.shares
        for one in budget.influences:
            cause = one.cause
            if not one.is_per_cell:
                at = row[cause.key]
                light[at] += one.light
                total[at] += one.total
                efficacy[at] += one.on_efficacy(shares)
            elif cause.distribution == "t" and math.isfinite(cause.degrees_of_freedom):
                measured.append((one.light**2, cause.degrees_of_freedom))
            else:
                square += one.light**2
        return cls(
            budget=budget,
            light=light,
            total=total,
            efficacy=efficacy,
            square=square,
            measured=tuple(measured),
        )

    def draw(self, random: np.random.Generator, variables: Floats) -> Drawn:
        held = self.budget
        cells = random.standard_normal((len(variables), len(self.square)))
        if self.measured:
            square = np.repeat(self.square[None, :], len(variables), axis=0)
            for size, freedom in self.measured:
                square += (freedom / random.chisquare(freedom, len(variables)))[:, None] * size
            cells *= np.sqrt(square, out=square)
        else:
            cells *= np.sqrt(self.square)
        efficacy = None
        if held.plane_efficacy_umol_j is not None:
            moved = variables @ self.efficacy + cells @ held.shares
            efficacy = held.plane_efficacy_umol_j * (1.0 + moved)
        cells += variables @ self.light
        cells += 1.0
        cells *= held.ppfd
        flux = (cells @ held.weights_m2) * (1.0 + variables @ self.total)
        return Drawn(ppfd=cells, delivered_flux_umol_s=flux, plane_efficacy_umol_j=efficacy)
