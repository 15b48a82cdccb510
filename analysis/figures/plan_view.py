"""Plan view of the light on the measurement plane, with the number in each cell."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from attrs import frozen
from matplotlib.collections import PatchCollection
from matplotlib.legend_handler import HandlerPatch
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Ellipse, Rectangle
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

from analysis.digits import PPFD_UNIT, significant
from analysis.figures.style import (
    ACCENT,
    INK,
    LIGHT,
    MUTED,
    PAPER,
    Scale,
    box,
    house_style,
    new_figure,
    text_on,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analysis.grid import Grid
    from analysis.results import MapSummary

Floats = NDArray[np.floating[Any]]

_PT_PER_IN: Final = 72.0
# A digit of DejaVu Sans is 0.64 of its size wide.
_DIGIT_WIDTH: Final = 0.64


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


@frozen
class Cell:
    """The rectangle that stands for one point. [mm]"""

    left: float
    bottom: float
    width: float
    height: float


def _bounds(places: Floats, end: float) -> Floats:
    return np.concatenate([[0.0], (places[1:] + places[:-1]) / 2, [end]])


def cells(grid: Grid) -> list[Cell] | None:
    """Return the cell of each point, or None where the points form no rows and columns.

    Cells meet half-way between neighbouring rows and columns and end at the walls.
    """
    if grid.layout == "explicit":
        return None
    x = np.array([np.median(grid.x_mm[grid.column == at]) for at in range(grid.columns)])
    y = np.array([np.median(grid.y_mm[grid.row == at]) for at in range(grid.rows)])
    edges_x, edges_y = _bounds(x, grid.width_mm), _bounds(y, grid.depth_mm)
    return [
        Cell(
            float(edges_x[column]),
            float(edges_y[row]),
            float(edges_x[column + 1] - edges_x[column]),
            float(edges_y[row + 1] - edges_y[row]),
        )
        for row, column in zip(grid.row.tolist(), grid.column.tolist(), strict=True)
    ]


def _nearest_distance(grid: Grid) -> float:
    points = np.column_stack([grid.x_mm, grid.y_mm])
    if len(points) < 2:
        return min(grid.width_mm, grid.depth_mm)
    apart = np.hypot(*(points[:, None, :] - points[None, :, :]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    return float(np.median(apart.min(axis=1)))


def _patches(grid: Grid, found: list[Cell] | None) -> tuple[list[Any], float, float]:
    """Return a patch for each point and the room for its number: width and height. [mm]"""
    if found is None:
        across = 0.92 * _nearest_distance(grid)
        dots = [Circle((x, y), across / 2) for x, y in zip(grid.x_mm, grid.y_mm, strict=True)]
        return dots, across * 0.95, across * 0.8
    boxes = [Rectangle((c.left, c.bottom), c.width, c.height) for c in found]
    return boxes, min(c.width for c in found), min(c.height for c in found)


def _outline(grid: Grid, *, grow_mm: float = 0.0, **how: Any) -> Any:
    width, depth = grid.width_mm + 2 * grow_mm, grid.depth_mm + 2 * grow_mm
    if grid.shape == "round":
        return Ellipse((grid.width_mm / 2, grid.depth_mm / 2), width, depth, **how)
    return Rectangle((-grow_mm, -grow_mm), width, depth, **how)


def _number_places(grid: Grid, found: list[Cell] | None, lift_mm: float) -> tuple[Floats, Floats]:
    """Place each number above its dot, or in the middle of its cell where that is elsewhere."""
    x, y = grid.x_mm.astype(float), grid.y_mm + lift_mm
    if found is None or grid.layout == "cell-centres":
        return x, y
    middle_x = np.array([c.left + c.width / 2 for c in found])
    middle_y = np.array([c.bottom + c.height / 2 for c in found])
    clear = np.abs(grid.y_mm - middle_y) > 1.6 * lift_mm
    return middle_x, np.where(clear, middle_y, np.minimum(y, middle_y + lift_mm))


def draw_plane(
    axes: Any, map_: MapSummary, scale: Scale, setting: Setting, *, mm_per_in: float, wall_in: float
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
    axes.add_patch(_outline(grid, grow_mm=wall, facecolor=MUTED, edgecolor="none", zorder=0.2))
    # Where a round area has no cell, the paper shows through: no point stands there.
    axes.add_patch(_outline(grid, facecolor=PAPER, edgecolor="none", zorder=0.3))

    found = cells(grid)
    patches, room_x, room_y = _patches(grid, found)
    clip = _outline(grid, transform=axes.transData)
    lit = PatchCollection(
        [patch for patch, ok in zip(patches, read, strict=True) if ok],
        facecolors=[scale.colour(value) for value in values[read]],
        edgecolors=PAPER,
        linewidths=0.35,
        zorder=1.0,
    )
    unread = PatchCollection(
        [patch for patch, ok in zip(patches, read, strict=True) if not ok],
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
    weight = min(max(min(room_x, room_y) / mm_per_in * _PT_PER_IN / 30, 0.5), 1.0)
    handles += _contours(axes, map_, setting, weight)
    handles += _lamp_axis(axes, grid, setting.lamp_axis, wall, weight)

    labels = [significant(value) if ok else "" for value, ok in zip(values, read, strict=True)]
    longest = max(3, *(len(label) for label in labels))
    room = _PT_PER_IN / mm_per_in
    size = min(0.40 * room_y * room, 0.86 * room_x * room / (longest * _DIGIT_WIDTH), 13.0)
    mm_per_pt = mm_per_in / _PT_PER_IN
    number_x, number_y = _number_places(grid, found, 0.62 * size * mm_per_pt)
    plates = _plates(axes, scale, values, labels, (number_x, number_y), size * mm_per_pt)
    if grid.shape == "round":
        plates.set_clip_path(clip)
    for at, label in enumerate(labels):
        if read[at]:
            axes.text(
                number_x[at], number_y[at], label, fontsize=size, ha="center",
                va="center_baseline", color=text_on(scale.colour(values[at])), zorder=3,
            )  # fmt: skip
        else:
            _not_read(axes, float(grid.x_mm[at]), float(grid.y_mm[at]), 0.78 * size, mm_per_pt)
    axes.scatter(
        grid.x_mm[read], grid.y_mm[read], s=(0.20 * size) ** 2, linewidths=0, zorder=3,
        c=[text_on(scale.colour(value)) for value in values[read]], clip_on=False,
    )  # fmt: skip
    handles += _rings(axes, map_, 0.47 * min(room_x, room_y), weight)
    if not read.all():
        handles.append(
            Rectangle((0, 0), 1, 1, facecolor=PAPER, edgecolor=MUTED, hatch="////",
                      linewidth=0.5, label="not read")
        )  # fmt: skip
    return handles


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
    places: tuple[Floats, Floats],
    size_mm: float,
) -> PatchCollection:
    # A patch of the cell's own colour behind each number interrupts the lines drawn below it.
    plates, colours = [], []
    for x, y, value, label in zip(*places, values, labels, strict=True):
        if label:
            width = (len(label) * _DIGIT_WIDTH + 0.2) * size_mm
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
        x = [float(np.median(grid.x_mm[grid.column == at])) for at in range(grid.columns)]
        y = [float(np.median(grid.y_mm[grid.row == at])) for at in range(grid.rows)]
        drawn = axes.contour(x, y, matrix, **how)
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
                linestyle=dashes, zorder=2.7,
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


def draw_bar(axes: Any, scale: Scale, *, marks: Mapping[float, str] | None = None) -> None:
    """Draw the colour scale on narrow upright axes, with marks of one map beside it."""
    steps = np.linspace(0.0, 1.0, 129)[:-1] + 0.5 / 128
    top = scale.top_umol_m2_s
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
    for at in range(grid.columns):
        x = float(np.median(grid.x_mm[grid.column == at]))
        axes.annotate(
            str(at + 1), (x, grid.depth_mm + wall_mm), xytext=(0, 2), textcoords="offset points",
            ha="center", va="bottom", annotation_clip=False, **how,
        )  # fmt: skip
    for at in range(grid.rows):
        y = float(np.median(grid.y_mm[grid.row == at]))
        axes.annotate(
            str(at + 1), (grid.width_mm + wall_mm, y), xytext=(3, 0), textcoords="offset points",
            ha="left", va="center", annotation_clip=False, **how,
        )  # fmt: skip


_WALL_IN: Final = 0.07
_MAP_IN: Final = 4.15


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


def marks(map_: MapSummary, setting: Setting) -> dict[float, Any]:
    """Return the levels of the contours drawn, with their dashes, to be marked on the scale."""
    values = np.asarray(map_.ppfd, dtype=float)
    found: dict[float, Any] = {}
    if np.isfinite(values).any():
        found[float(np.nanmax(values)) / 2] = "solid"
    if setting.target_ppfd_umol_m2_s is not None:
        found[float(setting.target_ppfd_umol_m2_s)] = (0, (1.6, 0.8))
    return found
