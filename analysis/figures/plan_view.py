"""Plan view of the light on the measurement plane, with the number in each cell."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from analysis.digits import PPFD_UNIT
from analysis.figures.cells import lines_mm
from analysis.figures.plane import LEGEND, Setting, draw_plane
from analysis.figures.style import INK, LIGHT, MUTED, Scale, box, house_style, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analysis.grid import Grid
    from analysis.results import MapSummary


def draw_bar(
    axes: Any,
    scale: Scale,
    *,
    marks: Mapping[float, str] | None = None,
    is_level: bool = False,
) -> None:
    """Draw the colour scale on narrow upright axes, with marks of one map beside it; or level."""
    steps = np.linspace(0.0, 1.0, 129)[:-1] + 0.5 / 128
    top = scale.top_umol_m2_s
    if is_level:
        axes.imshow(
            LIGHT(steps)[None, :, :3], extent=(0, top, 0, 1), aspect="auto", interpolation="nearest"
        )
        axes.set(yticks=[], xlim=(0, top), xlabel=f"PPFD ({PPFD_UNIT})")
        axes.xaxis.labelpad = 1
        for spine in axes.spines.values():
            spine.set_visible(False)
        return
    axes.imshow(
        LIGHT(steps)[:, None, :3], origin="lower", extent=(0, 1, 0, top), aspect="auto",
        interpolation="nearest",
    )  # fmt: skip
    axes.set(xticks=[], ylim=(0, top))
    axes.yaxis.tick_right()
    axes.yaxis.set_label_position("right")
    axes.set_ylabel(f"PPFD ({PPFD_UNIT})")
    for spine in axes.spines.values():
        spine.set_visible(False)
    for value, dash in (marks or {}).items():
        if 0 <= value <= top:
            axes.plot([-0.35, 1.0], [value, value], color=INK, linewidth=1.1, linestyle=dash,
                      clip_on=False)  # fmt: skip


def indices(axes: Any, grid: Grid, wall_mm: float, *, size: float = 6.5) -> None:
    """Write the numbers of columns above the plane and of rows to the right of it, from 1."""
    if grid.layout == "explicit":
        return
    how: dict[str, Any] = {"fontsize": size, "color": MUTED}
    columns_mm, rows_mm = lines_mm(grid)
    for at, x in enumerate(columns_mm):
        axes.annotate(
            str(at + 1), (x, grid.depth_mm + wall_mm), xytext=(0, 2), textcoords="offset points",
            ha="center", va="bottom", annotation_clip=False, **how,
        )  # fmt: skip
    for at, y in enumerate(rows_mm):
        axes.annotate(
            str(at + 1), (grid.width_mm + wall_mm, y), xytext=(3, 0), textcoords="offset points",
            ha="left", va="center", annotation_clip=False, **how,
        )  # fmt: skip


_WALL_IN: Final = 0.07
_MAP_IN: Final = 4.15
_BARE_IN: Final = 3.6


def plan_view(map_: MapSummary, scale: Scale, setting: Setting, *, title: str) -> Figure:
    """Draw the map of one height.

    Parameters
    ----------
    map_ : MapSummary
    scale : Scale
        The scale shared by every map shown beside this one.
    setting : Setting
    title : str
        One line above the map: what hung where.
    """
    grid = map_.grid
    mm_per_in = max(grid.width_mm, grid.depth_mm) / _MAP_IN
    wide, high = grid.width_mm / mm_per_in, grid.depth_mm / mm_per_in
    left, bottom, right, top = 0.62, 1.0, 1.08, 0.66
    width, height = left + wide + right, bottom + high + top
    with house_style():
        figure = new_figure(width, height)
        axes = box(
            figure, left - _WALL_IN, bottom - _WALL_IN, wide + 2 * _WALL_IN, high + 2 * _WALL_IN
        )
        handles = draw_plane(axes, map_, scale, setting, mm_per_in=mm_per_in, wall_in=_WALL_IN)
        indices(axes, grid, _WALL_IN * mm_per_in)
        axes.set(xlabel="x (mm)", ylabel="y (mm)")
        axes.tick_params(pad=2)
        bar_high = min(high, 3.2)
        bar = box(figure, left + wide + 0.36, bottom + (high - bar_high) / 2, 0.13, bar_high)
        draw_bar(bar, scale, marks=marks(map_, setting))
        figure.text(left / width, 1 - 0.14 / height, title, fontsize=9.5, weight="bold", va="top")
        figure.text(
            left / width, 1 - 0.33 / height, f"walls: {setting.walls}", color=MUTED, fontsize=7.5,
            va="top",
        )  # fmt: skip
        figure.legend(
            handles=handles, handler_map=LEGEND, loc="lower left",
            bbox_to_anchor=((left - 0.1) / width, 0.02),
            ncols=3, columnspacing=1.4, handlelength=2.4, labelspacing=0.35, borderpad=0.0,
        )  # fmt: skip
    return figure


def bare_map(map_: MapSummary, scale: Scale, setting: Setting) -> Figure:
    """Draw a map as large as a narrow screen allows: cells, numbers, and the scale below them.

    Parameters
    ----------
    map_ : MapSummary
    scale : Scale
    setting : Setting
    """
    grid = map_.grid
    mm_per_in = max(grid.width_mm, grid.depth_mm) / _BARE_IN
    wide, high = grid.width_mm / mm_per_in, grid.depth_mm / mm_per_in
    side, bottom = 0.04, 0.48
    with house_style():
        figure = new_figure(wide + 2 * (side + _WALL_IN), bottom + high + 2 * _WALL_IN + side)
        axes = box(figure, side, bottom, wide + 2 * _WALL_IN, high + 2 * _WALL_IN)
        draw_plane(axes, map_, scale, setting, mm_per_in=mm_per_in, wall_in=_WALL_IN)
        axes.set(xticks=[], yticks=[])
        bar = box(figure, side + _WALL_IN, bottom - 0.17, wide, 0.11)
        draw_bar(bar, scale, is_level=True)
    return figure


def marks(map_: MapSummary, setting: Setting) -> dict[float, Any]:
    """Return the levels of the contours drawn, with their dashes, to be marked on the scale."""
    values = np.asarray(map_.ppfd, dtype=float)
    found: dict[float, Any] = {}
    if np.isfinite(values).any():
        found[float(np.nanmax(values)) / 2] = "solid"
    if setting.target_ppfd_umol_m2_s is not None:
        found[float(setting.target_ppfd_umol_m2_s)] = (0, (1.6, 0.8))
    return found
