"""Charts against time: warm-up, wall power, drift."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from attrs import frozen
from matplotlib.ticker import MaxNLocator
from numpy.typing import ArrayLike, NDArray

from analysis.digits import duration, fixed, percent, significant
from analysis.figures.style import (
    ACCENT,
    INK,
    MUTED,
    PALE,
    PAPER,
    box,
    house_style,
    new_figure,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Floats = NDArray[np.floating[Any]]
_WIDE_IN: Final = 7.2
_BINS: Final = 420


@frozen(kw_only=True)
class Series:
    """Readings of one quantity over time. `elapsed_s` [s], shape (n,); `values`, shape (n,)."""

    elapsed_s: Floats
    values: Floats

    @classmethod
    def of(cls, elapsed_s: ArrayLike, values: ArrayLike) -> Series:
        """Take two lists of equal length; missing values are left out."""
        at, what = np.asarray(elapsed_s, dtype=float), np.asarray(values, dtype=float)
        kept = np.isfinite(at) & np.isfinite(what)
        return cls(elapsed_s=at[kept], values=what[kept])


@frozen(kw_only=True)
class Phase:
    """A named stretch of the run [s]; `short` is written where `name` finds no room."""

    name: str
    short: str = ""
    begun_s: float
    ended_s: float
    is_map: bool = False


def _binned(series: Series, begin_s: float, end_s: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Thin a series to at most `_BINS` steps, keeping the least and greatest of each.

    A dip of one reading thus stays visible at any length of run.
    """
    at, values = series.elapsed_s, series.values
    if len(at) <= _BINS or end_s <= begin_s:
        return at, values, values, values
    step = np.clip(((at - begin_s) / (end_s - begin_s) * _BINS).astype(int), 0, _BINS - 1)
    starts = np.flatnonzero(np.diff(step, prepend=-1))
    counts = np.diff(starts, append=len(at))
    return (
        np.add.reduceat(at, starts) / counts,
        np.add.reduceat(values, starts) / counts,
        np.minimum.reduceat(values, starts),
        np.maximum.reduceat(values, starts),
    )


@frozen(kw_only=True)
class WarmUpLine:
    """One quantity of a warm-up: its readings, its block means and the end it is judged by.

    Attributes
    ----------
    name : str
    readings, block_means : Series
    final : float
        What 100 % stands for: the mean over the rule's window at the end. [unit of the readings]
    """

    name: str
    readings: Series
    block_means: Series
    final: float


def warm_up(
    lines: Sequence[WarmUpLine],
    *,
    on_since_s: float,
    moment_s: float | None,
    window_s: float,
    limit: float,
    title: str,
) -> Figure:
    """Draw light and wall power as per cent of their final level, whole and magnified.

    Parameters
    ----------
    lines : sequence of WarmUpLine
        Light first, wall power second; either may be left out.
    on_since_s : float
        When the lamp was lit. [elapsed s]
    moment_s : float or None
        When both were stable by the rule, None if never. [elapsed s]
    window_s, limit : float
        The rule's window [s] and the span it allows [fraction].
    title : str
        What was lit.
    """
    looks: tuple[dict[str, Any], ...] = (
        {"color": ACCENT, "linewidth": 1.6},
        {"color": INK, "linewidth": 1.1, "linestyle": (0, (5, 1.6))},
    )
    height = 3.6
    end_s = max(
        (float(line.readings.elapsed_s[-1]) for line in lines if len(line.readings.elapsed_s)),
        default=on_since_s + 60.0,
    )
    last_min = (max(end_s, moment_s or 0.0) - on_since_s) / 60.0
    with house_style():
        figure = new_figure(_WIDE_IN, height)
        whole = box(figure, 0.62, 1.95, _WIDE_IN - 0.8, 1.2)
        near = box(figure, 0.62, 0.45, _WIDE_IN - 0.8, 1.2)
        for axes in (whole, near):
            axes.set_xlim(0, last_min * 1.005)
            axes.grid(axis="y")
            axes.set_axisbelow(True)
            if moment_s is not None:
                stable_min = (moment_s - on_since_s) / 60.0
                axes.axvspan(stable_min - window_s / 60, stable_min, color=PALE, linewidth=0)
                axes.axvline(stable_min, color=INK, linewidth=1.0)
        handles = []
        for line, look in zip(lines, looks, strict=False):
            at, mean, _, _ = _binned(line.readings, on_since_s, end_s)
            minutes = (at - on_since_s) / 60.0
            (handle,) = whole.plot(minutes, 100 * mean / line.final, label=line.name, **look)
            handles.append(handle)
            block_min = (line.block_means.elapsed_s - on_since_s) / 60.0
            near.plot(
                block_min, 100 * line.block_means.values / line.final, drawstyle="steps-pre",
                **look,
            )  # fmt: skip
        span = 100 * limit
        near.axhspan(100 - span / 2, 100 + span / 2, color=ACCENT, alpha=0.12, linewidth=0)
        near.set_ylim(100 - 4 * span, 100 + 4 * span)
        whole.set_ylim(0, 112)
        whole.set_yticks([0, 25, 50, 75, 100])
        near.set_xlabel("minutes since the lamp was lit")
        whole.tick_params(labelbottom=False)
        for axes, text in (
            (whole, "whole warm-up"),
            (near, f"magnified: block means; tinted: {percent(limit)} wide, as the rule allows "
             f"over {duration(window_s)}"),
        ):  # fmt: skip
            axes.text(0, 1.05, text, transform=axes.transAxes, fontsize=7.5, color=MUTED)
        if moment_s is not None:
            whole.annotate(
                f"shaded: the {duration(window_s)} judged; stable at "
                f"{fixed((moment_s - on_since_s) / 60, 0)} min",
                ((moment_s - on_since_s) / 60, 4), xytext=(-4, 0), textcoords="offset points",
                ha="right", va="bottom", fontsize=8,
            )  # fmt: skip
        figure.text(
            0.022,
            0.5,
            "% of final",
            rotation=90,
            rotation_mode="anchor",
            ha="center",
            va="center",
            fontsize=8,
        )
        figure.text(0.62 / _WIDE_IN, 1 - 0.1 / height, title, fontsize=9.5, weight="bold", va="top")
        figure.legend(
            handles=handles, loc="upper right", ncols=2, handlelength=2.6,
            bbox_to_anchor=(1 - 0.15 / _WIDE_IN, 1 - 0.04 / height),
        )  # fmt: skip
    return figure


def wall_power(
    power: Series,
    *,
    phases: Sequence[Phase],
    dips: Sequence[tuple[float, float]],
    mean_w: float | None,
    title: str,
    dip_rule: str,
) -> Figure:
    """Draw wall power over the whole run as a strip, whole and magnified, with its dips.

    Parameters
    ----------
    power : Series
        Wall power. [W]
    phases : sequence of Phase
        Named along the top.
    dips : sequence of (elapsed_s, watts)
        Where a mark is set.
    mean_w : float or None
        What the magnified strip is drawn against, the mean while maps were read; without it
        there is no such strip. [W]
    title : str
    dip_rule : str
        What counts as a dip, in words.
    """
    height = 3.2 if mean_w else 2.15
    with house_style():
        figure = new_figure(_WIDE_IN, height)
        begin_s = min([float(power.elapsed_s[0]), *(phase.begun_s for phase in phases)])
        end_s = max([float(power.elapsed_s[-1]), *(phase.ended_s for phase in phases)])
        at, mean, low, high = _binned(power, begin_s, end_s)
        strips = [(box(figure, 0.62, height - 1.58, _WIDE_IN - 0.8, 1.0), 1.0, "wall power (W)")]
        if mean_w:
            near = box(figure, 0.62, 0.45, _WIDE_IN - 0.8, 0.95)
            strips.append((near, mean_w / 100, f"% of {significant(mean_w)} W"))
        for number, (axes, unit_w, label) in enumerate(strips):
            axes.fill_between(at / 60, low / unit_w, high / unit_w, color=MUTED, alpha=0.35,
                              linewidth=0)  # fmt: skip
            axes.plot(at / 60, mean / unit_w, color=INK, linewidth=1.0)
            if number:
                axes.set_ylim(*_near_limits(power, phases, unit_w))
            else:
                top = float(power.values.max())
                axes.set_ylim(0, 1.12 * top if top > 0 else 1.0)
            axes.set(xlim=(begin_s / 60, end_s / 60), ylabel=label)
            axes.yaxis.set_label_coords(-0.48 / (_WIDE_IN - 0.8), 0.5)
            axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
            axes.grid(axis="y")
            axes.set_axisbelow(True)
            _name_phases(axes, phases, (end_s - begin_s) / 60.0, named=not number)
            floor = axes.get_ylim()[0]
            for when_s, watts in dips:
                # A dip below the magnified strip is marked at its foot.
                axes.plot([when_s / 60], [max(watts / unit_w, floor)], marker="v", markersize=5.5,
                          color=ACCENT, markeredgecolor=PAPER, markeredgewidth=0.5, zorder=4,
                          clip_on=False)  # fmt: skip
        if mean_w:
            strips[0][0].tick_params(labelbottom=False)
        strips[-1][0].set_xlabel("minutes since the run began")
        said = f"{len(dips)} marked" if dips else "none seen"
        figure.text(0.62 / _WIDE_IN, 1 - 0.1 / height, title, fontsize=9.5, weight="bold", va="top")
        figure.text(
            1 - 0.18 / _WIDE_IN, 1 - 0.12 / height, f"dips {dip_rule}: {said}", va="top",
            ha="right", fontsize=7.5, color=MUTED,
        )  # fmt: skip
    return figure


def _near_limits(power: Series, phases: Sequence[Phase], unit_w: float) -> tuple[float, float]:
    """Frame the steady part: the middle 98 % of the readings while maps were read."""
    within = np.zeros(len(power.elapsed_s), dtype=bool)
    for phase in phases:
        if phase.is_map:
            within |= (power.elapsed_s >= phase.begun_s) & (power.elapsed_s <= phase.ended_s)
    steady = power.values[within] if within.any() else power.values
    low, high = np.percentile(steady, [1, 99]) / unit_w
    reach = max(float(high - low), 0.6) * 0.75
    return (low + high) / 2 - reach, (low + high) / 2 + reach


def _name_phases(axes: Any, phases: Sequence[Phase], span_min: float, *, named: bool) -> None:
    for phase in phases:
        begin, end = phase.begun_s / 60, phase.ended_s / 60
        if phase.is_map:
            axes.axvspan(begin, end, color=PALE, linewidth=0, zorder=0)
        room_in = (end - begin) / span_min * (_WIDE_IN - 0.8)
        fits = [name for name in (phase.name, phase.short) if len(name) * 0.062 < room_in]
        if named and fits:
            axes.text(
                (begin + end) / 2, 1.03, fits[0], transform=axes.get_xaxis_transform(),
                ha="center", va="bottom", fontsize=7, color=MUTED,
            )  # fmt: skip


def drift(tracks: Sequence[tuple[str, Series]], *, limit: float | None, title: str) -> Figure:
    """Draw what the reference read in the course of each map, against its own mean.

    Parameters
    ----------
    tracks : sequence of (name, Series)
        One panel for each map.
    limit : float or None
        Drift beyond which a map is not accepted, drawn as a band of that width. [fraction]
    title : str
    """
    height, left, gap = 2.0, 0.62, 0.2
    width = (_WIDE_IN - left - 0.18 - gap * (len(tracks) - 1)) / len(tracks)
    changes = [100 * (series.values / series.values.mean() - 1) for _, series in tracks]
    worst = max(0.2, *(float(np.abs(change).max()) for change in changes))
    reach = 1.25 * worst
    if limit is not None and 50 * limit < 4 * worst:
        reach = max(reach, 62 * limit)
    with house_style():
        figure = new_figure(_WIDE_IN, height)
        for number, ((name, series), change) in enumerate(zip(tracks, changes, strict=True)):
            axes = box(figure, left + number * (width + gap), 0.45, width, 1.02)
            minutes = (series.elapsed_s - series.elapsed_s[0]) / 60
            axes.axhline(0, color=MUTED, linewidth=0.7)
            if limit is not None:
                for side in (-50 * limit, 50 * limit):
                    axes.axhline(side, color=INK, linewidth=0.8, linestyle=(0, (3.2, 1.6)))
            axes.plot(minutes, change, color=ACCENT, linewidth=1.1, marker="o",
                      markersize=3 if len(minutes) < 30 else 1.6)  # fmt: skip
            axes.set(ylim=(-reach, reach), xlabel="minutes into the map")
            axes.xaxis.set_major_locator(MaxNLocator(5, integer=True))
            axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
            axes.grid(axis="y")
            axes.set_axisbelow(True)
            axes.text(0, 1.05, name, transform=axes.transAxes, fontsize=7.5, color=MUTED)
            if number:
                axes.tick_params(labelleft=False)
            else:
                axes.set_ylabel("% of its mean")
                axes.yaxis.set_label_coords(-0.46 / width, 0.5)
        figure.text(left / _WIDE_IN, 1 - 0.1 / height, title, fontsize=9.5, weight="bold", va="top")
        if limit is not None:
            figure.text(
                1 - 0.18 / _WIDE_IN, 1 - 0.12 / height,
                f"not accepted beyond a span of {significant(100 * limit, 2)} %"
                + (" (dashed)" if 50 * limit < reach else ""),
                va="top", ha="right", fontsize=7.5, color=MUTED,
            )  # fmt: skip
    return figure
