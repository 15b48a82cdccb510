"""One run's plane efficacy at each mounting height, and what it is uncertain by.

`ratio_terms` lists what stands between two such results. What acts on each comes from the budgets
of its maps (`analysis.map_budget`), in which causes that both share are one variable; how a device
hangs is added here: declared for one or two installations, their own spread from three on.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import numpy as np
from attrs import frozen

from analysis.budget import Term
from analysis.causes import Cause
from analysis.digits import percent
from analysis.replicates import hangings
from analysis.results import MapSummary, RunSummary
from analysis.uncertainty import efficacy_sizes
from analysis.uncertainty import ratio_terms as terms_of_sizes

SAME_HEIGHT_MM: Final = 1.0
ENOUGH_INSTALLATIONS: Final = 3


@frozen(kw_only=True)
class Result:
    """Plane efficacy of one run at one mounting height, over its installations.

    Attributes
    ----------
    mounting_height_mm : float
    efficacy_umol_j : float
        Mean over installations. [µmol J⁻¹]
    efficacies : tuple of float
        Of each installation.
    sizes : mapping of Cause to float
        Relative effect of each cause on the mean. [fraction]
    reinstallation : float
        Standard deviation of one hanging, as declared. [fraction]
    reinstallation_source : str
        Where that figure comes from.
    """

    mounting_height_mm: float
    efficacy_umol_j: float
    efficacies: tuple[float, ...]
    sizes: Mapping[Cause, float]
    reinstallation: float
    reinstallation_source: str


def results(run: RunSummary, name: str) -> tuple[tuple[Result, ...], tuple[str, ...]]:
    """Gather the usable maps of a run by mounting height, lowest first.

    Returns
    -------
    results : tuple of Result
        One for each height with a complete, accepted map that has a plane efficacy.
    left_out : tuple of str
        A sentence for each map that is not used.
    """
    heights, left_out = usable_maps(run, name)
    return tuple(_result(maps) for maps in heights), left_out


def usable_maps(
    run: RunSummary, name: str
) -> tuple[tuple[tuple[MapSummary, ...], ...], tuple[str, ...]]:
    """Gather the maps that `results` is made of: for each height, lowest first, its hangings.

    Replicates under one hanging are one map, their mean.

    Returns
    -------
    heights : tuple of tuple of MapSummary
    left_out : tuple of str
        A sentence for each map that is not used.
    """
    usable: list[MapSummary] = []
    left_out = []
    for map_ in run.maps:
        why = _unusable(map_)
        if why:
            left_out.append(f"{name}, {map_.label}: not compared, {why}.")
        else:
            usable.append(map_)
    return tuple(map(tuple, by_height(hangings(usable)))), tuple(left_out)


def by_height(maps: Iterable[MapSummary]) -> list[list[MapSummary]]:
    """Put maps of one mounting height together, the lowest height first."""
    groups: list[list[MapSummary]] = []
    for map_ in sorted(maps, key=lambda one: one.mounting_height_mm or 0.0):
        at = map_.mounting_height_mm or 0.0
        if groups and at - (groups[-1][0].mounting_height_mm or 0.0) <= SAME_HEIGHT_MM:
            groups[-1].append(map_)
        else:
            groups.append([map_])
    return groups


def best(found: Sequence[Result]) -> Result:
    """The height with the highest plane efficacy; the lower one of two equal ones."""
    return max(found, key=lambda one: (one.efficacy_umol_j, -one.mounting_height_mm))


def ratio_terms(a: Result, b: Result) -> tuple[Term, ...]:
    """List the terms of the ratio of two results, declared and measured."""
    return (*terms_of_sizes(a.sizes, b.sizes), *_installation(a, b))


def _installation(a: Result, b: Result) -> tuple[Term, Term]:
    def term(one: Result, in_a: bool) -> Term:
        count = len(one.efficacies)
        spread, source, freedom = one.reinstallation, one.reinstallation_source, math.inf
        if count >= ENOUGH_INSTALLATIONS:
            spread = float(np.std(one.efficacies, ddof=1)) / one.efficacy_umol_j
            source, freedom = f"measured: spread of {count} installations", count - 1.0
        size = spread / math.sqrt(count)
        return Term(
            name=f"re-installation of the {'first' if in_a else 'second'} device",
            in_a=size if in_a else 0.0,
            in_b=0.0 if in_a else size,
            is_shared=False,
            source=source,
            degrees_of_freedom=freedom,
        )

    return term(a, True), term(b, False)


def _result(maps: Sequence[MapSummary]) -> Result:
    efficacies = tuple(float(map_.stated_efficacy_umol_j or math.nan) for map_ in maps)
    budgets = [map_.budget for map_ in maps if map_.budget is not None]
    sizes: dict[Cause, float] = {}
    for budget in budgets:
        for cause, size in efficacy_sizes(budget).items():
            # The mean of all: a cause that the maps share adds up, one of its own is shared out.
            sizes[cause] = sizes.get(cause, 0.0) + size / len(budgets)
    return Result(
        mounting_height_mm=float(maps[0].mounting_height_mm or 0.0),
        efficacy_umol_j=float(np.mean(efficacies)),
        efficacies=efficacies,
        sizes=sizes,
        reinstallation=budgets[0].reinstallation,
        reinstallation_source=budgets[0].reinstallation_source,
    )


def _unusable(map_: MapSummary) -> str:
    if map_.mounting_height_mm is None:
        return "its mounting height is not stated"
    if not map_.is_complete:
        return f"it has {map_.mean_of}"
    if not map_.stated_efficacy_umol_j:
        return "it has no plane efficacy"
    if not map_.drift.accepted:
        return f"the light drifted by {percent(map_.drift.span)}, more than its limit"
    if map_.budget is None:
        return "a point of it has no light"
    return ""
