"""The chart of the control reflector: single results over months, with their limits."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from attrs import frozen
from matplotlib.dates import AutoDateLocator, DateFormatter, date2num
from matplotlib.ticker import MaxNLocator

from analysis.control_chart import DAYS_PER_MONTH, LEAST_RESULTS, RULES, ControlChart
from analysis.digits import percent, signed_percent, significant
from analysis.figures.style import ACCENT, INK, MUTED, PALE, PAPER, box, house_style, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDE_IN: Final = 7.2
_LEFT_IN: Final = 0.72
_RIGHT_IN: Final = 1.42
_PANEL_IN: Final = 1.5
_BETWEEN_IN: Final = 0.42


@frozen(kw_only=True)
class Panel:
    """One figure of the control: what it is, its unit, and its chart."""

    name: str
    unit: str
    chart: ControlChart


def control_figure(
    panels: Sequence[Panel], *, begun: Sequence[datetime], title: str, about: str
) -> Figure:
    """Draw the panels one above the other over one axis of time.

    Parameters
    ----------
    panels : sequence of Panel
        All with as many results.
    begun : sequence of datetime
        When each result was measured.
    title : str
    about : str
        What all results have in common, below the title.
    """
    height = 0.66 + len(panels) * (_PANEL_IN + _BETWEEN_IN) + 0.22
    wide = _WIDE_IN - _LEFT_IN - _RIGHT_IN
    at = np.array([date2num(moment) for moment in begun])
    span = max(float(at[-1] - at[0]), 1.0)
    with house_style():
        figure = new_figure(_WIDE_IN, height)
        for number, panel in enumerate(panels):
            bottom = height - 0.66 - (number + 1) * (_PANEL_IN + _BETWEEN_IN) + _BETWEEN_IN
            axes = box(figure, _LEFT_IN, bottom, wide, _PANEL_IN)
            axes.set_xlim(at[0] - 0.04 * span, at[-1] + 0.04 * span)
            _panel(axes, panel, at)
            axes.xaxis.set_major_locator(AutoDateLocator(minticks=3, maxticks=6))
            axes.xaxis.set_major_formatter(DateFormatter("%Y-%m-%d"))
            if number < len(panels) - 1:
                axes.tick_params(labelbottom=False)
        if len(at) >= LEAST_RESULTS:
            told = "Out of the ordinary: " + ";\n".join(RULES) + "."
            figure.text(0.1 / _WIDE_IN, 0.09 / height, told, fontsize=6.6, color=MUTED,
                        va="bottom", linespacing=1.4)  # fmt: skip
        figure.text(0.1 / _WIDE_IN, 1 - 0.1 / height, title, fontsize=9.5, weight="bold", va="top")
        figure.text(0.1 / _WIDE_IN, 1 - 0.3 / height, about, fontsize=7, color=MUTED, va="top")
    return figure


def _panel(axes: Any, panel: Panel, at: np.ndarray) -> None:
    chart = panel.chart
    odd = sorted({signal.at for signal in chart.signals})
    axes.text(0, 1.05, f"{panel.name} ({panel.unit})", transform=axes.transAxes, fontsize=8)
    axes.plot(at, chart.values, color=MUTED, linewidth=0.8, zorder=2)
    axes.plot(at, chart.values, linestyle="none", marker="o", markersize=4, color=INK, zorder=3)
    if odd:
        axes.plot(at[odd], chart.values[odd], linestyle="none", marker="D", markersize=6.5,
                  color=ACCENT, markeredgecolor=PAPER, markeredgewidth=0.7, zorder=4)  # fmt: skip
    low, high = float(chart.values.min()), float(chart.values.max())
    if len(chart.values) >= LEAST_RESULTS and chart.sigma > 0:
        lower, upper = chart.limits
        axes.axhspan(lower, upper, color=PALE, linewidth=0, zorder=0)
        for value, dashes, said in (
            (upper, (4, 2), f"limit {significant(upper, 4)}"),
            (chart.centre, (1, 0), f"centre {significant(chart.centre, 4)}"),
            (lower, (4, 2), f"limit {significant(lower, 4)}"),
        ):
            axes.axhline(value, color=MUTED, linewidth=0.8, dashes=dashes, zorder=1)
            _beside(axes, value, said, INK)
        low, high = min(low, lower), max(high, upper)
    if chart.is_fading and chart.fading_per_month is not None:
        slope = chart.fading_per_month * chart.centre / DAYS_PER_MONTH
        line = chart.centre + slope * (chart.days - chart.days.mean())
        axes.plot(at, line, color=ACCENT, linewidth=1.6, zorder=2.5)
    # Two per cent at least, lest mere noise look like a landslide.
    reach = max(high - low, 0.02 * abs(chart.centre)) or 1.0
    middle = (low + high) / 2
    axes.set_ylim(middle - 0.64 * reach, middle + 0.64 * reach)
    axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    axes.text(1, 1.05, _told(chart, len(odd)), transform=axes.transAxes, fontsize=7, ha="right",
              color=MUTED)  # fmt: skip


def _beside(axes: Any, value: float, text: str, colour: str) -> None:
    axes.annotate(text, (1, value), xycoords=axes.get_yaxis_transform(), xytext=(4, 0),
                  textcoords="offset points", fontsize=7, color=colour, va="center")  # fmt: skip


def _told(chart: ControlChart, odd: int) -> str:
    if len(chart.values) < LEAST_RESULTS:
        return f"{len(chart.values)} results; limits from {LEAST_RESULTS} on"
    parts = []
    if chart.is_fading:
        half = percent(chart.fading_half_width)
        parts.append(f"line: {signed_percent(chart.fading_per_month)} ± {half} a month")
    if odd:
        parts.append(f"diamonds: {odd} out of the ordinary")
    return "; ".join(parts) or "steady"
