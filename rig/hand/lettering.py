"""Characters that a terminal can show: signs for the plan, figures to be read from afar."""

from __future__ import annotations

import codecs
from typing import Final

from attrs import frozen

#: Figures of 3 × 5 dots, row by row from the top.
DOTS: Final = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", " ##", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", " # ", " # ", " # "),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
}
FIGURE_ROWS: Final = 5
#: Signs of the house that older character sets lack.
PLAINLY: Final = str.maketrans(
    {"µ": "u", "²": "2", "⁻": "-", "¹": "1", "·": ".", "×": "x", "–": "-", "−": "-", "…": "..."}
)


@frozen(kw_only=True)
class Lettering:
    """The signs of one kind of terminal."""

    done: str = "■"
    open: str = "·"
    skipped: str = "×"
    next: str = "◆"
    dot: str = "█"
    level: str = "─"
    upright: str = "│"
    corners: str = "┌┐└┘"
    row_mark: str = "▶"
    column_mark: str = "▲"
    bar: str = "█"
    bar_rest: str = "░"
    is_plain: bool = False

    @classmethod
    def for_encoding(cls, encoding: str) -> Lettering:
        """Return the signs that an encoding has."""
        try:
            is_unicode = codecs.lookup(encoding).name.startswith("utf")
        except LookupError:
            is_unicode = False
        return UNICODE if is_unicode else ASCII

    def figures(self, number: int) -> list[str]:
        """Return a number in figures five lines high."""
        rows = []
        for row in range(FIGURE_ROWS):
            dots = " ".join(DOTS[figure][row] for figure in str(abs(number)))
            rows.append("".join(2 * (self.dot if dot == "#" else " ") for dot in dots))
        return rows

    def text(self, text: str) -> str:
        """Return text in characters that the terminal has, without any that steer it."""
        text = "".join(sign if sign.isprintable() or sign == "\n" else "?" for sign in text)
        if not self.is_plain:
            return text
        return text.translate(PLAINLY).encode("ascii", errors="replace").decode()


UNICODE: Final = Lettering()
ASCII: Final = Lettering(
    done="#",
    open=".",
    skipped="x",
    next="O",
    dot="#",
    level="-",
    upright="|",
    corners="++++",
    row_mark=">",
    column_mark="^",
    bar="#",
    bar_rest=".",
    is_plain=True,
)
