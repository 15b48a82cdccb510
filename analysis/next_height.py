"""Which height to measure next: where one more plane would narrow the answer most.

Between the planes the rule is that of `gain_of_measuring`. At the end of the range measured it is
one usual step further, that of the planes at hand, never below the device's clearance.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.height_curves import Curve, Curves
from analysis.height_limits import (
    CLEARANCE,
    HOT_SPOTS,
    MEAN,
    PEAK,
    SAME_MM,
    Answer,
    Limit,
    columns,
    curve_of_limit,
)

Floats = NDArray[np.floating[Any]]

LEAST_GAIN: Final = 0.05
"""A further height that narrows the answer by less than this is not worth measuring. [fraction]"""
SAME_GAIN: Final = 0.01
"""Heights that narrow the answer by no more than this less than the best are as good. [fraction]"""
ROUND_MM: Final = 10.0
"""Heights are proposed in steps of this. [mm]"""
STEP_SHARE: Final = 0.2
"""Step to another plane where only one was measured; common practice, no source. [fraction]"""


@frozen(kw_only=True)
class NextHeight:
    """The next height worth measuring.

    Attributes
    ----------
    mounting_height_mm : float
        [mm]
    where : str
        ``"between"``, ``"below"`` or ``"above"`` the planes measured.
    narrows : float or None
        How much narrower the answer's band would be; None beyond the planes. [fraction]
    """

    mounting_height_mm: float
    where: str
    narrows: float | None


def next_height(
    curves: Curves, limits: Sequence[Limit], answer: Answer
) -> tuple[NextHeight | None, float | None]:
    """Propose a height, and say how much a plane between those measured would narrow the answer.

    Returns
    -------
    proposed : NextHeight or None
        None where another plane would not help: the clearance decides, the limits contradict each
        other, or nothing would be narrowed by `LEAST_GAIN`.
    widest : float or None
        The most that a plane within the range would narrow the band; None where the light does
        not decide between the planes. [fraction]
    """
    if answer.lowest_mm is None:
        return _towards(curves, limits, answer.failing), None
    if answer.is_only_highest:
        return _beyond(curves, limits, up=True), None
    if answer.goes_beyond_below and not any(curve_of_limit(curves, one.key) for one in limits):
        return None, None
    if answer.goes_beyond_below:
        return _beyond(curves, limits, up=False), None
    binding = answer.binding
    if binding is not None and binding.key == HOT_SPOTS:
        # The search between planes is on an interpolated map; a measured one would decide.
        at_mm = ROUND_MM * round(answer.lowest_mm / ROUND_MM)
        return NextHeight(mounting_height_mm=at_mm, where="between", narrows=None), None
    curve = None if binding is None else curve_of_limit(curves, binding.key)
    if curve is None:
        return None, None
    found = gain_of_measuring(curve, curves, answer.lowest_mm)
    if found is None:
        return None, None
    candidates, gain = found
    widest = float(gain.max())
    # Of heights that tell as much, the one nearest to the answer.
    as_good = candidates[gain >= widest - SAME_GAIN]
    best = float(as_good[np.argmin(np.abs(as_good - answer.lowest_mm))])
    if widest < LEAST_GAIN:
        return None, widest
    at = NextHeight(mounting_height_mm=best, where="between", narrows=widest)
    return at, widest


def _towards(
    curves: Curves, limits: Sequence[Limit], failing: Sequence[Limit]
) -> NextHeight | None:
    """Beyond the end at which the limits that hold nowhere come nearest; None if they disagree."""
    ways = set()
    for limit in failing:
        curve = curve_of_limit(curves, limit.key)
        if limit.key == CLEARANCE:
            ways.add(True)
        elif curve is not None and len(curves.planes_mm) == 1:
            ways.add(limit.key != MEAN)  # what the light does with height is not known yet
        elif curve is not None:
            rises = bool(curve.value[-1] > curve.value[0])
            ways.add(rises != (limit.key == PEAK))
    if len(ways) != 1:
        return None
    return _beyond(curves, limits, up=ways.pop())


def _beyond(curves: Curves, limits: Sequence[Limit], *, up: bool) -> NextHeight | None:
    """One usual step beyond the planes, never below the clearance."""
    planes_mm = curves.planes_mm
    step = STEP_SHARE * planes_mm[0]
    if len(planes_mm) > 1:
        step = float(np.median(np.diff(planes_mm)))
    least = max((one.wanted for one in limits if one.key == CLEARANCE), default=0.0)
    at = ROUND_MM * round((planes_mm[-1] + step if up else planes_mm[0] - step) / ROUND_MM)
    if up:
        at = max(at, ROUND_MM * np.ceil(least / ROUND_MM))
    at = max(at, least, ROUND_MM)
    if not up and at >= planes_mm[0] - SAME_MM:
        return None
    return NextHeight(mounting_height_mm=float(at), where="above" if up else "below", narrows=None)


def gain_of_measuring(
    curve: Curve, curves: Curves, answer_mm: float
) -> tuple[Floats, Floats] | None:
    """Foretell how much one more plane would narrow the answer.

    The rule: what all planes share (calibration, above all) is what their draws have in common,
    the mean correlation between planes, and a further plane cannot lower it. Of the rest, a plane
    at another height tells as much as it goes together with the answer there, its own error
    reckoned as large as that of the planes at hand. All to first order, in the logarithm.

    Returns
    -------
    heights_mm : array, shape (c,)
        Heights in steps of 10 mm within the range. [mm]
    gain : array, shape (c,)
        How much narrower the band of the binding quantity would be at the answer. [fraction]
    """
    ln_draws = np.log(np.maximum(curve.draws, 1e-9))
    ln_draws = ln_draws - ln_draws.mean(axis=0)
    heights, planes = curves.heights_mm, curves.planes_mm
    first, last = np.ceil(heights[0] / ROUND_MM), np.floor(heights[-1] / ROUND_MM)
    if last < first or len(planes) < 2:
        return None
    candidates = ROUND_MM * np.arange(first, last + 1)
    covariance = np.cov(columns(ln_draws, heights, planes).T)
    spread = np.sqrt(np.diagonal(covariance))
    products = np.outer(spread, spread)
    alike = np.divide(covariance, products, out=np.zeros_like(products), where=products > 0)
    common = float(np.clip(alike[~np.eye(len(planes), dtype=bool)].mean(), 0.0, 1.0))
    error = (1 - common) * float((spread**2).mean())

    def shared(at_mm: Floats) -> Floats:
        return np.sqrt(common) * np.interp(np.log(at_mm), np.log(planes), spread)

    here = columns(ln_draws, heights, np.array([answer_mm]))[:, 0]
    there = columns(ln_draws, heights, candidates)
    variance = float(here.var(ddof=1))
    together = here @ there / (len(there) - 1)
    together = together - shared(np.array([answer_mm])) * shared(candidates)
    itself = there.var(axis=0, ddof=1) - shared(candidates) ** 2
    rest = np.maximum(itself, 0.0) + error
    whole = rest * variance
    known = np.divide(together**2, whole, out=np.zeros_like(whole), where=whole > 0)
    return candidates, 1 - np.sqrt(1 - np.clip(known, 0.0, 1.0))
