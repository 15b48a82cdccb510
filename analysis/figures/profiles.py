"""Profiles of the light across the plane."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import MaxNLocator

from analysis.digits import PPFD_UNIT
from analysis.figures.cells import Floats, lines_mm
from analysis.figures.plane import Setting
from analysis.figures.style import ACCENT, INK, MUTED, RULE, Scale, box, house_style, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analysis.results import MapSummary


def _centre_line(matrix: Floats) -> tuple[Floats, bool]:
    """Return the middle row, or the mean of the two middle rows and False."""
    rows = len(matrix)
    if rows % 2:
        return matrix[rows // 2], True
    return (matrix[rows // 2 - 1] + matrix[rows // 2]) / 2, False


def profiles(map_: MapSummary, scale: Scale, setting: Setting) -> Figure:
    """Draw the light along x and along y through the centre, within its least and greatest.

    Parameters
    ----------
    map_ : MapSummary
        On a grid with rows and columns; with an even count the two middle lines are averaged,
        and the axis says so.
    scale : Scale
        Gives the top of the axis, the same for every map shown beside this one.
    setting : Setting
        Its target is drawn across.
    """
    grid = map_.grid
    matrix = grid.to_matrix(map_.ppfd)
    x, y = lines_mm(grid)
    height = 4.45
    with house_style():
        figure = new_figure(4.3, height)
        for place, along, extent, name, across, lines in (
            (0, x, grid.width_mm, "x", "row", matrix),
            (1, y, grid.depth_mm, "y", "column", matrix.T),
        ):
            axes = box(figure, 0.62, 2.68 - 2.22 * place, 3.5, 1.5)
            centre, is_read = _centre_line(lines)
            low, high = _envelope(lines)
            axes.fill_between(along, low, high, color=RULE, linewidth=0, zorder=1)
            axes.plot(along, centre, color=ACCENT, linewidth=1.6, marker="o", markersize=3.2,
                      zorder=3)  # fmt: skip
            if setting.target_ppfd_umol_m2_s is not None:
                axes.axhline(
                    setting.target_ppfd_umol_m2_s, color=INK, linewidth=0.8, zorder=2,
                    linestyle=(0, (3.2, 1.6)),
                )  # fmt: skip
            axes.set(xlim=(0, extent), ylim=(0, scale.top_umol_m2_s), xlabel=f"{name} (mm)")
            axes.set_ylabel(f"PPFD ({PPFD_UNIT})")
            axes.yaxis.set_label_coords(-0.5 / 3.5, 0.5)
            axes.yaxis.set_major_locator(MaxNLocator(5))
            axes.grid(axis="y")
            axes.set_axisbelow(True)
            middle = f"centre {across}" if is_read else f"mean of the two middle {across}s"
            axes.text(
                0.0, 1.05, f"along {name}: {middle}", transform=axes.transAxes, fontsize=8,
                color=ACCENT, weight="bold",
            )  # fmt: skip
            axes.text(
                1.0, 1.05, f"grey: all {across}s", color=MUTED, transform=axes.transAxes,
                fontsize=7, ha="right",
            )  # fmt: skip
    return figure


def _envelope(lines: Floats) -> tuple[Floats, Floats]:
    read = np.isfinite(lines).any(axis=0)
    low = np.where(read, np.where(np.isfinite(lines), lines, np.inf).min(axis=0), np.nan)
    high = np.where(read, np.where(np.isfinite(lines), lines, -np.inf).max(axis=0), np.nan)
    return low, high
