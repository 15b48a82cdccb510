"""One map: from the sets of samples to its figures.

The order is fixed by the definitions and stands in `analysis.corrections`: dark is subtracted
first; plane efficacy is taken from light and power of the same moments before drift is taken out;
flux, uniformity and spots come from the map corrected for drift, too.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.corrections import apply
from analysis.deficits import deficits
from analysis.drift import Drift, correct, reference_weights, repeatability
from analysis.efficacy import daily_light_integral, delivered_flux, plane_efficacy
from analysis.grid import Grid
from analysis.hot_spots import find_spots
from analysis.map_corrections import MapCorrections
from analysis.map_remarks import (
    Limits,
    missing_sentence,
    points_were,
    remark_on_drift,
    remark_on_efficacy,
    remark_on_limits,
)
from analysis.results import MapSummary
from analysis.samples import Floats, Integers, Readings, Sets
from analysis.uniformity import Uniformity, uniformity
from analysis.wall_power import WallPower, wall_power

LAMP_OUT_SHARE: Final = 0.5
"""Points read at less than this share of the map's median wall power are not of a lit lamp."""
LEAST_DISAGREEMENT: Final = 5e-4
"""Two ways to the plane efficacy that agree to this are never remarked on."""


@frozen(kw_only=True, eq=False)
class MapReadings:
    """All that was read for one map.

    Attributes
    ----------
    installation : int
        Number of the hanging.
    mounting_height_mm : float or None
        Height of the device above the plane. [mm]
    sets : Sets
        Sets of grid and reference points of this map, in the order read.
    monitor : Sets
        Sets of the monitor sensor while this map was read, dark subtracted.
    corrections : MapCorrections
        What is done to its readings.
    power : Readings
        Wall-power readings of the whole run.
    entered_power_w : float or None
        Mean wall power of this map for a run without windows. [W]
    n_retried : int
        Failed attempts at points of this map.
    told : tuple of str
        What its remarks begin with.
    replicate : int or None
        Which of several under one hanging; None where one was planned.
    """

    installation: int
    mounting_height_mm: float | None
    sets: Sets
    monitor: Sets
    corrections: MapCorrections
    power: Readings
    entered_power_w: float | None
    n_retried: int
    told: tuple[str, ...] = ()
    replicate: int | None = None


def summarise_map(grid: Grid, limits: Limits, read: MapReadings) -> MapSummary:
    """Work out the figures of one map; what cannot be stated is None, with a remark."""
    remarks = list(read.told)
    corrections = read.corrections
    sets = _lit(read.sets, remarks)
    source, visits, values = _reference(grid, read, sets)
    sets = _linked(sets, visits, remarks)
    chosen, n_reread = _accepted(grid, sets, limits.samples_per_point, remarks)
    has = chosen >= 0
    pick = chosen[has]

    def spread(values: NDArray[Any], empty: float = math.nan) -> Floats:
        whole = np.full(len(grid), empty)
        whole[has] = values[pick]
        return whole

    raw, middle_s = spread(sets.mean), spread(sets.middle_s)
    duration_s, power_w = spread(sets.duration_s), spread(sets.power_w)
    lit = corrections.lit(raw, np.arange(len(grid)), middle_s)
    drift, shares = correct(
        middle_s,
        duration_s,
        spread(sets.segment, -1),
        source=source,
        visits_s=visits.middle_s,
        visits=values,
        visit_segment=visits.segment,
        limit=limits.drift,
    )
    remark_on_drift(drift, visits, sets, remarks)
    level = lit * drift.factor
    after = corrections.after_drift(grid, read.mounting_height_mm, level, remarks)
    lit, ppfd, power_w = apply(lit, after), apply(level, after), apply(power_w, after, "power")

    weights = grid.weights_m2
    counted = weights > 0
    n_expected, n_used = int(counted.sum()), int((counted & has).sum())
    missing = np.flatnonzero(counted & ~has)
    is_complete = n_used == n_expected
    seen = counted & has
    flux = delivered_flux(ppfd, weights) if is_complete else None
    at_least = float(weights[seen] @ ppfd[seen]) if n_used else None
    mean = at_least / float(weights[seen].sum()) if at_least is not None else None
    if not is_complete:
        remarks.append(missing_sentence(grid, missing, n_used, n_expected))

    mean_power = _mean_power(power_w, duration_s, seen, read, remarks)
    synchronous = from_means = disagreement = disagreement_limit = None
    if is_complete and mean_power is not None and mean_power > 0 and flux is not None:
        from_means = flux / mean_power
        if np.isfinite(power_w[counted]).all() and (power_w[counted] > 0).all():
            synchronous = plane_efficacy(lit, weights, power_w)
            if synchronous > 0:
                disagreement = from_means / synchronous - 1
                disagreement_limit = _disagreement_limit(
                    drift, shares, weights * ppfd, duration_s, middle_s, power_w
                )
    remark_on_efficacy(synchronous, from_means, disagreement, disagreement_limit, remarks)
    even = _uniformity(ppfd, weights, limits, is_complete, remarks)
    remark_on_limits(limits, ppfd, even, synchronous or from_means, mean_power, remarks)

    rim = deficits(grid, ppfd)
    repeats, n_visits = _repeatability(grid, read, sets, drift)
    spots = find_spots(grid, ppfd, repeatability=_point_noise(repeats, sets.where(pick), ppfd[has]))

    begun_s = float(sets.start_s[pick].min()) if len(pick) else None
    ended_s = float(sets.end_s[pick].max()) if len(pick) else None
    return MapSummary(
        installation=read.installation,
        mounting_height_mm=read.mounting_height_mm,
        grid=grid,
        begun_s=begun_s,
        ended_s=ended_s,
        ppfd=ppfd,
        ppfd_raw=raw,
        dark=corrections.dark,
        sample_sd=spread(sets.sd),
        sample_count=spread(sets.count, 0).astype(np.int64),
        read_s=middle_s,
        wall_power_w=power_w,
        n_used=n_used,
        n_expected=n_expected,
        n_retried=read.n_retried,
        n_reread=n_reread,
        missing=tuple((int(grid.row[i]), int(grid.column[i])) for i in missing),
        delivered_flux_umol_s=flux,
        delivered_flux_lower_bound=at_least,
        mean_ppfd_umol_m2_s=mean,
        mean_of=f"{n_used} of {n_expected} points",
        plane_efficacy_umol_j=synchronous,
        plane_efficacy_from_means=from_means,
        efficacy_disagreement=disagreement,
        efficacy_disagreement_limit=disagreement_limit,
        mean_wall_power_w=mean_power,
        wall_power=_power_of(read.power, begun_s, ended_s),
        uniformity=even,
        drift=drift,
        reference_repeatability=repeats,
        reference_visits=n_visits,
        dli_12h=daily_light_integral(mean, 12) if is_complete and mean is not None else None,
        dli_18h=daily_light_integral(mean, 18) if is_complete and mean is not None else None,
        spots=spots.spots,
        spot_remarks=spots.remarks,
        corner_deficit=rim.corner_below_mean,
        edge_deficit=rim.edge_below_mean,
        remarks=tuple(remarks),
        corrections=corrections.record(middle_s, drift, after),
        replicate=read.replicate,
    )


def _lit(sets: Sets, remarks: list[str]) -> Sets:
    """Leave out sets that were read while the lamp was out, as the wall power tells."""
    known = np.isfinite(sets.power_w)
    if not known.any():
        return sets
    out = known & (sets.power_w < LAMP_OUT_SHARE * np.median(sets.power_w[known]))
    if out.any():
        remarks.append(
            f"{points_were(int(out.sum()))} read at less than half of the usual wall power, "
            "with the lamp out or going out; they are not part of the map."
        )
    return sets.where(~out)


def _linked(sets: Sets, visits: Sets, remarks: list[str]) -> Sets:
    """Leave out stretches of burning that no reference joins to the others."""
    on_grid = sets.role == "grid"
    stretches, points = np.unique(sets.segment[on_grid], return_counts=True)
    if len(stretches) < 2:
        return sets
    joined = np.intersect1d(stretches, visits.segment)
    if len(joined) == 0:
        joined = stretches[[int(np.argmax(points))]]
    out = ~np.isin(sets.segment, joined)
    if (out & on_grid).any():
        remarks.append(
            f"{points_were(int((out & on_grid).sum()))} read before or after the lamp was lit anew "
            "without a reference reading in the same burning; they are not part of the map."
        )
    return sets.where(~out)


def _accepted(
    grid: Grid, sets: Sets, samples_per_point: int, remarks: list[str]
) -> tuple[Integers, int]:
    """Pick the set of each point: the last whole one, or the last there is.

    Returns the index of the set of each point, −1 for none, and the number of sets that a
    later one replaced.
    """
    on_grid = np.flatnonzero(sets.role == "grid")
    point = grid.index_of(sets.grid_row[on_grid], sets.grid_column[on_grid])
    stray = int((point < 0).sum())
    if stray:
        remarks.append(
            f"{points_were(stray)} read outside the grid of the plan; they are left out."
        )
    on_grid, point = on_grid[point >= 0], point[point >= 0]
    whole = sets.count[on_grid] >= samples_per_point
    # Later assignments win, so whole sets come last, and among equals the later ones.
    order = np.lexsort((on_grid, whole))
    chosen = np.full(len(grid), -1, dtype=np.int64)
    chosen[point[order]] = on_grid[order]
    used = chosen[chosen >= 0]
    short = int((sets.count[used] < samples_per_point).sum())
    if short:
        remarks.append(
            f"{points_were(short)} read with fewer than the {samples_per_point} samples of the "
            "plan."
        )
    return chosen, len(on_grid) - len(used)


def _reference_point(grid: Grid, read: MapReadings, sets: Sets) -> tuple[Sets, Floats]:
    """Visits of the reference point, dark taken off; of the one visited most if there are two."""
    visits = sets.where(sets.role == "reference")
    if len(visits):
        place = visits.grid_row * (grid.columns + 1) + visits.grid_column
        places, times = np.unique(place, return_counts=True)
        visits = visits.where(place == places[int(np.argmax(times))])
    at = grid.index_of(visits.grid_row, visits.grid_column)
    return visits, read.corrections.lit(visits.mean, at, visits.middle_s)


def _reference(grid: Grid, read: MapReadings, sets: Sets) -> tuple[str, Sets, Floats]:
    """Pick monitor or reference point, and take the dark off its visits.

    The monitor is preferred, as it sees every window; not where it failed for a whole stretch
    of burning that the reference point covers.
    """
    monitor = _lit(read.monitor, [])
    source = "reference"
    visits, values = _reference_point(grid, read, sets)
    if len(monitor) and len(np.unique(monitor.segment)) >= len(np.unique(visits.segment)):
        source, visits, values = "monitor", monitor, monitor.mean
    if not (values > 0).all():
        visits, values = visits.where(np.zeros(len(visits), dtype=bool)), np.empty(0)
    return source, visits, values


def _repeatability(
    grid: Grid, read: MapReadings, sets: Sets, drift: Drift
) -> tuple[float | None, int]:
    """How well the reference point repeats, what the monitor saw of the lamp taken out.

    Returns that, and the number of visits.
    """
    if drift.source != "monitor":
        return drift.repeatability, len(drift.values)
    visits, values = _reference_point(grid, read, sets)
    if len(visits) == 0:
        return None, 0
    lamp = reference_weights(visits.middle_s, drift.elapsed_s) @ drift.values
    return repeatability(visits.middle_s, values / lamp, visits.segment), len(visits)


def _point_noise(repeats: float | None, used: Sets, ppfd: Floats) -> float:
    """Standard deviation of one point: as the reference repeats, or as its samples scatter."""
    if repeats is not None:
        return repeats
    known = np.isfinite(used.sd) & (ppfd > 0)
    if not known.any():
        return 0.0
    return math.sqrt(float((used.sd[known] ** 2 / used.count[known] / ppfd[known] ** 2).mean()))


def _mean_power(
    power_w: Floats,
    duration_s: Floats,
    seen: NDArray[np.bool_],
    read: MapReadings,
    remarks: list[str],
) -> float | None:
    known = seen & np.isfinite(power_w)
    if known.any():
        if known.sum() < seen.sum():
            lacking = int(seen.sum() - known.sum())
            remarks.append(
                f"{points_were(lacking)} read without a wall-power reading in their windows."
            )
        weight = np.nan_to_num(duration_s[known])
        if not weight.sum() > 0:
            weight = np.ones(len(weight))
        return float(np.average(power_w[known], weights=weight))
    if not seen.any():
        return None
    if read.entered_power_w is None:
        remarks.append("There is no wall power for this map: plane efficacy is not stated.")
        return None
    return read.entered_power_w


def _disagreement_limit(
    drift: Drift,
    shares: Floats,
    contribution: Floats,
    duration_s: Floats,
    middle_s: Floats,
    power_w: Floats,
) -> float | None:
    """Expanded uncertainty (k = 2) of corrected ÷ mean against synchronous efficacy.

    Both hold the same light, so its noise cancels. What remains is the noise of the reference
    and of the wall power, each through the difference between the shares that a point has in
    the flux and in the time.
    """
    of_flux = contribution / contribution.sum()
    time = np.where(duration_s > 0, duration_s, 0.0)
    of_time = time / time.sum() if time.sum() > 0 else np.full(len(time), 1 / len(time))
    excess = of_flux - of_time
    in_order = power_w[np.argsort(middle_s, kind="stable")]
    power_noise = 0.0
    if len(in_order) > 1:
        power_noise = math.sqrt(float((np.diff(in_order) ** 2).mean()) / 2) / float(in_order.mean())
    by_power = power_noise * math.sqrt(float(excess @ excess))
    by_reference = 0.0
    if drift.source != "none":
        if drift.repeatability is None:
            return None
        through = excess @ shares
        by_reference = drift.repeatability * math.sqrt(float(through @ through))
    return max(2 * math.hypot(by_power, by_reference), LEAST_DISAGREEMENT)


def _uniformity(
    ppfd: Floats, weights: Floats, limits: Limits, is_complete: bool, remarks: list[str]
) -> Uniformity | None:
    if not is_complete:
        return None
    try:
        return uniformity(ppfd, weights, target=limits.target_ppfd_umol_m2_s)
    except ValueError as error:
        remarks.append(f"Uniformity is not stated: {error}.")
        return None


def _power_of(power: Readings, begun_s: float | None, ended_s: float | None) -> WallPower | None:
    if begun_s is None or ended_s is None:
        return None
    during = (power.window_end_s > begun_s) & (power.window_start_s < ended_s)
    own = power.where(during)
    return wall_power(own.window_start_s, own.window_end_s, own.value)
