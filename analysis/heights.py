"""How low a device may hang: the maps of one run at several heights, and the limits of the plan.

`analysis.height_curves` interpolates, `analysis.height_limits` holds the rule; here the maps of a
run become planes, its plan becomes limits, and what cannot be used is named.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.digits import percent
from analysis.grid import Grid
from analysis.height_curves import Curves, Plane, height_curves, interpolate
from analysis.height_limits import (
    HOT_SPOTS,
    MEAN,
    MIN_TO_MEAN,
    PEAK,
    Answer,
    Limit,
    Span,
    ceiling,
    clearance,
    curve_of_limit,
    decide,
    floor,
    not_distinguishable,
)
from analysis.hot_spots import find_spots
from analysis.monte_carlo import DRAWS, SEED, draw_together
from analysis.next_height import NextHeight, next_height
from analysis.plane_results import by_height
from analysis.replicates import hangings
from analysis.results import Condition, MapSummary, RunSummary

Floats = NDArray[np.floating[Any]]

SPOT_EDGE_MM: Final = 5.0
"""So closely the height is found at which a hot spot comes or goes between two planes. [mm]"""
UNKNOWN_REPEATABILITY: Final = 0.01
"""Of one point, where no reference was revisited; common practice, no source. [fraction]"""


@frozen(kw_only=True, eq=False)
class Heights:
    """All that one run says about its mounting height.

    Attributes
    ----------
    device : str
    range_mm : Span
        The lowest and the highest plane that was used. [mm]
    curves : Curves
    limits : tuple of Limit
        Clearance and hot spots always, light as the plan says.
    answer : Answer
    leaves_spots_aside : bool
        Whether hot spots are seen at every height, so that the answer is without that limit.
    flux_alike_mm : Span or None
        Around the answer: where the delivered flux is not measurably another. [mm]
    next_height : NextHeight or None
        None where another height would not narrow the answer.
    widest_gain : float or None
        The most that another plane between those measured would narrow it. [fraction]
    installations : tuple of int
        How many hangings each plane is the mean of.
    spots_judged : bool
        Whether the grid allows hot spots to be looked for.
    plane_temperature : Condition or None
        What was logged at the plane.
    left_out : tuple of str
        Each map that was not used, and why.
    """

    device: str
    range_mm: Span
    curves: Curves
    limits: tuple[Limit, ...]
    answer: Answer
    leaves_spots_aside: bool
    flux_alike_mm: Span | None
    next_height: NextHeight | None
    widest_gain: float | None
    installations: tuple[int, ...]
    spots_judged: bool
    plane_temperature: Condition | None
    left_out: tuple[str, ...]

    @property
    def has_light_limit(self) -> bool:
        """Whether the plan says anything about the light that the crop wants or bears."""
        return any(limit.key in (PEAK, MEAN, MIN_TO_MEAN) for limit in self.limits)


@frozen(kw_only=True)
class NoHeights:
    """Why a run says nothing about its mounting height."""

    device: str
    left_out: tuple[str, ...]


def heights(run: RunSummary, *, draws: int = DRAWS, seed: int = SEED) -> Heights | NoHeights:
    """Work out the mounting height of the device of a run.

    Parameters
    ----------
    run : RunSummary
        With maps at one or more heights. With one, its limits are judged there and nowhere else.
    draws : int
        Of the Monte Carlo.
    seed : int
        The same seed gives the same answer, digit by digit.

    Returns
    -------
    Heights, or NoHeights if no map can be used.
    """
    groups, left_out = _planes(run)
    device = run.device or run.run_name
    if not groups:
        return NoHeights(device=device, left_out=left_out)
    planes = _drawn(groups, draws, seed)
    grid = groups[0][0].grid
    curves = height_curves(grid, planes, seed=seed)
    limits, spots_judged = _limits(run, grid, groups, curves)
    range_mm = (float(curves.planes_mm[0]), float(curves.planes_mm[-1]))
    answer, aside = decide(limits, range_mm), False
    if answer.lowest_mm is None and [one.key for one in answer.failing] == [HOT_SPOTS]:
        without = [one for one in limits if one.key != HOT_SPOTS]
        answer, aside = decide(without, range_mm), True
    proposed, widest = next_height(curves, limits, answer)
    alike = None
    if answer.lowest_mm is not None:
        alike = not_distinguishable(curves.flux, curves, answer.lowest_mm)
    return Heights(
        device=device,
        range_mm=range_mm,
        curves=curves,
        limits=limits,
        answer=answer,
        leaves_spots_aside=aside,
        flux_alike_mm=alike,
        next_height=proposed,
        widest_gain=widest,
        installations=tuple(len(maps) for maps in groups),
        spots_judged=spots_judged,
        plane_temperature=_plane_temperature(run),
        left_out=left_out,
    )


# -- from maps to planes ---------------------------------------------------------------------


def _planes(run: RunSummary) -> tuple[list[list[MapSummary]], tuple[str, ...]]:
    """Usable maps by rising height, and a sentence for each that is not used."""
    usable, left_out = [], []
    for map_ in run.maps:
        why = _unusable(map_)
        if why:
            left_out.append(f"{map_.label[0].upper()}{map_.label[1:]}: not used, {why}.")
        else:
            usable.append(map_)
    return by_height(hangings(usable)), tuple(left_out)


def _unusable(map_: MapSummary) -> str:
    if map_.mounting_height_mm is None:
        return "its mounting height is not stated"
    if not map_.is_complete:
        return f"it has {map_.mean_of}, and missing points are not made up"
    if not map_.drift.accepted:
        return f"the light drifted by {percent(map_.drift.span)}, more than its limit"
    if map_.budget is None:
        return "its uncertainty is not known"
    return ""


def _drawn(groups: Sequence[Sequence[MapSummary]], draws: int, seed: int) -> list[Plane]:
    """Draw all maps together, so that what they share is the same in all of them."""
    maps = [map_ for group in groups for map_ in group]
    budgets = [map_.budget for map_ in maps if map_.budget is not None]
    chunks = list(draw_together(budgets, draws=draws, seed=seed))
    planes = []
    first = 0
    for group in groups:
        own = slice(first, first + len(group))
        first += len(group)
        parts = [chunk[own] for chunk in chunks]
        stated = [one.stated_efficacy_umol_j for one in group]
        known = [value for value in stated if value is not None]
        drawn = [
            [one.plane_efficacy_umol_j for one in part if one.plane_efficacy_umol_j is not None]
            for part in parts
        ]
        has_efficacy = len(known) == len(group) and all(len(one) == len(group) for one in drawn)
        planes.append(
            Plane(
                mounting_height_mm=float(group[0].mounting_height_mm or 0.0),
                ppfd=_mean([one.ppfd for one in group]),
                ppfd_draws=np.concatenate([_mean([one.ppfd for one in part]) for part in parts]),
                flux_draws=np.concatenate(
                    [_mean([one.delivered_flux_umol_s for one in part]) for part in parts]
                ),
                plane_efficacy_umol_j=float(np.mean(known)) if has_efficacy else None,
                efficacy_draws=np.concatenate([_mean(one) for one in drawn])
                if has_efficacy
                else None,
            )
        )
    return planes


def _mean(of_installations: Sequence[Floats]) -> Floats:
    return np.asarray(np.mean(of_installations, axis=0))


# -- from the plan to limits -----------------------------------------------------------------


def _limits(
    run: RunSummary, grid: Grid, groups: Sequence[Sequence[MapSummary]], curves: Curves
) -> tuple[tuple[Limit, ...], bool]:
    found = []
    for key, kind, name in (
        ("peak_ppfd_umol_m2_s", ceiling, PEAK),
        ("mean_ppfd_umol_m2_s", floor, MEAN),
        ("minimum_to_mean", floor, MIN_TO_MEAN),
    ):
        wanted, curve = _stated(run, "limits", key), curve_of_limit(curves, name)
        if wanted is not None and curve is not None:
            found.append(kind(name, curves, curve, wanted))
    judged = bool(
        np.isfinite(
            find_spots(grid, curves.ppfd[0], repeatability=UNKNOWN_REPEATABILITY).excess
        ).any()
    )
    if judged:
        spans = _free_of_spots(grid, groups, curves)
        found.append(Limit(key=HOT_SPOTS, wanted=0.0, holds_mm=spans, possible_mm=spans))
    wanted_mm = _stated(run, "device", "clearance_mm")
    if wanted_mm is not None:
        found.append(clearance(curves, wanted_mm))
    return tuple(found), judged


def _stated(run: RunSummary, table: str, key: str) -> float | None:
    """A number above 0 that the plan states; an old plan by hand may hold anything."""
    held = run.plan.get(table)
    value = held.get(key) if isinstance(held, Mapping) else None
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if value > 0 else None


def _free_of_spots(
    grid: Grid, groups: Sequence[Sequence[MapSummary]], curves: Curves
) -> tuple[Span, ...]:
    """Where the search finds no hot spot: at the planes, and half by half between unlike ones.

    The search asks for an excess beyond four standard uncertainties, so its own rule stands in
    place of the 95 % of the draws.
    """
    planes_mm = curves.planes_mm
    ln_planes = np.log(planes_mm)
    central = np.log(np.stack([curves.ppfd[curves.heights_mm == at][0] for at in planes_mm]))
    noise = max(
        UNKNOWN_REPEATABILITY
        if one.reference_repeatability is None
        else one.reference_repeatability
        for group in groups
        for one in group
    )

    def is_free(height_mm: float) -> bool:
        ppfd = np.exp(interpolate(ln_planes, central, np.log([height_mm]))[0])
        return all(one.kind != "hot" for one in find_spots(grid, ppfd, repeatability=noise))

    free = [all(one.kind != "hot" for map_ in group for one in map_.spots) for group in groups]
    spans: list[Span] = []
    for at, here in enumerate(planes_mm):
        begin = end = float(here)
        if not free[at]:
            continue
        if at > 0 and not free[at - 1]:
            begin = _edge(is_free, float(here), float(planes_mm[at - 1]))
        if at + 1 < len(planes_mm) and not free[at + 1]:
            end = _edge(is_free, float(here), float(planes_mm[at + 1]))
        if at > 0 and free[at - 1]:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((begin, end))
    return tuple(spans)


def _edge(is_free: Callable[[float], bool], free_mm: float, spotted_mm: float) -> float:
    while abs(free_mm - spotted_mm) > SPOT_EDGE_MM:
        middle = (free_mm + spotted_mm) / 2
        if is_free(middle):
            free_mm = middle
        else:
            spotted_mm = middle
    return free_mm


def _plane_temperature(run: RunSummary) -> Condition | None:
    """What a thermometer at the plane logged, by the place that the profile gives it."""
    places = [str(one.get("place") or "") for one in run.instruments]
    at_plane = any("plane" in place.lower() for place in places)
    return run.conditions.get("temperature_c") if at_plane else None
