"""The artists of a figure, taken down once, and drawn again through matplotlib's plain calls.

What is taken down are numbers, strings and colours only: for each axes its place and limits, its
ticks with their labels, its lines, texts, patches, collections and images, and what stands on the
figure itself. `draw` makes a new figure of the same size from them, with `plot`, `text`,
`set_xticks` and `add_patch` as anybody would write them, and prints it as SVG. Legends count as the
lines, patches and texts that they consist of.
"""

from __future__ import annotations

import io
from collections import Counter
from typing import Any

import matplotlib as mpl
from attrs import frozen
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.collections import Collection, PathCollection
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path
from matplotlib.text import Text


@frozen
class AxesTaken:
    """One axes."""

    place: Any
    limits: tuple[Any, Any]
    ticks: tuple[Any, Any]
    labels: tuple[Any, Any]
    names: tuple[str, str]
    spines: tuple[str, ...]
    artists: tuple[Any, ...]


@frozen
class FigureTaken:
    """One figure."""

    size_in: Any
    axes: tuple[AxesTaken, ...]
    artists: tuple[Any, ...]
    fonts: tuple[str, ...]


def take(figure: Figure) -> FigureTaken:
    """Take down the artists of a figure that was drawn before."""
    held = []
    for axes in figure.axes:
        ticks = [axis.get_majorticklocs().tolist() for axis in (axes.xaxis, axes.yaxis)]
        labels = [
            [one.get_text() for one in axis.get_majorticklabels()]
            for axis in (axes.xaxis, axes.yaxis)
        ]
        held.append(
            AxesTaken(
                place=axes.get_position().bounds,
                limits=(axes.get_xlim(), axes.get_ylim()),
                ticks=tuple(ticks),
                labels=tuple(labels),
                names=(axes.get_xlabel(), axes.get_ylabel()),
                spines=tuple(name for name, one in axes.spines.items() if one.get_visible()),
                artists=tuple(
                    found
                    for one in [*axes.lines, *axes.texts, *axes.patches, *axes.collections,
                                *axes.images]
                    if (found := _taken(one, axes.transData)) is not None
                ),
            )
        )  # fmt: skip
    loose = [*figure.texts, *figure.patches, *figure.lines]
    for legend in [*figure.legends, *(one.get_legend() for one in figure.axes)]:
        if legend is not None:
            loose += legend.findobj(lambda one: isinstance(one, (Line2D, Text, Patch)))
    taken = (_taken(one, figure.transFigure) for one in loose)
    return FigureTaken(
        size_in=figure.get_size_inches().tolist(),
        axes=tuple(held),
        artists=tuple(one for one in taken if one is not None),
        fonts=("DejaVu Sans",),
    )


def _taken(one: Any, frame: Any) -> Any:
    """What a plain call needs; None for what is not seen."""
    if not one.get_visible():
        return None
    if isinstance(one, Text):
        if not one.get_text():
            return None
        at = frame.inverted().transform(one.get_transform().transform(one.get_position()))
        how = {
            "fontsize": one.get_fontsize(), "color": one.get_color(), "ha": one.get_ha(),
            "va": one.get_va(), "weight": one.get_weight(), "rotation": one.get_rotation(),
        }  # fmt: skip
        return ("text", (*at.tolist(), one.get_text()), how)
    if isinstance(one, Line2D):
        points = one.get_transform().transform_path(one.get_path()).vertices
        how = {
            "color": one.get_color(), "linewidth": one.get_linewidth(),
            "linestyle": one._unscaled_dash_pattern if one.is_dashed() else one.get_linestyle(),
            "marker": one.get_marker(), "markersize": one.get_markersize(),
        }  # fmt: skip
        return ("line", frame.inverted().transform(points).T, how)
    if isinstance(one, Patch):
        shape = frame.inverted().transform_path(one.get_transform().transform_path(one.get_path()))
        how = {
            "facecolor": one.get_facecolor(), "edgecolor": one.get_edgecolor(),
            "linewidth": one.get_linewidth(), "hatch": one.get_hatch(),
        }  # fmt: skip
        return ("patch", (shape.vertices, shape.codes), how)
    if isinstance(one, AxesImage):
        how = {"extent": one.get_extent(), "aspect": "auto", "interpolation": "nearest",
               "origin": one.origin}  # fmt: skip
        return ("image", one.get_array(), how)
    if isinstance(one, Collection):
        how = {
            "facecolors": one.get_facecolor(), "edgecolors": one.get_edgecolor(),
            "linewidths": one.get_linewidth(), "hatch": one.get_hatch(),
        }  # fmt: skip
        if isinstance(one, PathCollection):
            places = frame.inverted().transform(
                one.get_offset_transform().transform(one.get_offsets())
            )
            return (
                "dots",
                (places.T, one.get_sizes()),
                {"c": one.get_facecolor(), "linewidths": 0},
            )
        paths = [(path.vertices, path.codes) for path in one.get_paths()]
        return ("shapes", paths, how)
    return None


def count(taken: FigureTaken) -> Counter[str]:
    """How many artists of each kind there are."""
    found = Counter(one[0] for one in taken.artists)
    for axes in taken.axes:
        found.update(one[0] for one in axes.artists)
        found["tick"] += sum(map(len, axes.ticks))
    return found


def draw(taken: FigureTaken) -> str:
    """Draw it again and return it as SVG."""
    rc: Any = {"svg.fonttype": "none", "font.family": list(taken.fonts), "svg.hashsalt": "plain"}
    with mpl.rc_context(rc):
        figure = Figure(figsize=taken.size_in)
        for one in taken.axes:
            axes = figure.add_axes(one.place)
            for kind, what, how in one.artists:
                _drawn(axes, kind, what, how)
            axes.set(xlim=one.limits[0], ylim=one.limits[1])
            axes.set(xlabel=one.names[0], ylabel=one.names[1])
            axes.set_xticks(one.ticks[0], one.labels[0])
            axes.set_yticks(one.ticks[1], one.labels[1])
            axes.set(xlim=one.limits[0], ylim=one.limits[1])
            for name, spine in axes.spines.items():
                spine.set_visible(name in one.spines)
        for kind, what, how in taken.artists:
            _loose(figure, kind, what, how)
        buffer = io.StringIO()
        FigureCanvasSVG(figure).print_figure(buffer, format="svg")
    return buffer.getvalue()


def _drawn(axes: Any, kind: str, what: Any, how: dict[str, Any]) -> None:
    if kind == "text":
        axes.text(*what, **how)
    elif kind == "line":
        axes.plot(*what, **how)
    elif kind == "patch":
        axes.add_patch(PathPatch(Path(*what), **how))
    elif kind == "image":
        axes.imshow(what, **how)
    elif kind == "dots":
        (x, y), sizes = what
        axes.scatter(x, y, sizes, **how)
    else:
        axes.add_collection(PathCollection([Path(*one) for one in what], **how), autolim=False)


def _loose(figure: Figure, kind: str, what: Any, how: dict[str, Any]) -> None:
    if kind == "text":
        figure.text(*what, **how)
    elif kind == "line":
        figure.add_artist(Line2D(*what, transform=figure.transFigure, **how))
    else:
        figure.add_artist(PathPatch(Path(*what), transform=figure.transFigure, **how))
