"""Cards for a video or a post: the verdict, a map or two, one number; 16:9 or square.

A card is drawn small and printed at many dots to the inch, so that its smallest text still reads
where it is shown 480 pixels wide.
"""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Final

from attrs import frozen

from analysis.figures.plan_view import draw_bar
from analysis.figures.plane import Setting, draw_plane
from analysis.figures.style import ACCENT, INK, MUTED, Scale, box, house_style, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analysis.results import MapSummary

#: Width and height. [in]
WIDE: Final = (5.0, 2.8125)
SQUARE: Final = (4.0, 4.0)
#: 1600 × 900 and 1280 × 1280 pixels.
DPI: Final = 320.0
#: Height of the smallest text where the card is 480 pixels wide; common practice, no source.
LEAST_PX: Final = 9.0

_SIDE_IN: Final = 0.14
_SMALL_PT: Final = 6.8
_CHARACTER: Final = 0.60
"""Width of an average character of DejaVu Sans; bold is a sixth wider. [of its size]"""
_BAR_IN: Final = 0.58


@frozen(kw_only=True)
class CardMap:
    """A map on a card, and what stands above it."""

    title: str
    map_: MapSummary
    setting: Setting


@frozen(kw_only=True)
class CardText:
    """What is written on a card.

    Attributes
    ----------
    headline : str
        The verdict.
    number : str
        The one figure to remember.
    reach : str
        Its ± and unit.
    means : str
        In a few words what it is.
    foot : str
        Scale, size and grid.
    """

    headline: str
    number: str
    reach: str
    means: str
    foot: str


def card(
    maps: Sequence[CardMap], scale: Scale, text: CardText, *, size_in: tuple[float, float] = WIDE
) -> Figure:
    """Draw a card of one map or two.

    Parameters
    ----------
    maps : sequence of CardMap
    scale : Scale
        Holds all of them.
    text : CardText
    size_in : (float, float)
        `WIDE` or `SQUARE`. [in]
    """
    width, height = size_in
    is_wide = width > height
    with house_style():
        figure = new_figure(width, height)

        def write(x_in: float, y_in: float, words: str, **how: Any) -> None:
            figure.text(x_in / width, y_in / height, words, **how)

        def lines(words: str, room_in: float, size_pt: float, *, bold: bool = False) -> list[str]:
            character_pt = size_pt * _CHARACTER * (7 / 6 if bold else 1.0)
            for apart in ("± ", " ±", " mm", " %"):  # a number keeps its unit
                words = words.replace(apart, apart.replace(" ", "\u00a0"))
            return wrap(words, int(room_in * 72 / character_pt))

        room = width - 2 * _SIDE_IN
        foot = lines(text.foot, room, _SMALL_PT)
        for at, line in enumerate(foot, 1):
            write(_SIDE_IN, 0.09 + 0.115 * (len(foot) - at), line, fontsize=_SMALL_PT, color=MUTED)
        bottom = 0.09 + 0.115 * len(foot) + 0.09

        size_pt = next(
            (size for size in (11.0, 10.0, 9.0, 8.0)
             if len(lines(text.headline, room, size, bold=True)) <= (2 if is_wide else 3)), 7.2,
        )  # fmt: skip
        top = height - 0.12
        for line in lines(text.headline, room, size_pt, bold=True):
            write(_SIDE_IN, top, line, fontsize=size_pt, weight="bold", va="top")
            top -= size_pt * 1.28 / 72
        top -= 0.08

        # The number stands to the right of the maps on a wide card, above them on a square one.
        aside = 1.42 if is_wide else 0.0
        if is_wide:
            x, y = width - _SIDE_IN - aside, bottom + (top - bottom) / 2 + 0.22
            write(x, y, text.number, fontsize=26, weight="bold", color=ACCENT, va="baseline")
            write(x, y - 0.21, text.reach, fontsize=9, weight="bold", color=ACCENT)
            for at, line in enumerate(lines(text.means, aside, 7.5)):
                write(x, y - 0.42 - 0.135 * at, line, fontsize=7.5, color=INK)
        else:
            write(_SIDE_IN, top - 0.36, text.number, fontsize=28, weight="bold", color=ACCENT)
            x = _SIDE_IN + (len(text.number) * 28 * 0.72) / 72 + 0.10
            write(x, top - 0.17, text.reach, fontsize=9, weight="bold", color=ACCENT)
            for at, line in enumerate(lines(text.means, width - _SIDE_IN - x, 7.2)):
                write(x, top - 0.33 - 0.12 * at, line, fontsize=7.2, color=INK)
            top -= 0.58

        gap, wall = 0.16, 0.04
        across = room - aside - _BAR_IN - (0.1 if is_wide else 0.0) - gap * (len(maps) - 1)
        across /= len(maps)
        titles = [lines(one.title, across, 7.5, bold=True) for one in maps]
        high = top - bottom - 0.08 - 0.13 * max(map(len, titles))
        mm_per_in = max(
            max(one.map_.grid.width_mm / across, one.map_.grid.depth_mm / high) for one in maps
        )
        used = sum(one.map_.grid.width_mm / mm_per_in for one in maps) + gap * (len(maps) - 1)
        spare = max(room - aside - _BAR_IN - used, 0.0)
        left = _SIDE_IN + wall + (spare / 2 if not is_wide else 0.0)
        tallest = max(one.map_.grid.depth_mm for one in maps) / mm_per_in
        bottom += max(high - tallest - 2 * wall, 0.0) / 2
        for one, title in zip(maps, titles, strict=True):
            grid = one.map_.grid
            wide, tall = grid.width_mm / mm_per_in, grid.depth_mm / mm_per_in
            axes = box(figure, left - wall, bottom, wide + 2 * wall, tall + 2 * wall)
            draw_plane(
                axes, one.map_, scale, one.setting, mm_per_in=mm_per_in, wall_in=wall,
                least_pt=LEAST_PX / 480 * 72 * width, is_bare=True,
            )  # fmt: skip
            axes.set(xticks=[], yticks=[])
            for at, line in enumerate(title, 1):
                y = bottom + tall + 2 * wall + 0.05 + 0.13 * (len(title) - at)
                write(left - wall, y, line, fontsize=7.5, weight="bold")
            left += wide + gap
        bar = box(figure, left - gap + 0.16, bottom + wall, 0.09, tallest)
        draw_bar(bar, scale)
        bar.set_ylabel("")
        bar.tick_params(labelsize=_SMALL_PT, pad=2)
    return figure
