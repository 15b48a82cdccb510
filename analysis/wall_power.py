"""Statistics of the wall power while the maps were read."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from attrs import asdict, frozen
from numpy.typing import ArrayLike, NDArray

from analysis.digits import percent
from analysis.line_fit import fit_line

Floats = NDArray[np.floating[Any]]

DIP_DEPTH: Final = 0.05
"""A dip is a fall of more than this below the median; common practice, no source."""
BLOCK_S: Final = 60.0
"""Trend is fitted to means over such blocks, which a meter's own noise does not link. [s]"""


@frozen(kw_only=True)
class Dip:
    """A stretch of readings that lie below the median by more than `DIP_DEPTH`."""

    start_s: float
    duration_s: float
    lowest_w: float


@frozen(kw_only=True)
class WallPower:
    """Wall power over one stretch of time.

    Attributes
    ----------
    count : int
        Number of readings.
    mean_w, minimum_w, maximum_w, span_w : float
        Mean, extremes, and largest less smallest. [W]
    sd_w : float
        Standard deviation of the readings; NaN for fewer than two. [W]
    trend_percent_per_hour, trend_interval : float
        Slope of the fitted line and the half-width of its 95 % interval, on block means; NaN
        for fewer than three blocks. [% of the mean per hour]
    dips : tuple of Dip
        Stretches below the median by more than `DIP_DEPTH`.
    shortest_dip_seen_s : float
        A dip shorter than this can pass unseen: time between readings plus the time that a
        reading averages over. [s]
    longest_gap_s : float
        Longest time between the starts of two readings. [s]
    """

    count: int
    mean_w: float
    minimum_w: float
    maximum_w: float
    span_w: float
    sd_w: float
    trend_percent_per_hour: float
    trend_interval: float
    dips: tuple[Dip, ...]
    shortest_dip_seen_s: float
    longest_gap_s: float

    @property
    def span(self) -> float:
        """Span over the mean. [unitless]"""
        return self.span_w / self.mean_w if self.mean_w else math.nan

    @property
    def dips_sentence(self) -> str:
        """What can be said about dips, within what the meter can see."""
        if math.isnan(self.shortest_dip_seen_s):
            return "Dips in wall power: not stated, there is no series of readings."
        count = len(self.dips)
        found = "No dips" if count == 0 else "1 dip" if count == 1 else f"{count} dips"
        return (
            f"{found} in wall power longer than {self.shortest_dip_seen_s:.1f} s "
            f"(more than {percent(DIP_DEPTH, 0)} below the median)."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {**asdict(self), "span": self.span, "dips_sentence": self.dips_sentence}


def wall_power(start_s: ArrayLike, end_s: ArrayLike, power_w: ArrayLike) -> WallPower | None:
    """Describe a series of wall-power readings, or return None if there is not one.

    Parameters
    ----------
    start_s, end_s : array, shape (n,)
        Time that each reading averages over, rising; NaN where it is not known. [elapsed s]
    power_w : array, shape (n,)
        Active power; NaN is skipped. [W]
    """
    power = np.asarray(power_w, dtype=float)
    good = np.isfinite(power)
    power = power[good]
    if len(power) == 0:
        return None
    start = np.asarray(start_s, dtype=float)[good]
    end = np.asarray(end_s, dtype=float)[good]
    timed = bool(np.isfinite(start).all()) and len(power) > 1
    steps_s = np.diff(start) if timed else np.empty(0)
    slope, half_width = _trend(start, power) if timed else (math.nan, math.nan)
    mean_w = float(power.mean())
    return WallPower(
        count=len(power),
        mean_w=mean_w,
        minimum_w=float(power.min()),
        maximum_w=float(power.max()),
        span_w=float(power.max() - power.min()),
        sd_w=float(power.std(ddof=1)) if len(power) > 1 else math.nan,
        trend_percent_per_hour=slope / mean_w * 100 if mean_w else math.nan,
        trend_interval=half_width / mean_w * 100 if mean_w else math.nan,
        dips=_dips(start, end, power) if timed else (),
        shortest_dip_seen_s=(
            float(np.median(steps_s) + np.nan_to_num(np.median(end - start))) if timed else math.nan
        ),
        longest_gap_s=float(steps_s.max()) if timed else math.nan,
    )


def _trend(start_s: Floats, power_w: Floats) -> tuple[float, float]:
    """Slope and the half-width of its 95 % interval. [W/h]"""
    block = ((start_s - start_s[0]) // BLOCK_S).astype(np.int64)
    count = np.bincount(block)
    filled = count > 0
    if filled.sum() < 3:
        return math.nan, math.nan
    hours = np.bincount(block, start_s - start_s[0])[filled] / count[filled] / 3600
    means = np.bincount(block, power_w)[filled] / count[filled]
    line = fit_line(hours, means)
    return line.slope, line.slope_half_width()


def _dips(start_s: Floats, end_s: Floats, power_w: Floats) -> tuple[Dip, ...]:
    low = power_w < np.median(power_w) * (1 - DIP_DEPTH)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], low, [False])).astype(np.int8)))
    return tuple(
        Dip(
            start_s=float(start_s[first]),
            duration_s=float(np.nanmax((end_s[past - 1], start_s[past - 1])) - start_s[first]),
            lowest_w=float(power_w[first:past].min()),
        )
        for first, past in zip(edges[::2], edges[1::2], strict=True)
    )
