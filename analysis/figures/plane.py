"""The measurement plane on axes: walls, cells with their numbers, contours, lamp axis, spots."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from attrs import frozen
from matplotlib.collections import PatchCollection
from matplotlib.legend_handler import HandlerPatch
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Rectangle
from matplotlib.patheffects import withStroke

from analysis.digits import significant
from analysis.figures.cells import DIGIT_WIDTH, Floats, Numbers, lines_mm, numbers, outline, patches
from analysis.figures.style import ACCENT, INK, MUTED, PAPER, Scale, text_on

if TYPE_CHECKING:
    from analysis.grid import Grid
    from analysis.results import MapSummary

_PT_PER_IN: Final = 72.0


@frozen(kw_only=True)
class Setting:
    """What surrounds the plane and what is asked of it, as the plan states it."""

    walls: str
    lamp_axis: str | None = None
    target_ppfd_umol_m2_s: float | None = None

    @classmethod
    def from_plan(cls, plan: Mapping[str, Any]) -> Setting:
        """Take walls, lamp axis and target from a plan; what it does not state stays unstated."""
        area = plan.get("area", {})
        walls = str(area.get("walls") or "not stated")
        identity = area.get("walls_identity")
        return cls(
            walls=f"{walls} ({identity})" if identity else walls,
            lamp_axis=plan.get("device", {}).get("lamp_axis"),
            target_ppfd_umol_m2_s=plan.get("limits", {}).get("target_ppfd_umol_m2_s"),
        )


def draw_plane(
    axes: Any,
    map_: MapSummary,
    scale: Scale,
    setting: Setting,
    *,
    mm_per_in: float,
    wall_in: float,
    least_pt: float = 0.0,
    is_bare: bool = False,
) -> list[Any]:
    """Draw walls, cells, contours, lamp axis, numbers, dots and spots on axes in millimetres.

    Parameters
    ----------
    axes
        Empty matplotlib axes; they lose their frame and get the limits of the plane.
    mm_per_in : float
        How many millimetres of the plane one inch of paper shows; sizes the numbers.
    wall_in : float
        Thickness of the drawn wall. [in]
    least_pt : float
        Numbers that would have to be smaller than this are left out. [pt]
    is_bare : bool
        Leave out contours, lamp axis and rings, for a picture without a key.

    Returns
    -------
    list
        Legend handles of what was drawn.
    """
    grid = map_.grid
    values = np.asarray(map_.ppfd, dtype=float)
    read = np.isfinite(values)
    wall = wall_in * mm_per_in
    axes.set(xlim=(-wall, grid.width_mm + wall), ylim=(-wall, grid.depth_mm + wall), aspect="equal")
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.add_patch(outline(grid, grow_mm=wall, facecolor=MUTED, edgecolor="none", zorder=0.2))
    # Where a round area has no cell, the paper shows through: no point stands there.
    axes.add_patch(outline(grid, facecolor=PAPER, edgecolor="none", zorder=0.3))

    shapes, room_x, room_y = patches(grid)
    clip = outline(grid, transform=axes.transData)
    lit = PatchCollection(
        [shape for shape, ok in zip(shapes, read, strict=True) if ok],
        facecolors=[scale.colour(value) for value in values[read]],
        edgecolors=PAPER,
        linewidths=0.35,
        zorder=1.0,
    )
    unread = PatchCollection(
        [shape for shape, ok in zip(shapes, read, strict=True) if not ok],
        facecolors=PAPER,
        edgecolors=MUTED,
        linewidths=0.5,
        hatch="////",
        zorder=1.0,
    )
    for collection in (lit, unread):
        axes.add_collection(collection, autolim=False)
        if grid.shape == "round":
            collection.set_clip_path(clip)
    handles: list[Any] = [Line2D([], [], color=MUTED, linewidth=5, label="wall"), _dot_handle()]
    # Lines are thinner where cells are small, so that they never crowd out the numbers.
    room = float(min(room_x.min(), room_y.min()))
    weight = min(max(room / mm_per_in * _PT_PER_IN / 30, 0.5), 1.0)
    if not is_bare:
        handles += _contours(axes, map_, setting, weight)
        handles += _lamp_axis(axes, grid, setting.lamp_axis, wall, weight)
        handles += _rings(axes, map_, 0.47 * room, weight)

    labels = [significant(value) if ok else "" for value, ok in zip(values, read, strict=True)]
    mm_per_pt = mm_per_in / _PT_PER_IN
    # The scale's own top is as long as any number on it: maps on one scale get one size.
    places = numbers(grid, [*labels, significant(scale.top_umol_m2_s)], mm_per_pt)
    is_written = float(places.size_pt.min()) >= least_pt
    if is_written:
        plates = _plates(axes, scale, values, labels, places, mm_per_pt)
        if grid.shape == "round":
            plates.set_clip_path(clip)
    for at, label in enumerate(labels):
        if not is_written:
            break
        if read[at]:
            axes.text(
                places.x_mm[at], places.y_mm[at], label, fontsize=places.size_pt[at], ha="center",
                va="center_baseline", color=text_on(scale.colour(values[at])), zorder=3,
            )  # fmt: skip
        else:
            _not_read(axes, *_middle(shapes[at]), 0.78 * float(places.size_pt[at]), mm_per_pt)
    axes.scatter(
        grid.x_mm[read], grid.y_mm[read], s=(0.20 * float(places.size_pt.max())) ** 2,
        linewidths=0, zorder=3,
        c=[text_on(scale.colour(value)) for value in values[read]], clip_on=False,
    )  # fmt: skip
    if not read.all():
        handles.append(
            Rectangle((0, 0), 1, 1, facecolor=PAPER, edgecolor=MUTED, hatch="////",
                      linewidth=0.5, label="not read")
        )  # fmt: skip
    return handles


def _middle(shape: Any) -> tuple[float, float]:
    if isinstance(shape, Circle):
        return shape.center
    return shape.get_x() + shape.get_width() / 2, shape.get_y() + shape.get_height() / 2


def _not_read(axes: Any, x: float, y: float, size: float, mm_per_pt: float) -> None:
    width, height = 2.3 * size * mm_per_pt, 2.1 * size * mm_per_pt
    axes.add_patch(
        Rectangle((x - width / 2, y - height / 2), width, height, facecolor=PAPER, zorder=2.9)
    )
    for word, rise in (("not", 0.5), ("read", -0.5)):
        axes.text(
            x, y + rise * size * mm_per_pt, word, fontsize=size, ha="center",
            va="center_baseline", color=INK, zorder=3,
        )  # fmt: skip


def _dot_handle() -> Line2D:
    return Line2D([], [], marker="o", markersize=2.6, color=INK, linestyle="", label="point read")


def _plates(
    axes: Any,
    scale: Scale,
    values: Floats,
    labels: list[str],
    places: Numbers,
    mm_per_pt: float,
) -> PatchCollection:
    # A patch of the cell's own colour behind each number interrupts the lines drawn below it.
    plates, colours = [], []
    sizes_mm = places.size_pt * mm_per_pt
    for x, y, size_mm, value, label in zip(
        places.x_mm, places.y_mm, sizes_mm, values, labels, strict=True
    ):
        if label:
            width = (len(label) * DIGIT_WIDTH + 0.2) * size_mm
            plates.append(Rectangle((x - width / 2, y - 0.46 * size_mm), width, 0.92 * size_mm))
            colours.append(scale.colour(value))
    collection = PatchCollection(plates, facecolors=colours, edgecolors="none", zorder=2.5)
    axes.add_collection(collection, autolim=False)
    return collection


def _contours(axes: Any, map_: MapSummary, setting: Setting, weight: float) -> list[Any]:
    grid = map_.grid
    values = np.asarray(map_.ppfd, dtype=float)
    read = np.isfinite(values)
    if read.sum() < 4:
        return []
    low, high = float(values[read].min()), float(values[read].max())
    wanted: list[tuple[float, str, str, Any]] = [
        (high / 2, "50 % of maximum", INK, "solid"),
    ]
    target = setting.target_ppfd_umol_m2_s
    if target is not None:
        wanted.append((target, f"target {significant(target)}", ACCENT, (0, (3.2, 1.6))))
    handles: list[Any] = []
    for level, name, colour, dashes in wanted:
        if low < level < high:
            _contour(axes, grid, values, level, colour, dashes, weight)
            line = Line2D([], [], color=colour, linestyle=dashes, linewidth=1.3, label=name)
        else:
            where = "everywhere above" if level <= low else "nowhere reached"
            line = Line2D([], [], linestyle="", label=f"{name}: {where}")
        handles.append(line)
    return handles


def _contour(
    axes: Any,
    grid: Grid,
    values: Floats,
    level: float,
    colour: str,
    dashes: Any,
    weight: float,
) -> None:
    how: dict[str, Any] = {
        "levels": [level], "colors": [colour], "linewidths": [1.3 * weight], "zorder": 2,
    }  # fmt: skip
    if grid.layout == "explicit":
        read = np.isfinite(values)
        try:
            drawn = axes.tricontour(grid.x_mm[read], grid.y_mm[read], values[read], **how)
        except (RuntimeError, ValueError):  # points on one line span no surface
            return
    else:
        matrix = np.ma.masked_invalid(grid.to_matrix(values))
        if min(matrix.shape) < 2:
            return
        drawn = axes.contour(*lines_mm(grid), matrix, **how)
    drawn.set(
        path_effects=[withStroke(linewidth=2.6 * weight, foreground=PAPER)], linestyle=[dashes]
    )


def _lamp_axis(
    axes: Any, grid: Grid, lamp_axis: str | None, wall: float, weight: float
) -> list[Any]:
    dashes = (0, (7, 2, 1.5, 2))
    how: dict[str, Any] = {
        "color": INK, "linewidth": 0.9 * weight, "zorder": 1.8, "clip_on": False,
        "path_effects": [withStroke(linewidth=2.0 * weight, foreground=PAPER)],
    }  # fmt: skip
    centre_x, centre_y = grid.width_mm / 2, grid.depth_mm / 2
    if lamp_axis == "x":
        axes.plot([-wall, grid.width_mm + wall], [centre_y, centre_y], linestyle=dashes, **how)
    elif lamp_axis == "y":
        axes.plot([centre_x, centre_x], [-wall, grid.depth_mm + wall], linestyle=dashes, **how)
    elif lamp_axis == "vertical":
        axes.plot(
            [centre_x], [centre_y], marker="+", markersize=22 * weight, markeredgewidth=0.9,
            linestyle="", **{**how, "linewidth": 0},
        )  # fmt: skip
        return [
            Line2D([], [], marker="+", markersize=7, color=INK, linestyle="",
                   label="lamp axis, vertical")
        ]  # fmt: skip
    else:
        return []
    return [Line2D([], [], color=INK, linewidth=0.9, linestyle=dashes, label="lamp axis")]


def _rings(axes: Any, map_: MapSummary, radius: float, weight: float) -> list[Any]:
    handles: dict[str, Any] = {}
    for spot in map_.spots:
        dashes: Any = "solid" if spot.kind == "hot" else (0, (2.2, 1.4))
        axes.add_patch(
            Circle(
                (spot.x_mm, spot.y_mm), radius, fill=False, edgecolor=INK, linewidth=1.6 * weight,
                linestyle=dashes, zorder=2.4,
                path_effects=[withStroke(linewidth=3.4 * weight, foreground=PAPER)],
            )
        )  # fmt: skip
        handles[spot.kind] = Circle(
            (0, 0), 1, fill=False, edgecolor=INK, linewidth=1.4, linestyle=dashes,
            label=f"{spot.kind} spot",
        )  # fmt: skip
    return [handles[kind] for kind in sorted(handles, reverse=True)]


def _ring_in_legend(
    *, xdescent: float, ydescent: float, width: float, height: float, fontsize: float, **_: Any
) -> Circle:
    middle = (width / 2 - xdescent, height / 2 - ydescent)
    return Circle(middle, 0.42 * fontsize, fill=False)


LEGEND: Final = {Circle: HandlerPatch(patch_func=_ring_in_legend)}
"""How legends show the rings of `draw_plane`."""
