"""The other two pictures of a hand run: a question in words, and a phase that goes on by itself."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from attrs import field, frozen
from rich.text import Text

from rig.hand.lettering import Lettering
from rig.hand.picture import CURSOR, STOPS, filled, fitted, wrapped
from rig.operator import Prompt
from rig.progress import duration

#: Lines longer than this are hard to read.
MOST_WIDE: Final = 76
#: Earlier phases shown below the one that goes on.
EARLIER: Final = 8


@frozen(kw_only=True)
class Phase:
    """What goes on by itself, and how far it is."""

    name: str = ""
    detail: str = ""
    done: float = 0.0
    total: float = 0.0
    text: str = ""
    left_s: float | None = None
    earlier: tuple[str, ...] = field(default=())

    @property
    def words(self) -> str:
        """Name and detail, as one line of the record."""
        return f"{self.name}  {self.detail}".strip()


def pages_of(prompt: Prompt, width: int, height: int, signs: Lettering) -> list[list[Text]]:
    """Break a question's text into as many pages as it needs, between paragraphs if it can be."""
    room = max(height - 5, 1)
    found: list[list[Text]] = [[]]
    for paragraph in signs.text(prompt.text.strip()).split("\n"):
        lines = wrapped(paragraph, max(min(width - 4, MOST_WIDE), 1))
        if len(found[-1]) + len(lines) > room and found[-1]:
            found.append([])
        while len(lines) > room:
            found[-1], lines = lines[:room], lines[room:]
            found.append([])
        found[-1] += lines
    return found


def question_picture(
    prompt: Prompt, page: int, typed: str, note: str, width: int, height: int, signs: Lettering
) -> list[Text]:
    """Draw one page of a question; the last one takes the answer."""
    pages = pages_of(prompt, width, height, signs)
    page = min(page, len(pages) - 1)
    body = [Text(""), *(Text("  ") + line for line in pages[page]), Text("")]
    if page < len(pages) - 1:
        more = f"  Page {page + 1} of {len(pages)}.  Enter or space bar: read on"
        return filled([*body, fitted(more, width, "bold")], height, [])
    line = Text("  ")
    line.append(f"Answer ({signs.text(' / '.join(prompt.choices))}): ")
    line.append(signs.text(typed), "bold")
    line.append(CURSOR, "bold blink")
    hint = note or "the word or its first letter, then Enter"
    if len(pages) > 1:
        hint += f"   (page {page + 1} of {len(pages)}; b turns back)"
    answer = [fitted(line, width), fitted(f"  {signs.text(hint)}", width, "" if note else "dim")]
    return filled([*body[: max(height - 2, 0)], *answer], height, [])


def phase_picture(phase: Phase, width: int, height: int, signs: Lettering) -> list[Text]:
    """Draw a phase: its name, how far it is, its live numbers, and what was before."""
    lines = [Text(""), *_indented([phase.name], width, "bold", signs)]
    if phase.detail:
        lines += _indented([phase.detail], width, "", signs)
    lines.append(Text(""))
    if phase.total > 0:
        share = min(max(phase.done / phase.total, 0.0), 1.0)
        wide = max(min(width - 30, 46), 4)
        full = round(share * wide)
        left = "" if phase.left_s is None else f"about {duration(phase.left_s)} left"
        bar = f"  {signs.bar * full}{signs.bar_rest * (wide - full)}  {left}"
        lines += [fitted(bar, width), Text("")]
    if phase.text:
        lines += _indented([phase.text], width, "", signs)
    if phase.earlier:
        lines += [Text(""), fitted("  Before:", width, "dim")]
        lines += _indented(phase.earlier[-EARLIER:], width, "dim", signs)
    foot = f"  Nothing to do now.  {STOPS}"
    return filled(lines, height, [fitted(foot, width, "dim")])


def _indented(texts: Sequence[str], width: int, style: str, signs: Lettering) -> list[Text]:
    return [
        Text("  ") + line
        for text in texts
        for line in wrapped(signs.text(text), max(min(width - 4, MOST_WIDE), 1), style)
    ]
