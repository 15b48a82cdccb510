"""``python -m tests.guide_screens``: draw the screens that the guides show, as SVG.

The pictures are made of the very lines that the terminal gets; a test fails where a picture and
the screen differ, and running this mends it. The run in them is invented.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from xml.sax.saxutils import escape

from rich.text import Text

from rig.hand.lettering import UNICODE
from rig.hand.picture import view_picture
from rig.hand.view import HandView, PointState

PICTURES = Path(__file__).parents[1] / "hardware" / "guides" / "pictures"
COLUMNS, ROWS = 80, 24
#: One character. [px]
WIDE, HIGH = 9.0, 18.0
MARGIN = 14.0
PAPER, INK, DIM = "#14181d", "#e6e3da", "#8d949c"
COLOURS = {"cyan": "#7cc7d8", "magenta": "#d79bd0", "yellow": "#f0cf65"}
#: Arms of a line in a cell: left, right, up, down.
LINES = {
    "─": "lr", "│": "ud", "┌": "rd", "┐": "ld", "└": "ru", "┘": "lu",
}  # fmt: skip

KEYS = (("r", "redo last"), ("s", "skip"), ("b", "back"), ("p", "pause"), ("x", "stop"))


def point(**changes: object) -> HandView:
    """Return a moment of an invented hand run of 5 × 5 points in a box 1 m wide."""
    states: list[list[PointState]] = [["open"] * 5 for _ in range(5)]
    for row, column in [(row, column) for row in range(3) for column in range(5)] + [
        (3, 4),
        (3, 3),
    ]:
        states[row][column] = "done"
    states[1][0] = "skipped"
    said: dict[str, object] = {
        "headline": "Point 18 of 25",
        "device": "Reflector A",
        "mounting_height_mm": 400.0,
        "instruction": "Lay the sensor there, level, and close the door as far as it goes. Read "
        "the display, type the number, press Enter.",
        "row": 3,
        "column": 2,
        "from_left_mm": 500.0,
        "from_front_mm": 700.0,
        "states": tuple(tuple(row) for row in states),
        "reference": (2, 2),
        "asks": "value",
        "typed_label": "PPFD in µmol/m²/s",
        "keys": KEYS,
        "last": "row 4, column 4: 969 µmol/m²/s",
        "left_s": 420.0,
    }
    return HandView(**(said | changes))  # type: ignore[arg-type]


def views() -> dict[str, HandView]:
    """Return what each screen shows, by the name of its picture."""
    asked = point(
        instruction="Look at the display again. Your word counts.",
        asks="key",
        message="11750 stands beside 1522, 1210 and 969: meant 1175?",
        keys=(
            ("k", "keep 11750"),
            ("m", "meant 1175"),
            ("t", "type again"),
            ("p", "pause"),
            ("x", "stop"),
        ),
    )
    return {"hand-screen.svg": point(), "hand-question.svg": asked}


def svg(lines: list[Text], title: str) -> str:
    """Draw the lines of a terminal."""
    width, height = COLUMNS * WIDE + 2 * MARGIN, ROWS * HIGH + 2 * MARGIN
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{width:g}" height="{height:g}" rx="8" fill="{PAPER}"/>',
        '<g font-family="ui-monospace,Menlo,Consolas,DejaVu Sans Mono,monospace" font-size="14.5">',
    ]
    for row, line in enumerate(lines):
        y = MARGIN + row * HIGH
        for column, words, style in _runs(line):
            parts += _drawn(MARGIN + column * WIDE, y, words, style)
    return "\n".join([*parts, "</g>", "</svg>", ""])


def _runs(line: Text) -> Iterator[tuple[int, str, str]]:
    """Return where each run of one style begins, its characters, and the style."""
    styles = [str(line.style or "")] * len(line.plain)
    for span in line.spans:
        styles[span.start : span.end] = [str(span.style)] * (span.end - span.start)
    begin = 0
    for at in range(1, len(styles) + 1):
        if at == len(styles) or styles[at] != styles[begin]:
            yield begin, line.plain[begin:at], styles[begin]
            begin = at


def _drawn(x: float, y: float, words: str, style: str) -> Iterator[str]:
    colour = next((value for name, value in COLOURS.items() if name in style), INK)
    colour = DIM if "dim" in style else colour
    if "reverse" in style:
        wide = len(words) * WIDE
        yield f'<rect x="{x:g}" y="{y:g}" width="{wide:g}" height="{HIGH:g}" fill="{colour}"/>'
        colour = PAPER
    written = ""
    for at, sign in enumerate(words):
        if shape := _shape(sign, x + at * WIDE, y, colour):
            yield shape
        written += " " if shape else sign
    bold = ' font-weight="bold"' if "bold" in style else ""
    for word in re.finditer(r"\S+", written):
        yield (
            f'<text x="{x + word.start() * WIDE:g}" y="{y + 0.74 * HIGH:.4g}" fill="{colour}"'
            f'{bold} textLength="{len(word[0]) * WIDE:g}">{escape(word[0])}</text>'
        )


def _shape(sign: str, x: float, y: float, colour: str) -> str:
    """Draw what no two fonts draw alike."""
    middle_x, middle_y = x + WIDE / 2, y + HIGH / 2
    if sign == "█":
        wide, high = WIDE + 0.4, HIGH + 0.4  # no seam between two
        return f'<rect x="{x:g}" y="{y:g}" width="{wide:g}" height="{high:g}" fill="{colour}"/>'
    if sign == "■":
        return f'<rect x="{x + 0.5:g}" y="{middle_y - 4:g}" width="8" height="8" fill="{colour}"/>'
    if sign == "·":
        return f'<circle cx="{middle_x:g}" cy="{middle_y:g}" r="1.6" fill="{colour}"/>'
    if sign in "◆▶▲":
        points = {"◆": "0,-6 5,0 0,6 -5,0", "▶": "-4,-5 5,0 -4,5", "▲": "0,-5 5,4 -5,4"}[sign]
        return (
            f'<polygon points="{points}" transform="translate({middle_x:g} {middle_y:g})" '
            f'fill="{colour}"/>'
        )
    if arms := LINES.get(sign):
        ends = {
            "l": (x, middle_y), "r": (x + WIDE, middle_y),
            "u": (middle_x, y), "d": (middle_x, y + HIGH),
        }  # fmt: skip
        path = "".join(
            f"M{middle_x:g} {middle_y:g}L{ends[arm][0]:g} {ends[arm][1]:g}" for arm in arms
        )
        return f'<path d="{path}" stroke="{colour}" fill="none"/>'
    return ""


def pictures() -> dict[str, str]:
    """Return each picture by its name."""
    titles = {
        "hand-screen.svg": "The screen of a hand run: the next point in large figures, the plan of "
        "the grid beside it",
        "hand-question.svg": "The screen asks whether 11750 was meant to be 1175",
    }
    return {
        name: svg(view_picture(view, "11", "", COLUMNS, ROWS, UNICODE), titles[name])
        for name, view in views().items()
    }


if __name__ == "__main__":
    for name, drawn in pictures().items():
        (PICTURES / name).write_text(drawn, encoding="utf-8")
