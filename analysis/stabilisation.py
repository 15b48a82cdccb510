"""When the lamp is stable: the rule, its presets, and the verdict on a series of readings.

The rule works on means over equal blocks of time counted from switching on, so the verdict
does not depend on how often the instrument is polled. Over the last window of blocks, with
light and active power judged separately:

1. the span of the block means (largest less smallest, over their mean) is at most the limit;
2. the 95 % upper bound of the size of the slope, times the window, is at most the limit;
3. no hunting shows within the blocks: the swing of quarter-block means beyond what the noise
   of the readings explains is at most the limit;
4. the lamp has been on for the minimum time.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

from analysis.line_fit import fit_line, student_t
from analysis.stabilisation_rules import (
    DEFAULT_PRESET,
    PRESETS,
    Rule,
    RuleError,
    resolvability,
    rule_from_plan,
)

__all__ = [
    "DEFAULT_PRESET",
    "PRESETS",
    "Judgement",
    "Rule",
    "RuleError",
    "TimeToStable",
    "judge",
    "resolvability",
    "rule_from_plan",
    "time_to_stable",
]

Floats = NDArray[np.floating[Any]]

_QUARTERS: Final = 4
_NOISE_RATIO: Final = 2.0
"""Variance of quarter-block means over what noise explains, above which it is not noise."""


@frozen(kw_only=True)
class Judgement:
    """The verdict on one series at one moment.

    Attributes
    ----------
    is_stable : bool
        Whether every part of the rule holds.
    span : float
        Span of the block means over the window. [fraction of the mean]
    slope_bound : float
        95 % upper bound of the size of the slope, times the window. [fraction of the mean]
    hunting : float
        Swing within the blocks that noise does not explain, peak to peak; 0 where there is
        none or the readings are too few to tell. [fraction of the mean]
    margin : float
        Share of the limit that is left, negative where it is passed; NaN before the window
        is full. [fraction of the limit]
    block_s : array, shape (k,)
        End of each complete block so far. [elapsed s]
    block_means : array, shape (k,)
        Their means, in the unit of the readings; NaN for a block without a reading.
    reason : str
        Why it is not stable, in plain words; empty if it is.
    """

    is_stable: bool
    span: float
    slope_bound: float
    hunting: float
    margin: float
    block_s: Floats
    block_means: Floats
    reason: str


@frozen(kw_only=True)
class TimeToStable:
    """When light and power were first stable, each alone and together.

    Attributes
    ----------
    light_s, power_s, both_s : float or None
        Time from switching on to the end of the first block at which the rule held; None if
        it never did within the readings. [s]
    moment_s : float or None
        `both_s` on the run's own clock. [elapsed s]
    light, power : Judgement
        The verdicts at that moment, or on all readings if it never came.
    """

    light_s: float | None
    power_s: float | None
    both_s: float | None
    moment_s: float | None
    light: Judgement
    power: Judgement


def judge(rule: Rule, elapsed_s: ArrayLike, values: ArrayLike, on_since_s: float) -> Judgement:
    """Judge the readings so far by a rule.

    Parameters
    ----------
    rule : Rule
        The rule.
    elapsed_s : array, shape (n,)
        Moments of the readings, rising. [s]
    values : array, shape (n,)
        Readings of light or of active power, any unit; NaN is skipped.
    on_since_s : float
        Moment at which the lamp was switched on. [elapsed s]

    Notes
    -----
    A block is complete once a reading at or after its end has come, so the verdict at a given
    moment never changes with later readings.
    """
    blocks = _Blocks(rule, elapsed_s, values, on_since_s)
    return blocks.judge(len(blocks.means))


def time_to_stable(
    rule: Rule,
    *,
    light: tuple[ArrayLike, ArrayLike],
    power: tuple[ArrayLike, ArrayLike],
    on_since_s: float,
) -> TimeToStable:
    """Find the first moment at which light and power were stable, alone and together.

    Parameters
    ----------
    rule : Rule
        The rule.
    light, power : tuple of array
        Moments [elapsed s] and readings of each.
    on_since_s : float
        Moment at which the lamp was switched on. [elapsed s]
    """
    both = [_Blocks(rule, *series, on_since_s) for series in (light, power)]
    held = [blocks.stable_at() for blocks in both]
    shared = min(len(flags) for flags in held)
    together = held[0][:shared] & held[1][:shared]
    first = [int(np.argmax(flags)) + 1 if flags.any() else None for flags in (*held, together)]
    times = [None if count is None else count * rule.block_s for count in first]
    at = [len(blocks.means) if first[2] is None else first[2] for blocks in both]
    return TimeToStable(
        light_s=times[0],
        power_s=times[1],
        both_s=times[2],
        moment_s=None if times[2] is None else on_since_s + times[2],
        light=both[0].judge(at[0]),
        power=both[1].judge(at[1]),
    )


class _Blocks:
    """Block means of one series, and the verdict after each block."""

    def __init__(
        self, rule: Rule, elapsed_s: ArrayLike, values: ArrayLike, on_since_s: float
    ) -> None:
        self._rule = rule
        self._on_since_s = on_since_s
        since_s = np.asarray(elapsed_s, dtype=float) - on_since_s
        readings = np.asarray(values, dtype=float)
        last_s = since_s.max(initial=0.0)
        complete = int((last_s + 1e-6) // rule.block_s)
        good = np.isfinite(readings) & (since_s >= 0) & (since_s < complete * rule.block_s)
        quarter = (since_s[good] * (_QUARTERS / rule.block_s)).astype(np.int64)
        quarter = np.minimum(quarter, complete * _QUARTERS - 1)
        readings = readings[good]
        shape = (complete, _QUARTERS)
        size = complete * _QUARTERS
        self._count = np.bincount(quarter, minlength=size).reshape(shape).astype(float)
        total = np.bincount(quarter, readings, minlength=size).reshape(shape)
        with np.errstate(invalid="ignore", divide="ignore"):
            self.means: Floats = total.sum(1) / self._count.sum(1)
            self._quarter_means = total / self._count
        off = readings - self._quarter_means.ravel()[quarter]
        self._within = np.bincount(quarter, off**2, minlength=size).reshape(shape)
        self.ends_s: Floats = on_since_s + rule.block_s * np.arange(1, complete + 1)

    def stable_at(self) -> NDArray[np.bool_]:
        """Whether the rule held after each complete block."""
        held = np.zeros(len(self.means), dtype=bool)
        earliest = max(self._rule.blocks, math.ceil(self._rule.minimum_on_s / self._rule.block_s))
        for count in range(max(earliest, 1), len(self.means) + 1):
            held[count - 1] = self.judge(count).is_stable
        return held

    def judge(self, count: int) -> Judgement:
        """Judge after `count` complete blocks."""
        rule = self._rule
        window = slice(max(count - rule.blocks, 0), count)
        means = self.means[window]
        seen = means[np.isfinite(means)]
        span = slope_bound = math.nan
        hunting = 0.0
        mean = float(seen.mean()) if len(seen) else math.nan
        if len(seen) >= 2 and mean > 0:
            span = float(seen.max() - seen.min()) / mean
        if len(seen) == rule.blocks and mean > 0:
            slope_bound = _slope_bound(means) * rule.blocks / mean
            hunting = self._hunting(window) / mean
        worst = max(span, slope_bound, hunting) if math.isfinite(slope_bound) else math.nan
        reason = self._reason(count, len(seen), mean, span, slope_bound, hunting)
        return Judgement(
            is_stable=not reason,
            span=span,
            slope_bound=slope_bound,
            hunting=hunting,
            margin=1 - worst / rule.limit,
            block_s=self.ends_s[:count],
            block_means=self.means[:count],
            reason=reason,
        )

    def _hunting(self, window: slice) -> float:
        """Peak-to-peak swing of quarter-block means that white noise cannot explain."""
        counts, quarters = self._count[window], self._quarter_means[window]
        if (counts < 2).any():
            return 0.0
        blocks = len(counts)
        noise = self._within[window].sum() / (counts.sum() - counts.size)
        expected = noise * (1 / counts).mean()
        between = ((quarters - quarters.mean(1, keepdims=True)) ** 2).sum() / (
            blocks * (_QUARTERS - 1)
        )
        if between <= _NOISE_RATIO * expected:
            return 0.0
        # A sine of amplitude a has the variance a²/2, and swings by 2a.
        return 2 * math.sqrt(2 * (between - expected))

    def _reason(
        self, count: int, seen: int, mean: float, span: float, slope_bound: float, hunting: float
    ) -> str:
        rule = self._rule
        limit = f"the limit of {rule.limit:.2%}"
        on_s = count * rule.block_s
        if on_s + 1e-6 < rule.minimum_on_s:
            return f"on for {on_s:.0f} s of at least {rule.minimum_on_s:.0f} s"
        if count < rule.blocks:
            return f"{count} of {rule.blocks} blocks of {rule.block_s:.0f} s so far"
        if seen < rule.blocks:
            return f"no reading in {rule.blocks - seen} of the last {rule.blocks} blocks"
        if not mean > 0:
            return f"the mean reading is {mean:g}, not above 0"
        if span > rule.limit:
            return f"span {span:.2%} over {rule.window_s:.0f} s, above {limit}"
        if slope_bound > rule.limit:
            return (
                f"still moving: up to {slope_bound:.2%} in {rule.window_s:.0f} s "
                f"(95 % bound), above {limit}"
            )
        if hunting > rule.limit:
            return f"hunting: swings of {hunting:.2%} within {rule.block_s:.0f} s, above {limit}"
        return ""


def _slope_bound(means: Floats) -> float:
    """95 % upper bound of the size of the slope of equally spaced means. [unit per block]"""
    line = fit_line(np.arange(len(means)), means)
    # One-sided: the chance that the true size exceeds this is at most 5 % for either sign.
    return abs(line.slope) + student_t(0.95, line.degrees_of_freedom) * line.slope_sd
