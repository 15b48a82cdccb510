"""The house style of every figure, in one place: colours, type, canvas.

The map of light runs from dusk to lamplight: indigo, plum, clay, straw. Its lightness rises
in equal steps, so more light is always lighter, it stays in order for every kind of colour
vision and when printed in grey. A difference runs from paper to blue for less and to clay for
more. Everything else is ink on white with one accent.
"""

from __future__ import annotations

import gc
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from html import escape
from textwrap import wrap
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from attrs import frozen
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.colors import ListedColormap, to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.transforms import Bbox
from numpy.typing import NDArray

INK: Final = "#1d1a2b"
MUTED: Final = "#5a5669"
RULE: Final = "#d8d5df"
PALE: Final = "#f1eff5"
ACCENT: Final = "#00696b"
PAPER: Final = "#ffffff"

# Text inside a cell is pure black or white: on any background one of the two reaches a
# contrast of 4.58:1, which no softer pair can promise.
_CELL_INKS: Final = ("#000000", "#ffffff")

# Widths of DejaVu Sans, which comes with matplotlib, bound those of the others, so text laid
# out here fits wherever the file is opened.
SVG_FONTS: Final = "'Liberation Sans', Arial, Helvetica, 'DejaVu Sans', sans-serif"

_OBJECTS: Final = 20_000
_STAMP_PT: Final = 8.0
_BOLD_WIDTH: Final = 0.72
"""Of an average character of bold DejaVu Sans. [of its size]"""
_STAMP_LINE_IN: Final = _STAMP_PT * 1.4 / 72.0
_STAMP_MARGIN_IN: Final = 0.09

_RC: Final[Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.labelsize": 8.0,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "xtick.major.size": 3.0,
    "ytick.major.size": 3.0,
    "grid.color": RULE,
    "grid.linewidth": 0.6,
    "text.color": INK,
    "hatch.color": MUTED,
    "hatch.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 7.5,
    "path.simplify": True,
    "svg.fonttype": "none",
    "text.parse_math": False,
}


def _oklab_to_linear(lab: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    # Björn Ottosson, "A perceptual color space for image processing", 2020 (matrices as
    # published there; from memory, checked in the tests against the CIE definition of L*).
    to_lms = np.array(
        [
            [1.0, 0.3963377774, 0.2158037573],
            [1.0, -0.1055613458, -0.0638541728],
            [1.0, -0.0894841775, -1.2914855480],
        ]
    )
    to_rgb_ = np.array(
        [
            [4.0767416621, -3.3077115913, 0.2309699292],
            [-1.2684380046, 2.6097574011, -0.3413193965],
            [-0.0041960863, -0.7034186147, 1.7076147010],
        ]
    )
    return ((lab @ to_lms.T) ** 3) @ to_rgb_.T


def _encode(linear: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    low = np.clip(linear, 0.0, 1.0)
    return np.where(low <= 0.0031308, 12.92 * low, 1.055 * low ** (1 / 2.4) - 0.055)


def _dusk(steps: int = 256) -> ListedColormap:
    t = np.linspace(0.0, 1.0, steps)
    lightness = 0.24 + 0.73 * t
    hue = np.deg2rad(272.0 + 186.0 * t)
    chroma = 0.07 + 0.055 * np.sin(np.pi * t**0.9)
    chroma = chroma * np.where(t > 0.8, 1.0 - 0.45 * ((t - 0.8) / 0.2) ** 2, 1.0)
    lab = np.column_stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)])
    return ListedColormap(_encode(_oklab_to_linear(lab)), name="dusk")


LIGHT: Final = _dusk()


def _less_and_more(steps: int = 255) -> ListedColormap:
    # Two arms of equal lightness from paper to sea blue and to clay: blue and orange stay apart
    # for every kind of colour vision. The ends are light enough for black numbers.
    t = np.linspace(-1.0, 1.0, steps)
    size = np.abs(t)
    hue = np.deg2rad(np.where(t < 0, 235.0, 55.0))
    chroma = 0.125 * size**0.8
    lab = np.column_stack([0.975 - 0.345 * size**0.9, chroma * np.cos(hue), chroma * np.sin(hue)])
    return ListedColormap(_encode(_oklab_to_linear(lab)), name="less-and-more")


CHANGE: Final = _less_and_more()


def relative_luminance(colour: Any) -> float:
    """Return the relative luminance of an sRGB colour, 0 black to 1 white, after WCAG 2. [1]"""
    rgb = np.asarray(to_rgb(colour))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(a: Any, b: Any) -> float:
    """Return the contrast ratio of two sRGB colours, 1 to 21, after WCAG 2. [1]"""
    low, high = sorted((relative_luminance(a), relative_luminance(b)))
    return (high + 0.05) / (low + 0.05)


def text_on(colour: Any) -> str:
    """Return black or white, whichever reads better on this background."""
    return max(_CELL_INKS, key=lambda ink: contrast(ink, colour))


@frozen
class Scale:
    """One fixed colour scale, from darkness to `top_umol_m2_s`, for all maps shown together.

    It begins at zero, so that equal steps of colour are equal steps of light and a map that
    is twice as bright looks it.
    """

    top_umol_m2_s: float

    @classmethod
    def covering(cls, values: Iterable[float]) -> Scale:
        """Make the scale that holds all these values [µmol m⁻² s⁻¹]; missing ones are passed."""
        finite = [value for value in values if np.isfinite(value)]
        return cls(_round_up(max(finite, default=0.0)))

    def colour(self, value: float) -> tuple[float, float, float]:
        """Return the sRGB colour of a PPFD [µmol m⁻² s⁻¹]."""
        red, green, blue, _ = LIGHT(min(max(value / self.top_umol_m2_s, 0.0), 1.0))
        return (float(red), float(green), float(blue))


def _round_up(value: float) -> float:
    if value <= 0:
        return 1.0
    decade = 10.0 ** np.floor(np.log10(value))
    steps = (1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0)
    return float(next(step * decade for step in steps if value <= step * decade * (1 + 1e-12)))


@contextmanager
def house_style() -> Iterator[None]:
    """Apply the house style while figures are built; matplotlib's own settings come back."""
    with mpl.rc_context(_RC):
        yield


@contextmanager
def many_figures() -> Iterator[None]:
    """Look for garbage less often while many figures are drawn.

    A figure is some ten thousand objects that hold each other; walking through those in use again
    and again, for the few that are not, costs a fifth of the time of a report.
    """
    before = gc.get_threshold()
    gc.set_threshold(_OBJECTS, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


def new_figure(width_in: float, height_in: float) -> Figure:
    """Return an empty figure of this size [in], without pyplot and so without a window."""
    return Figure(figsize=(width_in, height_in), facecolor=PAPER)


def box(figure: Figure, left: float, bottom: float, width: float, height: float) -> Any:
    """Add axes at a place in the figure given in inches from its lower left corner."""
    wide, high = figure.get_size_inches()
    return figure.add_axes((left / wide, bottom / high, width / wide, height / high))


def put_stamp(figure: Figure, stamps: Sequence[str]) -> Bbox:
    """Put a dark band above a figure with what it must not be seen without.

    Parameters
    ----------
    figure : Figure
    stamps : sequence of str
        Each begins a line of its own.

    Returns
    -------
    Bbox
        What has to be drawn so that both are seen. [in]
    """
    width, height = (float(size) for size in figure.get_size_inches())
    fit = int((width - 2 * _STAMP_MARGIN_IN) * 72.0 / (_STAMP_PT * _BOLD_WIDTH))
    lines = [line for text in stamps for line in wrap(text, max(fit, 12))]
    band = len(lines) * _STAMP_LINE_IN + 2 * _STAMP_MARGIN_IN
    figure.add_artist(
        Rectangle(
            (-1.0, 1.0), 3.0, band / height, transform=figure.transFigure, facecolor=INK,
            edgecolor="none", clip_on=False,
        )
    )  # fmt: skip
    for at, line in enumerate(lines):
        y_in = height + band - _STAMP_MARGIN_IN - (at + 0.5) * _STAMP_LINE_IN
        figure.text(
            _STAMP_MARGIN_IN / width, y_in / height, line, fontsize=_STAMP_PT, weight="bold",
            color=PAPER, va="center_baseline", clip_on=False,
        )  # fmt: skip
    return Bbox([[0.0, 0.0], [width, height + band]])


def to_png(figure: Figure, dpi: float, *, stamps: Sequence[str] = ()) -> bytes:
    """Draw as PNG, the same bytes every time; with stamps, in as many pixels and the same shape."""
    buffer = io.BytesIO()
    with mpl.rc_context(_RC):
        region = None
        if stamps:
            width, height = figure.get_size_inches()
            region = put_stamp(figure, stamps)
            aside = (region.height * width / height - width) / 2
            region = Bbox.from_extents(-aside, 0.0, width + aside, region.height)
            dpi *= height / region.height
        FigureCanvasAgg(figure).print_figure(
            buffer, dpi=dpi, format="png", metadata={"Software": None}, bbox_inches=region
        )
    return buffer.getvalue()


def to_svg(figure: Figure, *, name: str, alt: str, stamps: Sequence[str] = ()) -> str:
    """Draw as an SVG element to be placed in an HTML page, the same bytes every time.

    Parameters
    ----------
    figure : Figure
    name : str
        Unique in the page: it salts the inner identifiers, so that two figures never share one.
    alt : str
        What a person who cannot see the figure should be told.
    stamps : sequence of str
        What the figure must not be seen without, see `put_stamp`.
    """
    buffer = io.StringIO()
    alt = "; ".join([*stamps, alt])
    with mpl.rc_context({**_RC, "svg.hashsalt": name}):
        FigureCanvasSVG(figure).print_figure(
            buffer,
            format="svg",
            bbox_inches=put_stamp(figure, stamps) if stamps else None,
            metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
        )
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.DOTALL)
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    used = set(re.findall(r"#([\w.-]+)", text))
    text = re.sub(r' id="([^"]*)"', lambda found: found[0] if found[1] in used else "", text)
    text = text.replace("'DejaVu Sans'", SVG_FONTS).replace('"DejaVu Sans"', SVG_FONTS)
    text = re.sub(r"\n\s*", "\n", text)
    # A hundredth of a point is beyond any eye; what is written in the figure is left as it is.
    text = re.sub(r"<[^>]*>", lambda tag: re.sub(r"(\d\.\d\d)\d+", r"\1", tag[0]), text)
    # A style element would reach beyond its own figure once it stands in a page.
    text = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>\s*", "", text, flags=re.DOTALL)
    head, _, rest = text.partition(">")
    view_box = re.search(r'viewBox="[^"]*"', head)
    assert view_box is not None
    return (
        f'<svg {view_box[0]} data-figure="{escape(name)}" role="img" aria-label="{escape(alt)}" '
        f'style="stroke-linejoin:round;stroke-linecap:butt">{rest.strip()}'
    )


def to_svg_file(figure: Figure, *, name: str, alt: str, stamps: Sequence[str] = ()) -> bytes:
    """Draw as an SVG file that stands alone; parameters as of `to_svg`."""
    return standing_alone(to_svg(figure, name=name, alt=alt, stamps=stamps))


def standing_alone(svg: str) -> bytes:
    """Return the file of an SVG element that was drawn for a page."""
    spaces = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
    return svg.replace("<svg ", f"<svg {spaces} ", 1).encode()
