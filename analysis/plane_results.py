"""One run's plane efficacy at each mounting height, and what it is uncertain by.

The terms of the ratio of two such results are listed by `ratio_terms`. Declared figures stand
at the head of this module with their status; measured ones come from the maps themselves.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from typing import Final

import numpy as np
from attrs import frozen

from analysis.budget import Term
from analysis.digits import percent
from analysis.results import MapSummary, RunSummary

SAME_HEIGHT_MM: Final = 1.0
ENOUGH_INSTALLATIONS: Final = 3
COMMON_PRACTICE: Final = "declared: common practice, no source"
CALIBRATION: Final = 0.05
WATTMETER_GAIN: Final = 0.01
REINSTALLATION: Final = 0.010
"""Of one hanging of one device. [fraction]"""
QUADRATURE: Final = 0.005
COSINE: Final = 0.007
"""What both results do not have in common, as a part of their ratio. [fraction]"""
UNKNOWN_REPEATABILITY: Final = 0.01
UNKNOWN_DRIFT: Final = 0.01


@frozen(kw_only=True)
class Result:
    """Plane efficacy of one run at one mounting height, over its installations.

    Attributes
    ----------
    mounting_height_mm : float
        [mm]
    efficacy_umol_j : float
        Mean over installations. [µmol J⁻¹]
    efficacies : tuple of float
        Of each installation. [µmol J⁻¹]
    reading : float
        Relative standard uncertainty from the readings of the maps. [fraction]
    drift : float
        From what drift leaves. [fraction]
    is_drift_declared, is_reading_declared : bool
        Whether these are declared, for want of a reference.
    """

    mounting_height_mm: float
    efficacy_umol_j: float
    efficacies: tuple[float, ...]
    reading: float
    drift: float
    is_reading_declared: bool
    is_drift_declared: bool


def results(run: RunSummary, name: str) -> tuple[tuple[Result, ...], tuple[str, ...]]:
    """Gather the usable maps of a run by mounting height, lowest first.

    Returns
    -------
    results : tuple of Result
        One for each height with a complete, accepted map that has a plane efficacy.
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
    heights: list[list[MapSummary]] = []
    for map_ in sorted(usable, key=lambda one: one.mounting_height_mm or 0.0):
        at = map_.mounting_height_mm or 0.0
        if heights and abs((heights[-1][0].mounting_height_mm or 0.0) - at) <= SAME_HEIGHT_MM:
            heights[-1].append(map_)
        else:
            heights.append([map_])
    return tuple(_result(maps) for maps in heights), tuple(left_out)


def best(found: Sequence[Result]) -> Result:
    """The height with the highest plane efficacy; the lower one of two equal ones."""
    return max(found, key=lambda one: (one.efficacy_umol_j, -one.mounting_height_mm))


def ratio_terms(a: Result, b: Result, differing: Collection[str] = ()) -> tuple[Term, ...]:
    """List the terms of the ratio of two results, declared and measured."""
    half_of_both = 1 / math.sqrt(2)
    read = [one.is_reading_declared for one in (a, b)]
    drifted = [one.is_drift_declared for one in (a, b)]
    return (
        Term(
            name="calibration factor of the light sensor",
            in_a=CALIBRATION,
            in_b=CALIBRATION,
            is_shared="light sensor" not in differing,
            source=COMMON_PRACTICE,
        ),
        Term(
            name="gain of the power meter",
            in_a=WATTMETER_GAIN,
            in_b=WATTMETER_GAIN,
            is_shared="power meter" not in differing,
            source=COMMON_PRACTICE,
        ),
        Term(
            name="repeatability of the readings",
            in_a=a.reading,
            in_b=b.reading,
            is_shared=False,
            source=COMMON_PRACTICE if any(read) else "measured: visits of the reference point",
        ),
        Term(
            name="drift during the map",
            in_a=a.drift,
            in_b=b.drift,
            is_shared=False,
            source=COMMON_PRACTICE if any(drifted) else "measured: reference during each map",
        ),
        Term(
            name="sum over points for the integral",
            in_a=QUADRATURE * half_of_both,
            in_b=QUADRATURE * half_of_both,
            is_shared=False,
            source=COMMON_PRACTICE,
        ),
        Term(
            name="cosine error, other angles of light",
            in_a=COSINE * half_of_both,
            in_b=COSINE * half_of_both,
            is_shared=False,
            source=COMMON_PRACTICE,
        ),
        *_installation(a, b),
    )


def _installation(a: Result, b: Result) -> tuple[Term, Term]:
    def term(one: Result, in_a: bool) -> Term:
        count = len(one.efficacies)
        spread, source, freedom = REINSTALLATION, COMMON_PRACTICE, math.inf
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
    reading = [_reading(map_) for map_ in maps]
    drift = [_drift(map_) for map_ in maps]

    def of_mean(sizes: Sequence[float | None], declared: float) -> float:
        squares = [(declared if size is None else size) ** 2 for size in sizes]
        return math.sqrt(sum(squares)) / len(squares)

    return Result(
        mounting_height_mm=float(maps[0].mounting_height_mm or 0.0),
        efficacy_umol_j=float(np.mean(efficacies)),
        efficacies=efficacies,
        reading=of_mean(reading, UNKNOWN_REPEATABILITY / math.sqrt(len(maps[0].grid))),
        drift=of_mean(drift, UNKNOWN_DRIFT),
        is_reading_declared=None in reading,
        is_drift_declared=None in drift,
    )


def _reading(map_: MapSummary) -> float | None:
    """What the scatter of single points leaves in their sum; None if nobody measured it."""
    if map_.reference_repeatability is None:
        return None
    light = map_.grid.weights_m2 * np.nan_to_num(map_.ppfd)
    return float(map_.reference_repeatability * np.sqrt((light**2).sum()) / light.sum())


def _drift(map_: MapSummary) -> float | None:
    """What drift leaves in the plane efficacy; None if there is too little of a reference."""
    drift = map_.drift
    if drift.source == "none" or drift.span is None:
        return None
    if map_.plane_efficacy_umol_j is not None:
        # Light and power of the same moments: only what they did not do together is left, and
        # the other way to the plane efficacy shows its size.
        return abs(map_.efficacy_disagreement or 0.0) / math.sqrt(3)
    if drift.repeatability is None:
        return None
    return drift.repeatability / math.sqrt(len(drift.values))


def _unusable(map_: MapSummary) -> str:
    if map_.mounting_height_mm is None:
        return "its mounting height is not stated"
    if not map_.is_complete:
        return f"it has {map_.mean_of}"
    if not map_.stated_efficacy_umol_j:
        return "it has no plane efficacy"
    if not map_.drift.accepted:
        return f"the light drifted by {percent(map_.drift.span)}, more than its limit"
    return ""
