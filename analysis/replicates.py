"""Replicates: maps read one after the other under one hanging, at one height, nothing touched.

Which replicate a reading belongs to is said by the event that began its map; a run without
replicates says nothing there. For whatever speaks of the device they are one map, their mean: how
the device hangs, the instruments and the bench are the same in all of them, so only the noise of
the readings and what drift correction leaves gets smaller by reading again. How far replicates
lie apart is the repeatability of a map, and is held against what the budget says of just those
causes. If it is more than chance explains, something changes from map to map that the budget does
not know, and the excess is added to the mean as a term of its own.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from analysis.budget import CONFIDENCE, effective_degrees_of_freedom
from analysis.causes import MEASURED, Budget, Cause, Influence
from analysis.digits import percent, significant
from analysis.efficacy import daily_light_integral
from analysis.results import MapSummary
from analysis.uncertainty import efficacy_sizes, flux_sizes, interval
from analysis.uniformity import uniformity

Floats = NDArray[np.floating[Any]]
Integers = NDArray[np.int64]

_SAID: Final = re.compile(r", replicate (\d+)$")
_BEGINS: Final = ("map-begun", "map-resumed")


def replicate_words(replicate: int | None) -> str:
    """Say which replicate a map is, to stand after its height; nothing where there are none."""
    return "" if replicate is None else f", replicate {replicate}"


def replicate_in(detail: str) -> int | None:
    """Return the replicate that the event of a map's beginning names; None if it names none."""
    found = _SAID.search(detail)
    return int(found[1]) if found else None


def replicates_at(elapsed_s: Floats, events: Iterable[Mapping[str, Any]]) -> Integers:
    """Return the replicate that was being read when each row was written, 0 for none.

    Parameters
    ----------
    elapsed_s : array, shape (n,)
        Elapsed time of the rows. [s]
    events : iterable of mapping
        Of the run, in the order written.
    """
    begun = [event for event in events if event["event"] in _BEGINS]
    numbers = np.array([0, *(replicate_in(str(one["detail"])) or 0 for one in begun)])
    # A row is written after its reading: one of the moment of the event is of the map before.
    begun_s = np.array([float(one["elapsed_s"]) for one in begun])
    return np.asarray(numbers[np.searchsorted(begun_s, elapsed_s, side="left")], dtype=np.int64)


# -- how far they lie apart -------------------------------------------------------------------


@frozen(kw_only=True)
class Spread:
    """How replicates under one hanging repeat.

    Attributes
    ----------
    label : str
        Which maps.
    efficacies_umol_j : tuple of float
        Plane efficacy of each. [µmol J⁻¹]
    standard : float
        Standard deviation of one of them. [fraction]
    expected : float
        The same as the budget has it: noise and drift, which they do not share. [fraction]
    p_value : float
        Chance of a spread at least so large if the budget is right.
    of_points, of_points_expected : float
        Standard deviation of one point, the level of its map taken out, and as the budget has
        it. [fraction]
    """

    label: str
    efficacies_umol_j: tuple[float, ...]
    standard: float
    expected: float
    p_value: float
    of_points: float
    of_points_expected: float

    @property
    def is_beyond(self) -> bool:
        """Whether they lie further apart than the budget explains."""
        return self.p_value < 1 - CONFIDENCE

    @property
    def excess(self) -> float:
        """Standard deviation of one map by what the budget does not know. [fraction]"""
        if not self.is_beyond:
            return 0.0
        return math.sqrt(self.standard**2 - self.expected**2)

    @property
    def sentence(self) -> str:
        """What is to be said of it."""
        count = len(self.efficacies_umol_j)
        held = ", ".join(significant(one, 5) for one in self.efficacies_umol_j)
        said = (
            f"{self.label}: {count} maps were read under one hanging. A point repeats with a "
            f"standard deviation of {percent(self.of_points, 2)}, by the budget "
            f"{percent(self.of_points_expected, 2)}; the plane efficacy ({held} µmol J⁻¹) with "
            f"{percent(self.standard, 2)}, by noise and drift within a map "
            f"{percent(self.expected, 2)}"
        )
        if self.is_beyond:
            return (
                f"{said}. Something else changes from map to map, as a lamp's light for a watt "
                "does; it is added to the ± of their mean."
            )
        return f"{said}: no more than chance."


def spread_of(maps: Sequence[MapSummary]) -> Spread | None:
    """Work out how replicates of one hanging and height repeat; None for fewer than two."""
    stated = [
        (one, one.budget, one.stated_efficacy_umol_j)
        for one in maps
        if one.budget is not None and one.stated_efficacy_umol_j
    ]
    if len(stated) < 2:
        return None
    budgets = [budget for _, budget, _ in stated]
    read = np.array([value for _, _, value in stated], dtype=float)
    sizes = [efficacy_sizes(budget) for budget in budgets]
    keys = [{cause.key for cause in one} for one in sizes]
    own = [
        (cause, size)
        for one in sizes
        for cause, size in one.items()
        if sum(cause.key in other for other in keys) == 1
    ]
    square = sum(size**2 for _, size in own) / len(stated)
    freedom = effective_degrees_of_freedom(
        (abs(size), cause.degrees_of_freedom, cause.estimate) for cause, size in own
    )
    standard = float(read.std(ddof=1) / read.mean())
    return Spread(
        label=f"{maps[0].place[0].upper()}{maps[0].place[1:]}",
        efficacies_umol_j=tuple(float(value) for value in read),
        standard=standard,
        expected=math.sqrt(square),
        p_value=_chance(standard**2, square, len(stated) - 1.0, freedom),
        of_points=_of_points(budgets),
        of_points_expected=_of_points_expected(budgets, keys),
    )


def _of_points(budgets: Sequence[Budget]) -> float:
    """Standard deviation of one point from map to map, pooled over the points. [fraction]"""
    light = np.array([one.ppfd[one.weights_m2 > 0] for one in budgets])
    light = light / light.mean(axis=1, keepdims=True)
    return float(np.sqrt(np.mean(light.var(axis=0, ddof=1) / light.mean(axis=0) ** 2)))


def _of_points_expected(budgets: Sequence[Budget], keys: Sequence[set[str]]) -> float:
    """The same as the budgets have it: what each point of each map has for itself. [fraction]"""
    squares = [
        float(np.mean(one.light[budget.weights_m2 > 0] ** 2))
        for budget in budgets
        for one in budget.influences
        if one.is_per_cell and sum(one.cause.key in other for other in keys) == 1
    ]
    return math.sqrt(sum(squares) / len(budgets))


def _chance(square: float, expected: float, freedom: float, of_expected: float) -> float:
    """Chance of a variance ratio at least so large: F, or chi-square for a known variance."""
    from scipy.special import chdtrc, fdtrc  # here, so that importing stays quick

    if not expected > 0:
        return 0.0 if square > 0 else 1.0
    if math.isinf(of_expected):
        return float(chdtrc(freedom, freedom * square / expected))
    return float(fdtrc(freedom, of_expected, square / expected))


# -- their mean ---------------------------------------------------------------------------------


def hangings(maps: Iterable[MapSummary]) -> tuple[MapSummary, ...]:
    """Put the mean of replicates in their place; maps that have none stay as they are."""
    groups = _by_hanging(maps)
    return tuple(one for group in groups for one in ([mean_of(group)] if _repeat(group) else group))


def _by_hanging(maps: Iterable[MapSummary]) -> list[list[MapSummary]]:
    """Put maps of one hanging and height together, in the order in which these first occur."""
    groups: dict[tuple[int, float | None], list[MapSummary]] = {}
    for one in maps:
        groups.setdefault((one.installation, one.mounting_height_mm), []).append(one)
    return list(groups.values())


def _repeat(group: Sequence[MapSummary]) -> bool:
    """Say whether these are replicates, and all of a kind that has a mean."""
    return len(group) > 1 and all(
        one.replicate is not None and one.budget is not None for one in group
    )


def spreads(maps: Iterable[MapSummary]) -> tuple[Spread, ...]:
    """Return how the replicates of each hanging and height repeat."""
    groups = _by_hanging(one for one in maps if one.replicate is not None)
    found = (spread_of(group) for group in groups)
    return tuple(one for one in found if one is not None)


def mean_of(maps: Sequence[MapSummary]) -> MapSummary:
    """Return one map in place of the complete replicates of one hanging and height.

    What is said of single points and visits (samples, drift, spots) stays that of the first.
    """
    first = maps[0]
    ppfd = np.mean([one.ppfd for one in maps], axis=0)
    weights = first.grid.weights_m2
    budget = _budget(maps)
    flux = float(np.mean([one.delivered_flux_umol_s for one in maps]))
    synchronous = _mean([one.plane_efficacy_umol_j for one in maps])
    from_means = _mean([one.plane_efficacy_from_means for one in maps])
    efficacy = synchronous if synchronous is not None else from_means
    mean = flux / float(weights.sum())
    known = first.uncertainty
    if known is not None:
        of_flux = flux_sizes(budget)
        known = evolve(
            known,
            delivered_flux_umol_s=interval(flux, of_flux),
            mean_ppfd_umol_m2_s=interval(mean, of_flux),
            plane_efficacy_umol_j=(
                None if efficacy is None else interval(efficacy, efficacy_sizes(budget))
            ),
        )
    return evolve(
        first,
        replicate=None,
        ppfd=ppfd,
        begun_s=min((one.begun_s for one in maps if one.begun_s is not None), default=None),
        ended_s=max((one.ended_s for one in maps if one.ended_s is not None), default=None),
        delivered_flux_umol_s=flux,
        delivered_flux_lower_bound=flux,
        mean_ppfd_umol_m2_s=mean,
        plane_efficacy_umol_j=synchronous,
        plane_efficacy_from_means=from_means,
        mean_wall_power_w=_mean([one.mean_wall_power_w for one in maps]),
        dli_12h=daily_light_integral(mean, 12),
        dli_18h=daily_light_integral(mean, 18),
        uniformity=None if first.uniformity is None else uniformity(ppfd, weights),
        uncertainty=known,
        budget=budget,
    )


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(np.mean(known)) if len(known) == len(values) else None


def _budget(maps: Sequence[MapSummary]) -> Budget:
    """Mean of the budgets: what replicates share stays, what each has for itself is shared out."""
    budgets = [one.budget for one in maps if one.budget is not None]
    stated = [one.plane_efficacy_umol_j for one in budgets]
    ppfd = np.mean([one.ppfd for one in budgets], axis=0)
    held: dict[tuple[str, bool, bool], Influence] = {}
    for budget in budgets:
        part = budget.ppfd / ppfd / len(budgets)
        of_all = 1.0 / len(budgets)
        for one in budget.influences:
            scaled = evolve(
                one,
                light=one.light * part,
                power=one.power * of_all,
                total=one.total * of_all,
                efficacy=one.efficacy * of_all,
            )
            key = (one.cause.key, one.is_per_cell, one.is_in_efficacy)
            held[key] = _added(held[key], scaled) if key in held else scaled
    influences = list(held.values())
    found = spread_of(maps)
    if found is not None and found.is_beyond:
        influences.append(_left(budgets, found))
    return evolve(
        budgets[0],
        influences=tuple(influences),
        ppfd=ppfd,
        plane_efficacy_umol_j=_mean(stated),
        continuous_variation=_mean([one.continuous_variation for one in budgets]),
    )


def _added(one: Influence, other: Influence) -> Influence:
    return evolve(
        one,
        light=one.light + other.light,
        power=one.power + other.power,
        total=one.total + other.total,
        efficacy=one.efficacy + other.efficacy,
    )


def _left(budgets: Sequence[Budget], found: Spread) -> Influence:
    count = len(found.efficacies_umol_j)
    first, second = ({one.cause.key: one for one in budget.influences} for budget in budgets[:2])
    alone = next(key for key in first if key not in second)
    return Influence(
        cause=Cause(
            key=f"spread of replicates, {alone}",
            name="what changes from one replicate to the next",
            kind=MEASURED,
            distribution="t",
            source=f"measured: spread of {count} replicates beyond noise and drift",
            degrees_of_freedom=count - 1.0,
        ),
        light=np.zeros(len(budgets[0].ppfd)),
        efficacy=found.excess / math.sqrt(count),
    )
