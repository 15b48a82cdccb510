"""The control reflector over months: is the bench still the bench it was?

One kept reflector, never sold, is measured again and again with the same lamp, ballast and walls.
What it shows is the bench: walls that grey, a lamp that fades, a sensor that drifts. A chart of
its single results (an individuals chart) tells an odd one from the usual scatter, and a fitted line
tells slow fading, so that neither is credited to a device that happened to be on the bench then.

The usual scatter is taken from the differences between neighbouring results, so that a slow drift
does not hide itself: σ = mean |difference| / 1.128. Differences beyond 3.267 times that mean are
set aside once, and a result with no other differences stays out of the centre, so that an odd one
neither hides itself nor makes all others look odd.

References
----------
.. [1] Western Electric, Statistical Quality Control Handbook, 1956: the four zone rules (from
   memory).
.. [2] L. S. Nelson, The Shewhart control chart: tests for special causes, Journal of Quality
   Technology 16 (1984) 237: run of nine, trend of six (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

from analysis.digits import signed_percent
from analysis.line_fit import fit_line

Floats = NDArray[np.float64]

#: Mean range of two values from one normal distribution, in σ: 2/√π.
D2_OF_TWO: Final = 2.0 / math.sqrt(math.pi)
D4_OF_TWO: Final = 3.267
"""Upper limit of a range of two values, in mean ranges (tables of constants, from memory)."""
LEAST_RESULTS: Final = 8
"""Below this the limits themselves are guesses, and only the values are shown."""
DAYS_PER_MONTH: Final = 365.25 / 12.0


@frozen(kw_only=True)
class Signal:
    """One rule that a result breaks.

    Attributes
    ----------
    at : int
        Index of the result that completes the pattern.
    rule : str
        What happened, in words.
    """

    at: int
    rule: str


@frozen(kw_only=True)
class ControlChart:
    """Centre, limits, signals and fading of one control.

    Attributes
    ----------
    days : array, shape (n,)
        Since the first result. [d]
    values : array, shape (n,)
    centre, sigma : float
        NaN for sigma with fewer than two results.
    signals : tuple of Signal
        Empty with fewer than `LEAST_RESULTS` results.
    fading_per_month, fading_half_width : float or None
        Slope of a straight line relative to the centre, and the half-width of its 95 % interval;
        None with fewer than `LEAST_RESULTS` results. [fraction per month]
    sentence : str
        The verdict for people.
    """

    days: Floats
    values: Floats
    centre: float
    sigma: float
    signals: tuple[Signal, ...]
    fading_per_month: float | None
    fading_half_width: float | None
    sentence: str

    @property
    def limits(self) -> tuple[float, float]:
        """Three σ below and above the centre."""
        return self.centre - 3 * self.sigma, self.centre + 3 * self.sigma

    @property
    def is_fading(self) -> bool:
        """Whether the slope differs from 0 with 95 % confidence."""
        return (
            self.fading_per_month is not None
            and self.fading_half_width is not None
            and abs(self.fading_per_month) > self.fading_half_width
        )


def control_chart(days: ArrayLike, values: ArrayLike) -> ControlChart:
    """Chart the results of a control in the order of time.

    Parameters
    ----------
    days : array, shape (n,)
        When, rising. [d]
    values : array, shape (n,)
        Plane efficacy, mean PPFD, or any one figure of the control.

    Raises
    ------
    ValueError
        No results, not as many days as values, days that fall, or a value that is no number.
    """
    when = np.asarray(days, dtype=np.float64)
    results = np.asarray(values, dtype=np.float64)
    if when.ndim != 1 or when.shape != results.shape or not len(when):
        raise ValueError(
            f"days and values are of shapes {when.shape} and {results.shape}; give two lists of "
            "the same length, 1 or more"
        )
    if (np.diff(when) < 0).any() or not (np.isfinite(when) & np.isfinite(results)).all():
        raise ValueError("days have to rise, and days and values to be finite")
    when = when - when[0]
    ranges = np.abs(np.diff(results))
    is_usual = ranges <= D4_OF_TWO * ranges.mean() if len(ranges) else np.zeros(0, dtype=bool)
    # A result is odd if it is far from all its neighbours; a step of the bench is not.
    is_odd = ~(np.append(is_usual, False) | np.insert(is_usual, 0, False)) & (len(ranges) > 0)
    centre = float(results[~is_odd].mean())
    sigma = float(ranges[is_usual].mean()) / D2_OF_TWO if len(ranges) else math.nan
    enough = len(results) >= LEAST_RESULTS
    signals = broken_rules((results - centre) / sigma) if enough and sigma > 0 else ()
    slope, half = _fading(when, results, centre) if enough else (None, None)
    return ControlChart(
        days=when,
        values=results,
        centre=centre,
        sigma=sigma,
        signals=signals,
        fading_per_month=slope,
        fading_half_width=half,
        sentence=_sentence(len(results), signals, slope, half),
    )


def broken_rules(z: ArrayLike) -> tuple[Signal, ...]:
    """List the patterns that hardly come by chance.

    Parameters
    ----------
    z : array, shape (n,)
        Results less the centre, in σ.
    """
    scores = np.asarray(z, dtype=np.float64)
    found: list[Signal] = []
    for at in range(len(scores)):
        found += [
            Signal(at=at, rule=rule)
            for rule, length, needed, beyond in _ZONES
            if _zone(scores, at, length, needed, beyond)
        ]
        last = scores[max(0, at - 5) : at + 1]
        if len(last) == 6 and (np.all(np.diff(last) > 0) or np.all(np.diff(last) < 0)):
            found.append(Signal(at=at, rule="six in a row rise, or fall, all the time"))
    return tuple(found)


RULES: Final = (
    "one beyond 3 σ, two of three beyond 2 σ, four of five beyond 1 σ on one side (Western "
    "Electric 1956)",
    "nine in a row on one side, six in a row rising or falling (Nelson 1984)",
)
"""All of them with their sources, in words."""

#: Words, how many results are looked at, how many must lie beyond so many σ on one side.
_ZONES: Final = (
    ("one beyond 3 σ", 1, 1, 3.0),
    ("two of three beyond 2 σ on one side", 3, 2, 2.0),
    ("four of five beyond 1 σ on one side", 5, 4, 1.0),
    ("nine in a row on one side of the centre", 9, 9, 0.0),
)


def _zone(scores: Floats, at: int, length: int, needed: int, beyond: float) -> bool:
    """Whether this result completes the pattern: it lies beyond, and so do enough before it."""
    last = scores[max(0, at - length + 1) : at + 1]
    return any(
        side * last[-1] > beyond and int(np.sum(side * last > beyond)) >= needed for side in (1, -1)
    )


def _fading(days: Floats, values: Floats, centre: float) -> tuple[float | None, float | None]:
    if days[-1] <= 0 or centre == 0:
        return None, None
    line = fit_line(days, values)
    scale = DAYS_PER_MONTH / centre
    return line.slope * scale, abs(line.slope_half_width() * scale)


def _sentence(
    count: int, signals: Sequence[Signal], slope: float | None, half: float | None
) -> str:
    if count < LEAST_RESULTS:
        return (
            f"{count} result{'s' if count != 1 else ''} of the control; limits are stated from "
            f"{LEAST_RESULTS} on."
        )
    parts = []
    if slope is not None and half is not None and abs(slope) > half:
        parts.append(
            f"The control changes by {signed_percent(slope)} a month (± {100 * half:.2g} %): "
            "walls, lamp or sensor are changing, and no device may be credited or blamed for it."
        )
    if signals:
        parts.append(
            f"{len({one.at for one in signals})} of {count} results are out of the ordinary; look "
            "at the bench before comparing across them."
        )
    return " ".join(parts) or f"The bench is steady over {count} results of the control."
