"""Trade-off against mounting height: what falls, what rises, and where every limit holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from attrs import frozen
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from analysis.digits import EFFICACY_UNIT, FLUX_UNIT, PPFD_UNIT
from analysis.figures.style import (
    ACCENT,
    INK,
    MUTED,
    PALE,
    PAPER,
    RULE,
    box,
    house_style,
    new_figure,
)
from analysis.height_limits import CLEARANCE, HOT_SPOTS, MEAN, MIN_TO_MEAN, PEAK, Limit

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analysis.height_curves import Curve
    from analysis.heights import Heights

Floats = NDArray[np.floating[Any]]
_WIDE_IN: Final = 7.2
_LEFT_IN, _RIGHT_IN = 0.95, 0.85
_PANEL_IN, _GAP_IN = 1.02, 0.17
_ROW_IN: Final = 0.2
_DASHES: Final = (0, (4, 2))
_NAMES: Final = {
    PEAK: "peak",
    MEAN: "mean",
    MIN_TO_MEAN: "min/mean",
    HOT_SPOTS: "no hot spot",
    CLEARANCE: "clearance",
}


@frozen
class _Panel:
    label: str
    curve: Curve
    key: str


def height_trade_off(found: Heights, *, title: str) -> Figure:
    """Draw peak, min/mean, mean (with delivered flux) and plane efficacy against height.

    Below the curves one bar for each limit shows where it holds; the answer goes through all.

    Parameters
    ----------
    found : Heights
        Of a run with at least two usable heights.
    title : str
    """
    curves, answer = found.curves, found.answer
    panels = [
        _Panel(f"peak PPFD\n({PPFD_UNIT})", curves.peak, PEAK),
        _Panel("min/mean", curves.min_to_mean, MIN_TO_MEAN),
        _Panel(f"mean PPFD\n({PPFD_UNIT})", curves.mean, MEAN),
    ]
    if curves.efficacy is not None:
        panels.append(_Panel(f"plane efficacy\n({EFFICACY_UNIT})", curves.efficacy, ""))
    bars_in = _ROW_IN * len(found.limits) + 0.06
    foot_in, head_in = 0.48, 0.72
    height = head_in + len(panels) * (_PANEL_IN + _GAP_IN) + bars_in + 0.1 + foot_in
    width_in = _WIDE_IN - _LEFT_IN - _RIGHT_IN
    span = (curves.heights_mm[0], curves.heights_mm[-1])
    margin = 0.02 * (span[1] - span[0])
    wanted = {limit.key: limit for limit in found.limits}
    with house_style():
        figure = new_figure(_WIDE_IN, height)
        bottom = height - head_in
        drawn = []
        for panel in panels:
            bottom -= _PANEL_IN
            axes = box(figure, _LEFT_IN, bottom, width_in, _PANEL_IN)
            bottom -= _GAP_IN
            _draw_curve(axes, panel, found, wanted.get(panel.key))
            axes.tick_params(labelbottom=False)
            if panel.key == MEAN:
                _add_flux(axes, found)
            drawn.append(axes)
        bars = box(figure, _LEFT_IN, foot_in, width_in, bars_in)
        _draw_bars(bars, found.limits)
        bars.text(
            0, 1.02, "where each limit holds with 95 % confidence; grey: not decided",
            transform=bars.transAxes, fontsize=7.5, color=MUTED,
        )  # fmt: skip
        bars.set_xlabel("mounting height (mm)")
        drawn.append(bars)
        for axes in drawn:
            axes.set_xlim(span[0] - margin, span[1] + margin)
            axes.xaxis.set_major_locator(MaxNLocator(9, steps=[1, 2, 5, 10], integer=True))
            if answer.undecided_mm is not None:
                axes.axvspan(*answer.undecided_mm, color=PALE, linewidth=0, zorder=0)
            if answer.lowest_mm is not None and answer.binding is not None:
                axes.axvline(answer.lowest_mm, color=INK, linewidth=1.1, zorder=4)
        _name_answer(drawn[0], found)
        figure.text(0.1 / _WIDE_IN, 1 - 0.1 / height, title, fontsize=9.5, weight="bold", va="top")
        figure.text(
            0.1 / _WIDE_IN, 1 - 0.3 / height,
            "line: from the maps; band: 95 %; dots: heights measured; dashed: limit of the plan; "
            "tinted: not decided",
            fontsize=7.5, color=MUTED, va="top",
        )  # fmt: skip
    return figure


def _draw_curve(axes: Any, panel: _Panel, found: Heights, limit: Limit | None) -> None:
    curves, curve = found.curves, panel.curve
    at, low, high = curves.heights_mm, curve.quantile(0.025), curve.quantile(0.975)
    axes.fill_between(at, low, high, color=ACCENT, alpha=0.17, linewidth=0, zorder=1)
    axes.plot(at, curve.value, color=ACCENT, linewidth=1.6, zorder=3)
    measured = np.isin(at, curves.planes_mm)
    axes.plot(
        at[measured], curve.value[measured], linestyle="none", marker="o", markersize=4.6,
        color=ACCENT, markeredgecolor=PAPER, markeredgewidth=0.7, zorder=5, clip_on=False,
    )  # fmt: skip
    least, most = float(low.min()), float(high.max())
    reach = max(most - least, 0.02 * abs(most), 1e-9)
    if limit is not None:
        # A limit far off would flatten the curve; it is named at the border instead.
        if least - reach <= limit.wanted <= most + reach:
            least, most = min(least, limit.wanted), max(most, limit.wanted)
            axes.axhline(limit.wanted, color=INK, linewidth=1.0, linestyle=_DASHES, zorder=2)
            # Named at the end at which the curve is farther away.
            ends = [abs(float(curve.value[at]) - limit.wanted) for at in (0, -1)]
            is_left = ends[0] > ends[1]
            axes.annotate(
                f"limit {limit.wanted:g}", (0.01 if is_left else 0.99, limit.wanted),
                xycoords=axes.get_yaxis_transform(), xytext=(0, 2.5), textcoords="offset points",
                ha="left" if is_left else "right", va="bottom", fontsize=7.5,
            )  # fmt: skip
        else:
            side = "above" if limit.wanted > most else "below"
            axes.text(
                0.995, 0.97 if side == "above" else 0.03, f"limit {limit.wanted:g}, {side}",
                transform=axes.transAxes, ha="right", fontsize=7, color=MUTED,
                va="top" if side == "above" else "bottom",
            )  # fmt: skip
    pad = 0.08 * max(most - least, reach)
    axes.set_ylim(least - pad, most + pad)
    axes.set_ylabel(panel.label)
    axes.yaxis.set_label_coords(-0.58 / (_WIDE_IN - _LEFT_IN - _RIGHT_IN), 0.5)
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    axes.grid(axis="y")
    axes.set_axisbelow(True)


def _add_flux(axes: Any, found: Heights) -> None:
    """Delivered flux is the mean times the area: the same curve, read on the right."""
    area_m2 = float(found.curves.flux.value[0] / found.curves.mean.value[0])
    right = axes.twinx()
    right.set_ylim(*(value * area_m2 for value in axes.get_ylim()))
    right.spines["right"].set_visible(True)
    right.set_ylabel(f"delivered flux\n({FLUX_UNIT})")
    right.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))


def _draw_bars(axes: Any, limits: Sequence[Limit]) -> None:
    for row, limit in enumerate(limits):
        for spans, colour in ((limit.possible_mm, RULE), (limit.holds_mm, ACCENT)):
            for begin, end in spans:
                axes.barh(
                    row, max(end - begin, 0.0), left=begin, height=0.5, color=colour, linewidth=0,
                    zorder=2,
                )  # fmt: skip
    axes.set_ylim(len(limits) - 0.4, -0.6)
    axes.set_yticks(range(len(limits)), [_NAMES[limit.key] for limit in limits])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def _name_answer(axes: Any, found: Heights) -> None:
    answer = found.answer
    if answer.lowest_mm is None or answer.binding is None:
        return
    low, high = found.range_mm
    share = (answer.lowest_mm - low) / (high - low)
    axes.annotate(
        f"lowest height, {np.ceil(answer.lowest_mm - 1e-6):.0f} mm", (answer.lowest_mm, 1),
        xycoords=axes.get_xaxis_transform(), xytext=(0, 3),
        textcoords="offset points", va="bottom", fontsize=8,
        ha="left" if share < 0.15 else "right" if share > 0.85 else "center",
    )  # fmt: skip
