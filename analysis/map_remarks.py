"""What is said about one map: missing points, drift, limits passed, in plain sentences."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from attrs import frozen

from analysis.digits import percent, plus_minus
from analysis.drift import MOST_GROUPS, Drift
from analysis.grid import Grid
from analysis.samples import Floats, Integers, Sets
from analysis.uniformity import Uniformity

LEAST_DRIFT: Final = 0.005
"""A smaller drift of the reference is corrected without a remark."""
LISTED_POINTS: Final = 8


@frozen(kw_only=True)
class Limits:
    """What the plan allows; None where it says nothing."""

    drift: float
    peak_ppfd_umol_m2_s: float | None
    target_ppfd_umol_m2_s: float | None
    minimum_to_mean: float | None
    rated_flux_umol_s: float | None
    samples_per_point: int


def remark_on_drift(drift: Drift, visits: Sets, sets: Sets, remarks: list[str]) -> None:
    """Say what the reference did during the map, and what is not known of it."""
    if drift.source == "none":
        remarks.append(
            "There is no usable reference reading: drift during the map is not known, and "
            "nothing is corrected."
        )
        return
    if drift.span is None:
        remarks.append(
            f"There is only one {drift.source} reading: drift during the map is not known."
        )
        return
    on_grid = sets.where(sets.role == "grid")
    if drift.source == "reference" and len(on_grid):
        late = on_grid.middle_s > drift.elapsed_s[-1]
        early = on_grid.middle_s < drift.elapsed_s[0]
        if (late | early).any():
            remarks.append(
                f"{points_were(int((late | early).sum()))} read outside the time that reference "
                "readings span; the nearest one is held for them."
            )
    noise = _visit_noise(visits) / float(drift.values.mean())
    in_group = max(len(drift.values) // MOST_GROUPS, 1)
    if drift.span > max(LEAST_DRIFT, 6 * noise / math.sqrt(in_group)):
        slope = ""
        if drift.slope_percent_per_hour is not None:
            known = plus_minus(drift.slope_percent_per_hour, drift.slope_interval)
            slope = f" ({known} % per hour)"
        remarks.append(
            f"The light drifted: the {drift.source} spans {percent(drift.span)}{slope}. Readings "
            f"were rescaled to the mean of this map, by up to {percent(drift.largest_correction)}."
        )
        if drift.repeatability is not None and drift.repeatability > max(3 * noise, LEAST_DRIFT):
            remarks.append(
                f"The {drift.source} moved by {percent(drift.repeatability)} between visits, more "
                "than its samples scatter: visit it more often, or fit a monitor sensor."
            )
    if not drift.accepted:
        remarks.append(
            f"The drift of {percent(drift.span)} is above the limit of {percent(drift.limit)}: "
            "the map is not accepted. Let the lamp settle longer and read it again."
        )


def _visit_noise(visits: Sets) -> float:
    """Standard deviation of the mean of a visit, from the scatter of its samples."""
    known = np.isfinite(visits.sd)
    if not known.any():
        return 0.0
    return math.sqrt(float((visits.sd[known] ** 2 / visits.count[known]).mean()))


def remark_on_efficacy(
    synchronous: float | None,
    from_means: float | None,
    disagreement: float | None,
    limit: float | None,
    remarks: list[str],
) -> None:
    """Say where the plane efficacy comes from, and where two ways to it disagree."""
    if synchronous is None and from_means is not None:
        remarks.append(
            "Plane efficacy is delivered flux over mean wall power: light and power were not "
            "recorded in the same windows, so what both drifted meanwhile is in it."
        )
    if disagreement is not None and limit is not None and abs(disagreement) > limit:
        remarks.append(
            f"Corrected flux over mean power differs from the synchronous plane efficacy by "
            f"{percent(disagreement, 2)}, more than its uncertainty of {percent(limit, 2)}: light "
            "and power did not drift together."
        )


def remark_on_limits(
    limits: Limits,
    ppfd: Floats,
    even: Uniformity | None,
    efficacy: float | None,
    mean_power: float | None,
    remarks: list[str],
) -> None:
    """Say which limits of the plan are passed, and where the plane gets more than the lamp has."""
    peak = limits.peak_ppfd_umol_m2_s
    if peak is not None and np.isfinite(ppfd).any() and np.nanmax(ppfd) > peak:
        remarks.append(
            f"The highest PPFD, {np.nanmax(ppfd):.0f} µmol m⁻² s⁻¹, is above the limit of "
            f"{peak:g} µmol m⁻² s⁻¹."
        )
    floor = limits.minimum_to_mean
    if floor is not None and even is not None and even.min_to_mean < floor:
        remarks.append(f"Minimum-to-mean, {even.min_to_mean:.2f}, is below the limit of {floor:g}.")
    rated = limits.rated_flux_umol_s
    if rated is not None and efficacy is not None and mean_power and efficacy > rated / mean_power:
        remarks.append(
            f"Plane efficacy is above the rated flux of the bare lamp over wall power "
            f"({rated / mean_power:.2f} µmol J⁻¹). Light recycled by walls and floor is a "
            "possible cause, since the plane counts it again."
        )


def missing_sentence(grid: Grid, missing: Integers, n_used: int, n_expected: int) -> str:
    """Name the points without a value, and what is not stated for their sake."""
    named = [f"row {grid.row[i] + 1} column {grid.column[i] + 1}" for i in missing[:LISTED_POINTS]]
    more = f" and {len(missing) - LISTED_POINTS} more" if len(missing) > LISTED_POINTS else ""
    verb = "has" if len(missing) == 1 else "have"
    return (
        f"{len(missing)} of {n_expected} points {verb} no value ({', '.join(named)}{more}): "
        f"delivered flux, plane efficacy and uniformity are not stated; the mean is of {n_used} of "
        f"{n_expected} points."
    )


def points_were(count: int) -> str:
    """Begin a sentence on so many points."""
    return "1 point was" if count == 1 else f"{count} points were"
