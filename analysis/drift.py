"""Drift of the lamp during a map: the reference, and each reading rescaled by it.

The reference is one point of the plane that is visited again and again, or a second sensor
that never moves. Between its visits it is taken to change along a straight line; before the
first and after the last it is held. Each reading is multiplied by

    time-weighted mean of the reference over all reading windows of this map
    ------------------------------------------------------------------------
    reference at the time of this reading

so the corrected map belongs to the mean light of its own windows, the very moments that the
mean wall power belongs to, and never to the light at its start.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

from analysis.line_fit import fit_line

Floats = NDArray[np.floating[Any]]
Integers = NDArray[np.int64]

DEFAULT_LIMIT: Final = 0.03
"""Span of the reference beyond which a map is not accepted; common practice, no source."""
MOST_GROUPS: Final = 12
"""More visits than this are averaged in so many groups before their span is taken, so that the
noise of many does not pass for drift."""


@frozen(kw_only=True)
class Drift:
    """What the reference did during one map.

    Attributes
    ----------
    source : str
        ``"reference"``, ``"monitor"`` or ``"none"``.
    elapsed_s, values : array, shape (k,)
        Moment and dark-subtracted mean of each visit. [s; µmol m⁻² s⁻¹]
    factor : array, shape (n,)
        What each point was multiplied by; 1 without a reference. [unitless]
    span : float or None
        Largest less smallest visit, over their mean; of a long series, the largest less the
        smallest mean of `MOST_GROUPS` groups. [unitless]
    slope_percent_per_hour, slope_interval : float or None
        Slope of the line through the visits, and the half-width of its 95 % interval.
        [% of the mean per hour]
    repeatability : float or None
        Standard deviation of one visit about the line between its neighbours. [fraction]
    largest_correction : float
        Largest distance of a factor from 1. [unitless]
    limit : float
        Span beyond which the map is not accepted. [unitless]
    accepted : bool
        Whether the span keeps to the limit, or is not known.
    """

    source: str
    elapsed_s: Floats
    values: Floats
    factor: Floats
    span: float | None
    slope_percent_per_hour: float | None
    slope_interval: float | None
    repeatability: float | None
    largest_correction: float
    limit: float
    accepted: bool


def reference_weights(moments_s: ArrayLike, visits_s: ArrayLike) -> Floats:
    """Share of each visit in the reference at given moments.

    Parameters
    ----------
    moments_s : array, shape (n,)
        When the reference is wanted. [s]
    visits_s : array, shape (k,)
        Moments of the visits, rising, k ≥ 1. [s]

    Returns
    -------
    array, shape (n, k)
        Each row adds up to 1: straight lines between visits, held beyond them.
    """
    moments = np.asarray(moments_s, dtype=float)
    visits = np.asarray(visits_s, dtype=float)
    place = np.interp(moments, visits, np.arange(len(visits), dtype=float))
    left = np.minimum(place.astype(np.int64), max(len(visits) - 2, 0))
    weights = np.zeros((len(moments), len(visits)))
    at = np.arange(len(moments))
    weights[at, left] = 1 - (place - left)
    if len(visits) > 1:
        weights[at, left + 1] = place - left
    return weights


def correct(
    middle_s: ArrayLike,
    duration_s: ArrayLike,
    segment: ArrayLike,
    *,
    source: str,
    visits_s: ArrayLike,
    visits: ArrayLike,
    visit_segment: ArrayLike,
    limit: float = DEFAULT_LIMIT,
) -> tuple[Drift, Floats]:
    """Work out the factor that takes each reading to the mean light of its map.

    Parameters
    ----------
    middle_s, duration_s : array, shape (n,)
        Middle and length of the reading windows of each point; NaN for a missing point, and
        readings without a length count equally. [s]
    segment : array of int, shape (n,)
        Which stretch of unbroken burning each point belongs to. Reference and point are only
        joined within one.
    source : str
        ``"reference"`` or ``"monitor"``; ``"none"`` if there are no visits.
    visits_s, visits : array, shape (k,)
        Moment and value of each visit of the reference, dark subtracted, rising in time.
    visit_segment : array of int, shape (k,)
        The stretch of each visit.
    limit : float
        Largest span that is accepted. [fraction]

    Returns
    -------
    drift : Drift
        With a factor of 1 where no reference is to be had.
    sensitivity : array, shape (n, k)
        Share of each visit in the reference of each point.
    """
    middle, duration = np.asarray(middle_s, dtype=float), np.asarray(duration_s, dtype=float)
    at_s, values = np.asarray(visits_s, dtype=float), np.asarray(visits, dtype=float)
    of_point, of_visit = np.asarray(segment), np.asarray(visit_segment)
    read = np.isfinite(middle)
    shares = np.zeros((len(middle), len(at_s)))
    for stretch in np.unique(of_visit):
        points = np.flatnonzero(read & (of_point == stretch))
        visited = np.flatnonzero(of_visit == stretch)
        shares[np.ix_(points, visited)] = reference_weights(middle[points], at_s[visited])
    linked = shares.sum(1) > 0
    factor = np.ones(len(middle))
    if linked.any():
        reference = shares[linked] @ values
        weight = duration[linked]
        if not np.nansum(weight) > 0:
            weight = np.ones(linked.sum())
        factor[linked] = float(np.average(reference, weights=np.nan_to_num(weight))) / reference
    slope, interval = _slope(at_s, values)
    span = None
    if len(values) > 1:
        groups = np.array_split(values, min(len(values), MOST_GROUPS))
        span = float(np.ptp([group.mean() for group in groups]) / values.mean())
    drift = Drift(
        source=source if len(values) else "none",
        elapsed_s=at_s,
        values=values,
        factor=factor,
        span=span,
        slope_percent_per_hour=slope,
        slope_interval=interval,
        repeatability=repeatability(at_s, values, of_visit),
        largest_correction=float(np.abs(factor - 1).max(initial=0.0)),
        limit=limit,
        accepted=span is None or span <= limit,
    )
    return drift, shares


def repeatability(visits_s: ArrayLike, visits: ArrayLike, visit_segment: ArrayLike) -> float | None:
    """Noise of one visit of the reference, whatever the lamp did in between.

    Each visit is held against the straight line between its two neighbours, so a steady or
    slowly bending drift leaves no trace.

    Parameters
    ----------
    visits_s, visits : array, shape (k,)
        Moment and value of each visit, rising in time.
    visit_segment : array of int, shape (k,)
        Neighbours are only compared within one stretch of unbroken burning.

    Returns
    -------
    float or None
        Standard deviation over the mean; None for fewer than three visits in a stretch.
    """
    at_s, values = np.asarray(visits_s, dtype=float), np.asarray(visits, dtype=float)
    of_visit = np.asarray(visit_segment)
    if len(values) < 3:
        return None
    whole = (of_visit[:-2] == of_visit[2:]) & (at_s[2:] > at_s[:-2])
    if not whole.any():
        return None
    before, now, after = at_s[:-2][whole], at_s[1:-1][whole], at_s[2:][whole]
    later = (now - before) / (after - before)
    line = values[:-2][whole] * (1 - later) + values[2:][whole] * later
    # Of one noisy value less a weighted mean of two others.
    growth = 1 + later**2 + (1 - later) ** 2
    variance = float((((values[1:-1][whole] - line) ** 2) / growth).mean())
    return math.sqrt(variance) / float(values.mean())


def repeatability_freedom(visits: int) -> float:
    """Degrees of freedom of `repeatability`: for many visits about half their number.

    Parameters
    ----------
    visits : int
        At least three, all in one stretch and about evenly spaced.

    Notes
    -----
    Differences that have visits in common are not independent: those of neighbours correlate by
    −2/3, those of the next but one by 1/6. A mean of m squares then has m² ÷ Σ ρ² degrees of
    freedom, the sum over all pairs.
    """
    found = visits - 2
    pairs = found + 2 * (4 / 9 * (found - 1) + 1 / 36 * max(found - 2, 0))
    return found**2 / pairs


def _slope(at_s: Floats, values: Floats) -> tuple[float | None, float | None]:
    """Slope and half-width of its 95 % interval, if there is one. [% of the mean per hour]"""
    if len(values) < 2 or np.ptp(at_s) == 0:
        return None, None
    line = fit_line(at_s / 3600, values)
    scale = 100 / float(values.mean())
    half_width = line.slope_half_width() * scale
    return line.slope * scale, None if math.isnan(half_width) else half_width
