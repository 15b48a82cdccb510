"""What an uncertainty is made of, as bars: the largest cause on top, one colour for each run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from attrs import frozen
from matplotlib.ticker import MaxNLocator

from analysis.figures.style import ACCENT, INK, MUTED, PAPER, box, house_style, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDE_IN: Final = 7.2
_NAMES_IN: Final = 2.75
_BAR_IN: Final = 0.24


@frozen(kw_only=True)
class BudgetBar:
    """One cause: its standard uncertainty [%], and whether it was measured."""

    name: str
    percent: float
    is_measured: bool


def budget_bars(bars: Sequence[BudgetBar], *, combined_percent: float, title: str) -> Figure:
    """Draw the standard uncertainty from each cause, and all together.

    Parameters
    ----------
    bars : sequence of BudgetBar
        Largest first.
    combined_percent : float
        Of all causes. [%]
    title : str
    """
    rows = len(bars) + 1
    height = 1.12 + _BAR_IN * rows
    wide = _WIDE_IN - _NAMES_IN - 0.35
    with house_style():
        figure = new_figure(_WIDE_IN, height)
        axes = box(figure, _NAMES_IN, 0.5, wide, _BAR_IN * rows)
        drawn = [(bar.name, bar.percent, PAPER if bar.is_measured else ACCENT) for bar in bars]
        whole = ("all together", combined_percent, INK)
        for place, (name, percent, colour) in enumerate([whole, *drawn]):
            weight = "normal" if place else "bold"
            axes.barh(place, percent, height=0.66, color=colour, zorder=2,
                      edgecolor=INK if place == 0 else ACCENT, linewidth=0.9)  # fmt: skip
            axes.annotate(f"{percent:.2f}", (percent, place), xytext=(3.5, 0), va="center",
                          textcoords="offset points", fontsize=7)  # fmt: skip
            axes.text(-0.1 / wide, place, name, transform=axes.get_yaxis_transform(), ha="right",
                      va="center", fontsize=8, weight=weight)  # fmt: skip
        axes.set(xlim=(0, 1.12 * combined_percent), ylim=(rows - 0.5, -0.5),
                 xlabel="standard uncertainty, %")  # fmt: skip
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
        figure.text(0.1 / _WIDE_IN, 1 - 0.1 / height, title, fontsize=9.5, weight="bold", va="top")
        told = (
            "filled: declared or assumed, hollow: measured in this run; all together: root of the "
            "sum of squares"
        )
        figure.text(0.1 / _WIDE_IN, 1 - 0.32 / height, told, fontsize=7, color=MUTED, va="top")
    return figure
