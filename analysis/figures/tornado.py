"""The tornado chart: which input of a sum matters most, largest bar on top."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from attrs import frozen
from matplotlib.ticker import MaxNLocator

from analysis.digits import significant
from analysis.figures.style import ACCENT, INK, MUTED, PAPER, box, house_style, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDE_IN: Final = 7.2
_NAMES_IN: Final = 2.75
_BAR_IN: Final = 0.27


@frozen(kw_only=True)
class Bar:
    """One input: its name, the range it is moved over in words, and what comes out at each end."""

    name: str
    moved: str
    at_low: float
    at_high: float


def tornado(bars: Sequence[Bar], *, centre: float, unit: str, title: str) -> Figure:
    """Draw one bar for each input around what comes out with all of them as they are.

    Parameters
    ----------
    bars : sequence of Bar
        Largest first.
    centre : float
        Result with all inputs as they are.
    unit : str
        Of the result, for the axis.
    title : str
    """
    height = 1.12 + _BAR_IN * len(bars)
    wide = _WIDE_IN - _NAMES_IN - 0.35
    with house_style():
        figure = new_figure(_WIDE_IN, height)
        axes = box(figure, _NAMES_IN, 0.5, wide, _BAR_IN * len(bars))
        reach = max((abs(end - centre) for bar in bars for end in (bar.at_low, bar.at_high)),
                    default=1.0) or 1.0  # fmt: skip
        for place, bar in enumerate(bars):
            for end, colour in ((bar.at_low, PAPER), (bar.at_high, ACCENT)):
                axes.barh(place, end - centre, left=centre, height=0.62, color=colour,
                          edgecolor=ACCENT, linewidth=0.9, zorder=2)  # fmt: skip
            left, right = sorted((bar.at_low, bar.at_high))
            for end, side in ((min(left, centre), -1), (max(right, centre), 1)):
                axes.annotate(significant(end), (end, place), xytext=(3.5 * side, 0),
                              textcoords="offset points", ha="left" if side > 0 else "right",
                              va="center", fontsize=7)  # fmt: skip
            axes.text(-0.13 / wide, place - 0.17, bar.name, transform=axes.get_yaxis_transform(),
                      ha="right", va="center", fontsize=8)  # fmt: skip
            axes.text(-0.13 / wide, place + 0.24, bar.moved, transform=axes.get_yaxis_transform(),
                      ha="right", va="center", fontsize=6.6, color=MUTED)  # fmt: skip
        axes.axvline(centre, color=INK, linewidth=1.1, zorder=3)
        axes.set(xlim=(centre - 1.3 * reach, centre + 1.3 * reach), xlabel=unit,
                 ylim=(len(bars) - 0.5, -0.5))  # fmt: skip
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
        figure.text(0.1 / _WIDE_IN, 1 - 0.1 / height, title, fontsize=9.5, weight="bold", va="top")
        told = (
            f"one input moved at a time; line: {significant(centre)} with all as they are; filled: "
            "the input at the higher end of its range, hollow: at the lower"
        )
        figure.text(0.1 / _WIDE_IN, 1 - 0.32 / height, told, fontsize=7, color=MUTED, va="top")
    return figure
