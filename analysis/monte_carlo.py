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
CHUNK: Final = 1024
"""Some hundred cells of so many draws stay in a processor's own memory."""
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
    freedom: dict[str, float] = {}
    for budget in budgets:
        for one in budget.influences:
            if not one.is_per_cell:
                shared.setdefault(one.cause.key, one.cause)
            if one.cause.is_estimated:
                freedom.setdefault(_estimate(one.cause), one.cause.degrees_of_freedom)
    plans = [_Plan.of(budget, shared) for budget in budgets]
    for start in range(0, draws, chunk):
        count = min(chunk, draws - start)
        variables = np.ones((len(shared) + 1, count))  # the last stands for the value itself
        # A normal variable times the root of this is one of Student's t.
        scale = {key: known / random.chisquare(known, count) for key, known in freedom.items()}
        for held, cause in zip(variables, shared.values(), strict=False):
            held[:] = _sample(random, cause, count)
            if cause.is_estimated:
                held *= np.sqrt(scale[_estimate(cause)])
        yield tuple(plan.draw(random, variables, scale) for plan in plans)


def _sample(random: np.random.Generator, cause: Cause, count: int) -> Floats:
    if cause.distribution == "rectangular":
        return random.uniform(-math.sqrt(3.0), math.sqrt(3.0), count)
    return random.standard_normal(count)


def _estimate(cause: Cause) -> str:
    return cause.estimate or cause.key


@frozen(kw_only=True, eq=False)
class _Plan:
    """A budget as matrices, a row for each shared cause and a last one for the value read.

    Sums of independent normal variables are normal, so all causes that every cell has for itself
    are drawn as one variable a cell. One whose size was measured with few degrees of freedom
    scales its part of that spread by a draw common to all that rests on this estimate: it is one
    size, not well known.

    Attributes
    ----------
    ppfd : array, shape (causes + 1, n)
        Of each cell. [µmol m⁻² s⁻¹]
    estimates : tuple of str
        Each estimate that scales what cells have for themselves.
    square : array, shape (estimates + 1, n)
        Variance of each cell by those, and last by what is well known. [µmol² m⁻⁴ s⁻²]
    total : array, shape (causes + 1,)
        Of the flux over the sum of its cells. [1]
    efficacy : array, shape (causes + 1,), or None
        What the shared causes do to it; None where the map has none. [µmol J⁻¹]
    efficacy_of_cells : array, shape (n,)
        What each cell does to it. [µmol J⁻¹ per µmol m⁻² s⁻¹]
    """

    weights_m2: Floats
    ppfd: Floats
    estimates: tuple[str, ...]
    square: Floats
    total: Floats
    efficacy: Floats | None
    efficacy_of_cells: Floats

    @classmethod
    def of(cls, budget: Budget, shared: Mapping[str, Cause]) -> _Plan:
        row = {key: at for at, key in enumerate(shared)}
        last, n = len(shared), len(budget.ppfd)
        light, well_known = np.zeros((last + 1, n)), np.zeros(n)
        total, efficacy = np.zeros(last + 1), np.zeros(last + 1)
        light[last] = total[last] = efficacy[last] = 1.0
        squares: dict[str, Floats] = {}
        shares = budget.shares
        for one in budget.influences:
            cause, own = one.cause, (one.light * budget.ppfd) ** 2
            if not one.is_per_cell:
                at = row[cause.key]
                light[at] += one.light
                total[at] += one.total
                efficacy[at] += one.on_efficacy(shares)
            elif cause.is_estimated:
                squares[_estimate(cause)] = squares.get(_estimate(cause), 0.0) + own
            else:
                well_known += own
        stated = budget.plane_efficacy_umol_j
        return cls(
            weights_m2=budget.weights_m2,
            ppfd=light * budget.ppfd,
            estimates=tuple(squares),
            square=np.array([*squares.values(), well_known]),
            total=total,
            efficacy=None if stated is None else efficacy * stated,
            efficacy_of_cells=budget.weights_m2 / (budget.weights_m2 @ budget.ppfd) * (stated or 0),
        )

    def draw(
        self, random: np.random.Generator, variables: Floats, scale: Mapping[str, Floats]
    ) -> Drawn:
        known = np.ones(variables.shape[1])
        beside = np.array([*(scale[key] for key in self.estimates), known]).T @ self.square
        cells = random.standard_normal(beside.shape)
        cells *= np.sqrt(beside, out=beside)
        efficacy = None
        if self.efficacy is not None:
            efficacy = self.efficacy @ variables + cells @ self.efficacy_of_cells
        cells += np.matmul(variables.T, self.ppfd, out=beside)
        flux = (cells @ self.weights_m2) * (self.total @ variables)
        return Drawn(ppfd=cells, delivered_flux_umol_s=flux, plane_efficacy_umol_j=efficacy)
