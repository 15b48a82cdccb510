"""Several maps on one scale: the comparison sheet; and one map made ready for publication."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from attrs import frozen
from matplotlib.lines import Line2D

from analysis.figures.plan_view import draw_bar, marks
from analysis.figures.plane import LEGEND, Setting, draw_plane
from analysis.figures.style import (
    ACCENT,
    INK,
    MUTED,
    RULE,
    Scale,
    box,
    house_style,
    new_figure,
    to_png,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analysis.results import MapSummary

_SHEET_IN: Final = 7.2


@frozen(kw_only=True)
class Panel:
    """One map of a comparison sheet.

    Attributes
    ----------
    column, row : str
        Device and mounting height, as they head column and row.
    map_ : MapSummary
    setting : Setting
    caption : str
        Up to two lines below the map.
    """

    column: str
    row: str
    map_: MapSummary
    setting: Setting
    caption: str


def comparison_sheet(panels: Sequence[Panel], scale: Scale) -> Figure:
    """Lay out maps by device (columns) and mounting height (rows) on one scale.

    Parameters
    ----------
    panels : sequence of Panel
        Columns and rows stand in the order in which they first occur.
    scale : Scale
        Shared by all.

    Raises
    ------
    ValueError
        Two panels for one place: one of them would vanish.
    """
    columns = list(dict.fromkeys(panel.column for panel in panels))
    rows = list(dict.fromkeys(panel.row for panel in panels))
    if len({(panel.column, panel.row) for panel in panels}) < len(panels):
        raise ValueError("two maps for one place on the comparison sheet")
    left, right, top, bottom, gap = 0.42, 0.82, 0.34, 0.12, 0.16
    across = min((_SHEET_IN - left - right - gap * (len(columns) - 1)) / len(columns), 3.0)
    below = 0.40
    tall = across * max(p.map_.grid.depth_mm / p.map_.grid.width_mm for p in panels)
    row_in = tall + below
    width = left + right + across * len(columns) + gap * (len(columns) - 1)
    height = top + bottom + row_in * len(rows)
    with house_style():
        figure = new_figure(width, height)
        for panel in panels:
            grid = panel.map_.grid
            mm_per_in = max(grid.width_mm / across, grid.depth_mm / tall)
            x = left + columns.index(panel.column) * (across + gap)
            y = height - top - row_in * rows.index(panel.row) - tall
            wall = 0.035
            axes = box(
                figure, x - wall, y - wall, grid.width_mm / mm_per_in + 2 * wall,
                grid.depth_mm / mm_per_in + 2 * wall,
            )  # fmt: skip
            draw_plane(axes, panel.map_, scale, panel.setting, mm_per_in=mm_per_in, wall_in=wall)
            axes.set(xticks=[], yticks=[])
            figure.text(
                x / width, (y - 0.08) / height, panel.caption, fontsize=6.5, va="top",
                linespacing=1.25,
            )  # fmt: skip
        for number, column in enumerate(columns):
            figure.text(
                (left + number * (across + gap)) / width, 1 - 0.24 / height, column, fontsize=9,
                weight="bold", va="baseline",
            )  # fmt: skip
        for number, row in enumerate(rows):
            figure.text(
                0.16 / width, (height - top - row_in * number - tall / 2) / height,
                row, rotation=90, rotation_mode="anchor", ha="center", va="center",
                fontsize=9, weight="bold",
            )  # fmt: skip
        bar_in = min(height - top - below - 0.1, 3.0)
        bar = box(figure, width - right + 0.18, height - top - bar_in, 0.13, bar_in)
        draw_bar(bar, scale)
    return figure


def published_map(
    map_: MapSummary,
    scale: Scale,
    setting: Setting,
    *,
    title: str,
    number: str,
    number_unit: str,
    number_means: str,
    facts: Sequence[tuple[str, str]],
    foot: str,
    stamps: Sequence[str] = (),
) -> bytes:
    """Draw one map as a 16:9 PNG of 1600 × 900 pixels that still reads at 480 wide.

    Parameters
    ----------
    map_ : MapSummary
    scale : Scale
    setting : Setting
    title : str
        What hung where.
    number, number_unit, number_means : str
        The one figure to remember, its unit, and in a few words what it is.
    facts : sequence of (name, value)
        At most four lines below it.
    foot : str
        Grid, scale and the like, small.
    stamps : sequence of str
        What it must not be seen without, see `analysis.figures.style.put_stamp`.
    """
    width, height = 8.0, 4.5
    grid = map_.grid
    room, foot_in = 3.98, 0.36
    mm_per_in = max(grid.width_mm, grid.depth_mm) / room
    wide, high = grid.width_mm / mm_per_in, grid.depth_mm / mm_per_in
    wall = 0.06
    bottom = foot_in + (room - high) / 2
    left = 0.20 + (room - wide) / 2
    with house_style():
        figure = new_figure(width, height)
        axes = box(figure, left - wall, bottom - wall, wide + 2 * wall, high + 2 * wall)
        handles = draw_plane(axes, map_, scale, setting, mm_per_in=mm_per_in, wall_in=wall)
        axes.set(xticks=[], yticks=[])
        bar = box(figure, 0.20 + room + 0.16, foot_in, 0.16, room)
        draw_bar(bar, scale, marks=marks(map_, setting))
        bar.tick_params(labelsize=10)
        bar.set_ylabel("")
        text_x = (0.20 + room + 0.92) / width

        def write(y_in: float, text: str, **how: Any) -> None:
            figure.text(text_x, y_in / height, text, **how)

        write(4.06, title, fontsize=13, weight="bold", va="center", linespacing=1.15)
        write(2.92, number, fontsize=42, weight="bold", color=ACCENT, va="baseline")
        write(2.92 - 0.28, number_unit, fontsize=14, color=ACCENT, weight="bold", va="baseline")
        write(2.92 - 0.53, number_means, fontsize=10.5, color=INK, va="baseline")
        rule = Line2D([text_x, 1 - 0.2 / width], [2.16 / height] * 2, color=RULE, linewidth=1.0)
        figure.add_artist(rule)
        for at, (name, value) in enumerate(facts[:4]):
            y = 1.84 - 0.34 * at
            write(y, name, fontsize=10.5, color=MUTED, va="baseline")
            figure.text((width - 0.2) / width, y / height, value, fontsize=11.5, weight="bold",
                        ha="right", va="baseline")  # fmt: skip
        figure.legend(
            handles=handles, handler_map=LEGEND, loc="lower left",
            bbox_to_anchor=(text_x - 0.012, 0.05), ncols=2,
            fontsize=7.5, handlelength=2.2, columnspacing=1.2, labelspacing=0.3, borderpad=0.0,
        )  # fmt: skip
        figure.text(0.20 / width, 0.13 / height, foot, fontsize=8, color=MUTED, va="baseline")
    return to_png(figure, dpi=200, stamps=stamps)
