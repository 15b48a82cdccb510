"""At which heights each limit holds, and which of them decides: the rule of the mounting height.

The answer is the lowest height at which *each* limit holds with 95 % confidence: that share of the
draws keeps to it, limit by limit. Between planes the edge of that range is found on a straight
line between neighbouring heights of the curves. A limit can also be excluded with 95 % confidence;
between the two it is not decided. Nothing is said beyond the lowest and the highest plane.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.height_curves import Curve, Curves

Floats = NDArray[np.floating[Any]]
Span = tuple[float, float]
"""From and to, both included. [mm]"""

CONFIDENCE: Final = 0.95
SAME_MM: Final = 0.5
"""Heights so close are one and the same. [mm]"""

PEAK: Final = "peak"
MEAN: Final = "mean"
MIN_TO_MEAN: Final = "min/mean"
HOT_SPOTS: Final = "hot spots"
CLEARANCE: Final = "clearance"


@frozen(kw_only=True)
class Limit:
    """One limit and where it holds.

    Attributes
    ----------
    key : str
        `PEAK`, `MEAN`, `MIN_TO_MEAN`, `HOT_SPOTS` or `CLEARANCE`.
    wanted : float
        What must not be passed: PPFD [µmol m⁻² s⁻¹], a ratio [1], a height [mm]; 0 for hot spots.
    holds_mm : tuple of Span
        Where it holds with 95 % confidence. [mm]
    possible_mm : tuple of Span
        Where it is not excluded with 95 % confidence. [mm]
    """

    key: str
    wanted: float
    holds_mm: tuple[Span, ...]
    possible_mm: tuple[Span, ...]


@frozen(kw_only=True)
class Answer:
    """What follows from all limits together.

    Attributes
    ----------
    lowest_mm, highest_mm : float or None
        The lowest height at which each limit holds, and up to where all go on holding. [mm]
    binding, ending : Limit or None
        What stands in the way just below and just above; None at the end of the range measured.
    goes_beyond_below, goes_beyond_above : bool
        Whether the range measured ends there, so that the limit itself lies at or beyond it.
    is_only_highest : bool
        Whether the highest plane alone holds each limit.
    has_more : bool
        Whether further up, beyond a gap, all limits hold again.
    undecided_mm : Span or None
        From where on the binding limit is not excluded to where it is sure. [mm]
    failing : tuple of Limit
        Limits that hold nowhere within the range, where there is no answer.
    """

    lowest_mm: float | None
    highest_mm: float | None
    binding: Limit | None
    ending: Limit | None
    goes_beyond_below: bool
    goes_beyond_above: bool
    is_only_highest: bool
    has_more: bool
    undecided_mm: Span | None
    failing: tuple[Limit, ...]


def ceiling(key: str, curves: Curves, curve: Curve, wanted: float) -> Limit:
    """Make the limit that a quantity must not be above."""
    return Limit(
        key=key,
        wanted=wanted,
        holds_mm=_where(curves.heights_mm, wanted - curve.quantile(CONFIDENCE)),
        possible_mm=_where(curves.heights_mm, wanted - curve.quantile(1 - CONFIDENCE)),
    )


def floor(key: str, curves: Curves, curve: Curve, wanted: float) -> Limit:
    """Make the limit that a quantity must not be below."""
    return Limit(
        key=key,
        wanted=wanted,
        holds_mm=_where(curves.heights_mm, curve.quantile(1 - CONFIDENCE) - wanted),
        possible_mm=_where(curves.heights_mm, curve.quantile(CONFIDENCE) - wanted),
    )


def curve_of_limit(curves: Curves, key: str) -> Curve | None:
    """Return the curve that a limit is about, None for clearance and hot spots."""
    return {PEAK: curves.peak, MEAN: curves.mean, MIN_TO_MEAN: curves.min_to_mean}.get(key)


def clearance(curves: Curves, wanted_mm: float) -> Limit:
    """Make the limit that the device itself sets; a matter of the rule, not of confidence."""
    low, high = float(curves.heights_mm[0]), float(curves.heights_mm[-1])
    spans: tuple[Span, ...] = ()
    if wanted_mm <= high + SAME_MM:
        spans = ((min(max(low, wanted_mm), high), high),)
    return Limit(key=CLEARANCE, wanted=wanted_mm, holds_mm=spans, possible_mm=spans)


def decide(limits: Sequence[Limit], range_mm: Span) -> Answer:
    """Find the lowest height at which every limit holds.

    Parameters
    ----------
    limits : sequence of Limit
    range_mm : Span
        The lowest and the highest plane. [mm]
    """
    low, high = range_mm
    common: tuple[Span, ...] = (range_mm,)
    for limit in limits:
        common = _overlap(common, limit.holds_mm)
    if not common:
        return Answer(
            lowest_mm=None,
            highest_mm=None,
            binding=None,
            ending=None,
            goes_beyond_below=False,
            goes_beyond_above=False,
            is_only_highest=False,
            has_more=False,
            undecided_mm=None,
            failing=tuple(limit for limit in limits if not limit.holds_mm),
        )
    begin, end = common[0]
    binding = _at_edge(limits, begin, 0) if begin > low + SAME_MM else None
    at_clearance = [
        limit for limit in limits if limit.key == CLEARANCE and abs(limit.wanted - low) <= SAME_MM
    ]
    if begin <= low + SAME_MM and at_clearance:
        binding = at_clearance[0]
    return Answer(
        lowest_mm=begin,
        highest_mm=end,
        binding=binding,
        ending=_at_edge(limits, end, 1) if end < high - SAME_MM else None,
        goes_beyond_below=begin <= low + SAME_MM and not at_clearance,
        goes_beyond_above=end >= high - SAME_MM,
        is_only_highest=high > low
        and begin >= high - SAME_MM
        and (binding is None or binding.key != CLEARANCE),
        has_more=len(common) > 1,
        undecided_mm=_undecided(binding, begin),
        failing=(),
    )


def value_at(curves: Curves, along: Floats, height_mm: float) -> float:
    """Read a curve at a height, on the straight line between its own. [unit of the curve]"""
    return float(np.interp(height_mm, curves.heights_mm, along))


def not_distinguishable(curve: Curve, curves: Curves, answer_mm: float) -> Span:
    """Find the heights around the answer at which a quantity is not measurably another.

    Two-sided at 95 %, what both heights share taken out: the ratio of the draws.
    """
    here = columns(curve.draws, curves.heights_mm, np.array([answer_mm]))
    low, high = np.quantile(curve.draws / here - 1, (0.025, 0.975), axis=0)
    spans = _where(curves.heights_mm, np.minimum(-low, high))
    for begin, end in spans:
        if begin - SAME_MM <= answer_mm <= end + SAME_MM:
            return min(begin, answer_mm), max(end, answer_mm)
    return answer_mm, answer_mm


def columns(draws: Floats, heights_mm: Floats, at_mm: Floats) -> Floats:
    """Draws (d, m) at other heights: (d, c), on straight lines."""
    place = np.interp(at_mm, heights_mm, np.arange(len(heights_mm), dtype=float))
    left = np.minimum(place.astype(int), max(len(heights_mm) - 2, 0))
    right = np.minimum(left + 1, len(heights_mm) - 1)
    later = place - left
    return np.asarray(draws[:, left] * (1 - later) + draws[:, right] * later)


def _where(heights_mm: Floats, margin: Floats) -> tuple[Span, ...]:
    """Spans in which a margin is 0 or more."""
    spans: list[Span] = []
    begin: float | None = float(heights_mm[0]) if margin[0] >= 0 else None
    for at in range(1, len(heights_mm)):
        before, after = float(margin[at - 1]), float(margin[at])
        if (before >= 0) != (after >= 0):
            step = heights_mm[at] - heights_mm[at - 1]
            crossing = float(heights_mm[at - 1] + step * before / (before - after))
            if begin is None:
                begin = crossing
            else:
                spans.append((begin, crossing))
                begin = None
    if begin is not None:
        spans.append((begin, float(heights_mm[-1])))
    return tuple(spans)


def _overlap(first: Sequence[Span], second: Sequence[Span]) -> tuple[Span, ...]:
    found = [
        (max(a[0], b[0]), min(a[1], b[1]))
        for a in first
        for b in second
        if max(a[0], b[0]) <= min(a[1], b[1])
    ]
    return tuple(sorted(found))


def _at_edge(limits: Sequence[Limit], edge_mm: float, side: int) -> Limit | None:
    """The limit whose own range begins (side 0) or ends (side 1) there."""
    for limit in limits:
        if any(abs(span[side] - edge_mm) <= 1e-6 for span in limit.holds_mm):
            return limit
    return None


def _undecided(binding: Limit | None, begin_mm: float) -> Span | None:
    if binding is None or binding.key in (CLEARANCE, HOT_SPOTS):
        return None
    for span in binding.possible_mm:
        if span[0] <= begin_mm <= span[1]:
            return span[0], begin_mm
    return None
