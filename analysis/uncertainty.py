"""How sure the figures of one map are, and the ratio of two plane efficacies.

Sums (delivered flux, mean PPFD, plane efficacy, coefficient of variation, a ratio) follow straight
lines closely enough: they are propagated to first order with the package `uncertainties`, in which
a cause that two results share is one variable. A minimum and what is divided by it are propagated
by drawing (`analysis.monte_carlo`).

**Minimum, minimum-to-mean and the like** are those of the points of the grid without noise. The
smallest of many noisy readings is too small, on average by what the drawn minima lie below the read
one; the interval is that of the drawn deviations turned round the read value, which takes that bias
off. No interval is stated for the minimum of the continuous field: a grid does not know it.

References
----------
.. [1] JCGM 100:2008, 5.1, 5.2 and G.4 (from memory).
.. [2] JCGM 101:2008 (from memory).
.. [3] A. C. Davison and D. V. Hinkley, Bootstrap Methods and their Application (1997), 2.4: the
   basic interval (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import NDArray

from analysis.budget import CONFIDENCE, Combined, Term, effective_degrees_of_freedom
from analysis.causes import DECLARED, MEASURED, Budget, Cause, Influence
from analysis.monte_carlo import DRAWS, SEED, draw_together
from analysis.uniformity import uniformity_of_draws

Floats = NDArray[np.floating[Any]]
Sizes = Mapping[Cause, float]
"""Relative effect of one standard deviation of each cause on a result. [fraction]"""

IS_SHARE: Final = (0.0, 1.0)
POSSIBLE: Final[Mapping[str, tuple[float, float]]] = {
    "minimum": (0.0, math.inf),
    "maximum": (0.0, math.inf),
    "max_to_mean": (1.0, math.inf),
    "christiansen": (-math.inf, 1.0),
}
"""Least and greatest value that a figure of evenness can have; `IS_SHARE` for all others."""


@frozen(kw_only=True)
class Interval:
    """A value and the 95 % interval of what was measured.

    Attributes
    ----------
    value : float
        The best estimate; for the coefficient of variation, the minimum and minimum-to-mean
        with the bias taken off.
    low, high : float
        Ends of the interval.
    standard : float
        Standard uncertainty.
    degrees_of_freedom : float
        Effective; infinite for what was drawn.
    """

    value: float
    low: float
    high: float
    standard: float
    degrees_of_freedom: float = math.inf

    @property
    def half_width(self) -> float:
        """Half the length of the interval."""
        return (self.high - self.low) / 2

    @property
    def relative_half_width(self) -> float:
        """Half the length of the interval over the value. [fraction]"""
        return self.half_width / abs(self.value) if self.value else math.nan


@frozen(kw_only=True)
class BudgetRow:
    """One line of the budget: all causes of one name.

    Attributes
    ----------
    name, distribution, source : str
    kind : str
        ``"A"`` measured, ``"B"`` declared, ``"A, B"`` for both.
    degrees_of_freedom : float
    percent : float
        Standard uncertainty that it gives the plane efficacy; the delivered flux where there is
        no plane efficacy. [%]
    share : float
        Of the variance. [fraction]
    is_default : bool
        Whether any of it is our default.
    """

    name: str
    kind: str
    distribution: str
    degrees_of_freedom: float
    source: str
    percent: float
    share: float
    is_default: bool


@frozen(kw_only=True)
class MapUncertainty:
    """Intervals of one map; None where the figure itself is not stated.

    Attributes
    ----------
    delivered_flux_umol_s, mean_ppfd_umol_m2_s : Interval
    plane_efficacy_umol_j : Interval or None
    coefficient_of_variation : Interval or None
        Of the continuous field. [fraction]
    wall_power : float
        Relative half-width of the 95 % interval of the wall power. [fraction]
    at_points : mapping of str to Interval
        Attribute of `analysis.uniformity.Uniformity` → interval of what the points of the grid
        would give without noise.
    rows : tuple of BudgetRow
        The largest first.
    is_default : bool
        Whether any figure of the budget is our default.
    assumptions : tuple of str
        Plain sentences.
    spots : tuple of Interval
        Of the excess of each spot of the map, in its order; see `analysis.contrasts`. [fraction]
    corner_deficit, edge_deficit : Interval or None
        [fraction]
    """

    delivered_flux_umol_s: Interval
    mean_ppfd_umol_m2_s: Interval
    plane_efficacy_umol_j: Interval | None
    coefficient_of_variation: Interval | None
    wall_power: float
    at_points: Mapping[str, Interval]
    rows: tuple[BudgetRow, ...] = field(repr=False)
    is_default: bool
    assumptions: tuple[str, ...]
    spots: tuple[Interval, ...] = ()
    corner_deficit: Interval | None = None
    edge_deficit: Interval | None = None

    @property
    def minimum(self) -> Interval:
        """Of the lowest point. [µmol m⁻² s⁻¹]"""
        return self.at_points["minimum"]

    @property
    def min_to_mean(self) -> Interval:
        """Of the lowest point over the mean. [fraction]"""
        return self.at_points["min_to_mean"]


def evaluate(
    budget: Budget,
    *,
    target: float | None = None,
    draws: int = DRAWS,
    seed: int = SEED,
    see: Callable[[Floats], None] | None = None,
) -> MapUncertainty:
    """Work out all intervals of one map.

    Parameters
    ----------
    budget : Budget
    target : float, optional
        PPFD that the crop needs. [µmol m⁻² s⁻¹]
    draws, seed : int
        For what is drawn; see `analysis.monte_carlo.draw_together`.
    see : callable, optional
        Is shown every chunk of drawn maps, shape (d, n), for whoever needs the same draws.
    """
    flux = float(budget.weights_m2 @ budget.ppfd)
    area = float(budget.weights_m2.sum())
    of_flux = flux_sizes(budget)
    of_result = of_flux
    efficacy = None
    if budget.plane_efficacy_umol_j is not None:
        of_result = efficacy_sizes(budget)
        efficacy = interval(budget.plane_efficacy_umol_j, of_result)
    of_power = _sizes(budget.influences, lambda one: one.power)
    return MapUncertainty(
        delivered_flux_umol_s=interval(flux, of_flux),
        mean_ppfd_umol_m2_s=interval(flux / area, of_flux),
        plane_efficacy_umol_j=efficacy,
        coefficient_of_variation=_variation(budget),
        wall_power=interval(1.0, of_power).half_width,
        at_points=_at_points(budget, target, draws, seed, see),
        rows=budget_rows(of_result),
        is_default=any(one.cause.is_default for one in budget.influences),
        assumptions=budget.assumptions,
    )


def flux_sizes(budget: Budget) -> dict[Cause, float]:
    """Relative effect of each cause on the delivered flux."""
    shares = budget.shares
    return _sizes(budget.influences, lambda one: one.on_flux(shares))


def efficacy_sizes(budget: Budget) -> dict[Cause, float]:
    """Relative effect of each cause on the plane efficacy."""
    shares = budget.shares
    return _sizes(budget.influences, lambda one: one.on_efficacy(shares))


def _sizes(
    influences: Iterable[Influence], effect: Callable[[Influence], float]
) -> dict[Cause, float]:
    sizes: dict[Cause, float] = {}
    for one in influences:
        size = effect(one)
        if size:
            before = sizes.get(one.cause, 0.0)
            # What every cell has for itself has no sign: it adds up as what is independent does.
            sizes[one.cause] = math.hypot(before, size) if one.is_per_cell else before + size
    return sizes


def interval(value: float, sizes: Sizes) -> Interval:
    """Propagate causes to first order.

    Parameters
    ----------
    value : float
        The result.
    sizes : mapping of Cause to float
        Relative effect of each. [fraction]
    """
    from uncertainties import ufloat  # here, so that importing stays quick

    variables = {cause: ufloat(0.0, 1.0) for cause in sizes}
    result = value * (1 + sum(size * variables[cause] for cause, size in sizes.items()))
    standard = float(result.std_dev) if sizes else 0.0
    freedom = effective_degrees_of_freedom(
        (abs(size * value), cause.degrees_of_freedom, cause.estimate)
        for cause, size in sizes.items()
    )
    reach = Combined(standard=standard, degrees_of_freedom=freedom).coverage() * standard
    return Interval(
        value=value,
        low=value - reach,
        high=value + reach,
        standard=standard,
        degrees_of_freedom=freedom,
    )


def ratio_terms(a: Sizes, b: Sizes) -> tuple[Term, ...]:
    """List what each cause does to the ratio b ÷ a, shared causes once.

    Parameters
    ----------
    a, b : mapping of Cause to float
        As `efficacy_sizes` gives them. Causes of one key are one variable.
    """
    in_a, in_b = _by_key(a), _by_key(b)
    terms = []
    for key in dict.fromkeys([*in_a, *in_b]):
        cause = (in_a.get(key) or in_b[key])[0]
        terms.append(
            Term(
                name=cause.name,
                in_a=in_a[key][1] if key in in_a else 0.0,
                in_b=in_b[key][1] if key in in_b else 0.0,
                is_shared=key in in_a and key in in_b,
                source=cause.source,
                degrees_of_freedom=cause.degrees_of_freedom,
                estimate=cause.estimate,
            )
        )
    return tuple(terms)


def _by_key(sizes: Sizes) -> dict[str, tuple[Cause, float]]:
    held: dict[str, tuple[Cause, float]] = {}
    for cause, size in sizes.items():
        first, before = held.get(cause.key, (cause, 0.0))
        held[cause.key] = (first, before + size)
    return held


def budget_rows(sizes: Sizes) -> tuple[BudgetRow, ...]:
    """Gather causes of one name into lines, the largest first."""
    whole = sum(size**2 for size in sizes.values())
    held: dict[str, list[tuple[Cause, float]]] = {}
    for cause, size in sizes.items():
        held.setdefault(cause.name, []).append((cause, size))
    rows = []
    for name, causes in held.items():
        square = sum(size**2 for _, size in causes)
        freedom = effective_degrees_of_freedom(
            (abs(size), cause.degrees_of_freedom, cause.estimate) for cause, size in causes
        )
        kinds = {cause.kind for cause, _ in causes}
        rows.append(
            BudgetRow(
                name=name,
                kind=", ".join(kind for kind in (MEASURED, DECLARED) if kind in kinds),
                distribution=" and ".join(dict.fromkeys(one.distribution for one, _ in causes)),
                degrees_of_freedom=freedom,
                source=" · ".join(dict.fromkeys(one.source for one, _ in causes)),
                percent=100 * math.sqrt(square),
                share=square / whole if whole > 0 else 0.0,
                is_default=any(one.is_default for one, _ in causes),
            )
        )
    return tuple(sorted(rows, key=lambda row: -row.share))


def _variation(budget: Budget) -> Interval | None:
    value = budget.continuous_variation
    if value is None or not value > 0:
        return None
    shares = budget.variation_shares
    sizes = _sizes(budget.influences, lambda one: one.on_sum(shares))
    between = Cause(
        key="between the points",
        name="variation between the points",
        kind=MEASURED,
        distribution="normal",
        source="measured: the slopes of the map",
    )
    sizes[between] = budget.variation_left
    found = interval(value, sizes)
    return evolve(found, low=max(found.low, 0.0))


def _at_points(
    budget: Budget,
    target: float | None,
    draws: int,
    seed: int,
    see: Callable[[Floats], None] | None,
) -> dict[str, Interval]:
    read = uniformity_of_draws(budget.ppfd[None, :], budget.weights_m2, target=target)
    drawn: dict[str, list[Floats]] = {name: [] for name in read}
    for (one,) in draw_together([budget], draws=draws, seed=seed):
        if see is not None:
            see(one.ppfd)
        found = uniformity_of_draws(one.ppfd, budget.weights_m2, target=target)
        for name, values in found.items():
            drawn[name].append(values)
    return {
        name: _turned(float(read[name][0]), np.concatenate(values), *POSSIBLE.get(name, IS_SHARE))
        for name, values in drawn.items()
    }


def _turned(read: float, drawn: Floats, least: float, most: float) -> Interval:
    """Turn what drawing does to a read value round that value: its bias comes off.

    No end lies beyond what is possible at all. Where the whole interval would, the cells read
    more alike than their noise lets them be (a table of rounded values does); then it reaches
    from there over the drawn values, too.
    """
    tail = (1 - CONFIDENCE) / 2
    drawn_low, drawn_high = (float(end) for end in np.quantile(drawn, [tail, 1 - tail]))
    low, high = 2 * read - drawn_high, 2 * read - drawn_low
    if low > most or high < least:
        low, high = min(low, drawn_low), max(high, drawn_high)
    return Interval(
        value=min(max(2 * read - float(drawn.mean()), least), most),
        low=max(low, least),
        high=min(high, most),
        standard=float(drawn.std()),
    )
