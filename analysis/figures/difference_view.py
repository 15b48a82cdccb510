"""Plan view of the difference of two maps in per cent, with what is within noise greyed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from attrs import frozen
from matplotlib.collections import PatchCollection
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from analysis.digits import fixed
from analysis.figures.cells import DIGIT_WIDTH, numbers, outline, patches
from analysis.figures.plan_view import indices
from analysis.figures.style import (
    CHANGE,
    INK,
    MUTED,
    PAPER,
    box,
    house_style,
    new_figure,
    text_on,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analysis.difference import Difference

GREY: Final = "#e6e4ea"
_HATCH: Final = "#b3afbd"
_WALL_IN: Final = 0.07
_MAP_IN: Final = 4.15
_STEPS: Final = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0)


@frozen
class DifferenceScale:
    """Colour scale of differences, from −`top_percent` over 0 in the middle to +`top_percent`."""

    top_percent: float

    @classmethod
    def covering(cls, found: Iterable[Difference]) -> DifferenceScale:
        """Make the scale that holds all these differences."""
        most = max((float(np.nanmax(np.abs(one.relative))) for one in found), default=0.0)
        return cls(next((step for step in _STEPS if 100 * most <= step), 100.0))

    def colour(self, relative: float) -> tuple[float, float, float]:
        """Return the sRGB colour of a difference [fraction]; beyond the ends, that of the end."""
        at = 0.5 + 0.5 * min(max(100 * relative / self.top_percent, -1.0), 1.0)
        red, green, blue, _ = CHANGE(at)
        return (float(red), float(green), float(blue))


def in_per_cent(relative: float) -> str:
    """Write a difference as it stands in a cell: per cent with its sign."""
    text = fixed(100 * relative, 1)
    return (
        text if text.startswith("−") or not any(one in "123456789" for one in text) else f"+{text}"
    )


def difference_view(found: Difference, scale: DifferenceScale, *, title: str, under: str) -> Figure:
    """Draw the difference of two maps.

    Parameters
    ----------
    found : Difference
    scale : DifferenceScale
        Shared by every difference that is shown beside this one.
    title : str
        What over what, and where.
    under : str
        One line below the title.
    """
    grid = found.grid
    mm_per_in = max(grid.width_mm, grid.depth_mm) / _MAP_IN
    wide, high = grid.width_mm / mm_per_in, grid.depth_mm / mm_per_in
    left, bottom, right, top = 0.62, 0.86, 1.08, 0.66
    width, height = left + wide + right, bottom + high + top
    wall = _WALL_IN * mm_per_in
    with house_style():
        figure = new_figure(width, height)
        axes = box(
            figure, left - _WALL_IN, bottom - _WALL_IN, wide + 2 * _WALL_IN, high + 2 * _WALL_IN
        )
        axes.set(
            xlim=(-wall, grid.width_mm + wall), ylim=(-wall, grid.depth_mm + wall), aspect="equal"
        )
        for spine in axes.spines.values():
            spine.set_visible(False)
        axes.add_patch(outline(grid, grow_mm=wall, facecolor=MUTED, edgecolor="none", zorder=0.2))
        axes.add_patch(outline(grid, facecolor=PAPER, edgecolor="none", zorder=0.3))
        _draw_cells(axes, found, scale, mm_per_in / 72.0)
        indices(axes, grid, wall)
        axes.set(xlabel="x (mm)", ylabel="y (mm)")
        axes.tick_params(pad=2)
        bar_high = min(high, 3.2)
        _draw_bar(
            box(figure, left + wide + 0.36, bottom + (high - bar_high) / 2, 0.13, bar_high), scale
        )
        figure.text(left / width, 1 - 0.14 / height, title, fontsize=9.5, weight="bold", va="top")
        figure.text(left / width, 1 - 0.33 / height, under, color=MUTED, fontsize=7.5, va="top")
        figure.legend(
            handles=[
                Line2D([], [], color=MUTED, linewidth=5, label="wall"),
                Rectangle((0, 0), 1, 1, facecolor=GREY, edgecolor=_HATCH, hatch="/////",
                          linewidth=0.5, label=f"within noise ({_noise(found)})"),
            ],
            loc="lower left", bbox_to_anchor=((left - 0.1) / width, 0.02), ncols=2,
            columnspacing=1.4, handlelength=2.4, borderpad=0.0,
        )  # fmt: skip
    return figure


def _noise(found: Difference) -> str:
    low, high = (fixed(100 * float(one), 1) for one in
                 (np.nanmin(found.half_width), np.nanmax(found.half_width)))  # fmt: skip
    return f"± {low} %" if low == high else f"± {low} to {high} %"


def _draw_cells(axes: Any, found: Difference, scale: DifferenceScale, mm_per_pt: float) -> None:
    grid, noise = found.grid, found.is_noise
    shapes, _, _ = patches(grid)
    clip = outline(grid, transform=axes.transData)
    clear = PatchCollection(
        [shape for shape, grey in zip(shapes, noise, strict=True) if not grey],
        facecolors=[scale.colour(float(one)) for one in found.relative[~noise]],
        edgecolors=PAPER, linewidths=0.35, zorder=1.0,
    )  # fmt: skip
    greyed = PatchCollection(
        [shape for shape, grey in zip(shapes, noise, strict=True) if grey],
        facecolors=GREY, edgecolors=_HATCH, linewidths=0.35, hatch="/////", zorder=1.0,
    )  # fmt: skip
    labels = [in_per_cent(float(one)) for one in found.relative]
    # The end of the scale is as long as any number on it: maps on one scale get one size.
    places = numbers(grid, [*labels, in_per_cent(-scale.top_percent / 100)], mm_per_pt)
    # Numbers stand in the middle of their cells; a plate behind each interrupts the hatch.
    plates = []
    for x, y, size_pt, label, grey in zip(
        grid.x_mm, grid.y_mm, places.size_pt, labels, noise, strict=True
    ):
        size = float(size_pt) * mm_per_pt
        ink = MUTED if grey else text_on(scale.colour(found.relative[len(axes.texts)]))
        axes.text(
            x, y, label, fontsize=size_pt, ha="center", va="center_baseline", color=ink, zorder=3
        )
        if grey:
            across = (len(label) * DIGIT_WIDTH + 0.3) * size
            plates.append(Rectangle((x - across / 2, y - 0.62 * size), across, 1.24 * size))
    behind = PatchCollection(plates, facecolors=GREY, edgecolors="none", zorder=2.5)
    for collection in (clear, greyed, behind):
        axes.add_collection(collection, autolim=False)
        if grid.shape == "round":
            collection.set_clip_path(clip)


def _draw_bar(axes: Any, scale: DifferenceScale) -> None:
    steps = np.linspace(0.0, 1.0, 129)[:-1] + 0.5 / 128
    top = scale.top_percent
    axes.imshow(
        CHANGE(steps)[:, None, :3], origin="lower", extent=(0, 1, -top, top), aspect="auto",
        interpolation="nearest",
    )  # fmt: skip
    axes.set(xticks=[], ylim=(-top, top))
    ticks = [-top, -top / 2, 0.0, top / 2, top]
    axes.set_yticks(ticks, [in_per_cent(one / 100).removesuffix(".0") for one in ticks])
    axes.yaxis.tick_right()
    axes.yaxis.set_label_position("right")
    axes.set_ylabel("difference of PPFD (%)")
    axes.plot([0.0, 1.0], [0.0, 0.0], color=INK, linewidth=0.8)
    for spine in axes.spines.values():
        spine.set_visible(False)
