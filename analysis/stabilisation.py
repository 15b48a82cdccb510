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
from collections.abc import Mapping
from statistics import NormalDist
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

from analysis.line_fit import fit_line, student_t

Floats = NDArray[np.floating[Any]]

_UNCHECKED: Final = "from memory, not checked against the text; no compliance is claimed"
_UNSURE: Final = "from memory and unsure, not checked against the text; no compliance is claimed"
_QUARTERS: Final = 4
_NOISE_RATIO: Final = 2.0
"""Variance of quarter-block means over what noise explains, above which it is not noise."""


class RuleError(ValueError):
    """The warm-up table of a plan describes no usable rule; the message lists every fault."""


@frozen(kw_only=True)
class Rule:
    """One stabilisation rule.

    Attributes
    ----------
    name : str
        Name of the preset, or ``"own"`` for one written out in a plan.
    block_s, window_s : float
        Length of a block and of the window of blocks that is judged. [s]
    limit : float
        Largest span, and largest change from slope, over the window. [fraction of the mean]
    minimum_on_s : float
        Time since switching on before which nothing is called stable. [s]
    source, status : str
        Where the figures come from, and how far that was checked.
    """

    name: str
    block_s: float
    window_s: float
    limit: float
    minimum_on_s: float
    source: str
    status: str

    @property
    def blocks(self) -> int:
        """Number of blocks in the window."""
        return math.ceil(self.window_s / self.block_s - 1e-9)


def _presets(*rules: Rule) -> dict[str, Rule]:
    return {rule.name: rule for rule in rules}


PRESETS: Final = _presets(
    Rule(
        name="bench",
        block_s=60.0,
        window_s=900.0,
        limit=0.005,
        minimum_on_s=1800.0,
        source="our own default for discharge lamps: half an hour on, then 0.5 % over 15 min",
        status="common practice, no source",
    ),
    Rule(
        name="lm-79-08",
        block_s=60.0,
        window_s=1800.0,
        limit=0.005,
        minimum_on_s=1800.0,
        source="after IES LM-79-08 section 5: span below 0.5 % over 30 min",
        status=_UNCHECKED,
    ),
    Rule(
        name="lm-79-19",
        block_s=60.0,
        window_s=1200.0,
        limit=0.005,
        minimum_on_s=1200.0,
        source="after ANSI/IES LM-79-19: span below 0.5 % over 20 min",
        status=_UNSURE,
    ),
    Rule(
        name="cie-s-025",
        block_s=60.0,
        window_s=900.0,
        limit=0.005,
        minimum_on_s=1800.0,
        source="after CIE S 025/E:2015 clause 4 and EN 13032-4: at least 30 min on, span below "
        "0.5 % over the last 15 min",
        status=_UNCHECKED,
    ),
    Rule(
        name="cie-121",
        block_s=60.0,
        window_s=900.0,
        limit=0.01,
        minimum_on_s=900.0,
        source="after CIE 121-1996 and EN 13032-1, discharge luminaires: change below 1 % in "
        "15 min",
        status=_UNSURE,
    ),
    Rule(
        name="lm-51",
        block_s=60.0,
        window_s=1800.0,
        limit=0.01,
        minimum_on_s=1800.0,
        source="after IES LM-51, HID lamps: three readings 10 to 15 min apart within 1 %",
        status=_UNSURE,
    ),
)
DEFAULT_PRESET: Final = "bench"


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


def rule_from_plan(plan: Mapping[str, Any]) -> Rule:
    """Return the rule of a plan's ``[warm_up]`` table.

    A preset named by ``preset`` (default `DEFAULT_PRESET`), changed by whichever of
    ``block_s``, ``window_s``, ``limit_percent`` and ``minimum_on_s`` are given; a rule that
    was changed no longer carries the preset's source.

    Raises
    ------
    RuleError
        An unknown preset, a figure that is not a positive number (0 is allowed for the
        minimum time on), or fewer than three blocks in the window.
    """
    table = plan.get("warm_up", {})
    faults: list[str] = []
    name = table.get("preset", DEFAULT_PRESET)
    if name not in PRESETS:
        faults.append(f"warm_up.preset is {name!r}; give one of {', '.join(map(repr, PRESETS))}")
        name = DEFAULT_PRESET
    preset = PRESETS[name]
    own: dict[str, float] = {}
    for key in ("block_s", "window_s", "limit_percent", "minimum_on_s"):
        if (value := table.get(key)) is None:
            continue
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if (
            not number
            or not math.isfinite(value)
            or value < 0
            or (value == 0 and key != "minimum_on_s")
        ):
            faults.append(f"warm_up.{key} is {value!r}; give a number above 0")
            continue
        own[key] = float(value)
    if faults:
        raise RuleError("; ".join(faults))
    limit = own["limit_percent"] / 100 if "limit_percent" in own else preset.limit
    rule = Rule(
        name="own" if own else preset.name,
        block_s=own.get("block_s", preset.block_s),
        window_s=own.get("window_s", preset.window_s),
        limit=limit,
        minimum_on_s=own.get("minimum_on_s", preset.minimum_on_s),
        source=f"the plan, on the basis of preset {preset.name!r}" if own else preset.source,
        status="as the plan has it; no compliance is claimed" if own else preset.status,
    )
    if rule.blocks < 3:
        raise RuleError(
            f"warm_up: a window of {rule.window_s:g} s holds {rule.blocks} blocks of "
            f"{rule.block_s:g} s; at least 3 are needed to tell a slope"
        )
    return rule


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


def resolvability(
    rule: Rule,
    *,
    step: float,
    noise: float,
    level: float,
    interval_s: float = 1.0,
) -> str | None:
    """Say why an instrument cannot resolve the limit of a rule, or None if it can.

    What a perfectly steady lamp would show is compared with the limit: the span that noise
    alone gives to the block means, and one step of the instrument where the noise is too
    small to blur it.

    Parameters
    ----------
    rule : Rule
        The rule.
    step : float
        Smallest change the instrument can show, 0 if unknown. [unit of the readings]
    noise : float
        Standard deviation of one reading, 0 if unknown. [unit of the readings]
    level : float
        Expected reading. [unit of the readings]
    interval_s : float
        Time from one reading to the next. [s]

    Returns
    -------
    str or None
        One sentence with the numbers.
    """
    if not level > 0:
        return f"the expected reading is {level:g}; a limit in per cent needs one above 0"
    readings = rule.block_s / interval_s
    if readings < 1:
        return (
            f"one reading in {interval_s:g} s leaves blocks of {rule.block_s:g} s empty; "
            "poll faster or lengthen the block"
        )
    is_blurred = noise >= step / 2
    deviation = math.hypot(noise, step / math.sqrt(12)) if is_blurred else noise
    # Expected range of n normal values, after Blom's approximation of normal order statistics.
    n = rule.blocks
    spread = 2 * NormalDist().inv_cdf((n - 0.375) / (n + 0.25))
    shown = (spread * deviation / math.sqrt(readings) + (0 if is_blurred else step)) / level
    if shown <= rule.limit:
        return None
    return (
        f"a steady lamp would show a span of {shown:.2%} at {level:g} (step {step:g}, noise "
        f"{noise:g}, {readings:.0f} readings a block), more than the limit of {rule.limit:.2%}; "
        "use a finer instrument, a longer block or a wider limit"
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
