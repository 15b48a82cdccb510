"""The same pictures as plain lines, one under the other, for what cannot be redrawn."""

from __future__ import annotations

from rich.text import Text

from rig.hand.lettering import Lettering
from rig.hand.picture import FULL_WIDTH, hung, place_words, wrapped
from rig.hand.view import HandView
from rig.operator import Prompt


def view_lines(view: HandView, note: str, signs: Lettering) -> list[Text]:
    """Say a view in some lines, ending in what may be answered."""
    left = [view.live] if view.live else []
    keys = ", ".join(f"{key} = {meaning}" for key, meaning in view.keys)
    asked = {
        "value": f"{view.typed_label or 'Value'}, then Enter",
        "text": f"{view.typed_label or 'Words'}, then Enter",
        "key": "One key",
        "nothing": "Reads by itself",
    }[view.asks]
    said = [
        "",
        f"{view.headline}. {hung(view)}.",
        place_words(view),
        view.instruction,
        f"! {view.message}" if view.message else "",
        *left,
        f"Last: {view.last}" if view.last else "",
        note,
        f"{asked} ({keys}):" if keys else f"{asked}:",
    ]
    return _lines([said[0], *(words for words in said[1:] if words)], signs)


def question_lines(prompt: Prompt, note: str, signs: Lettering) -> list[Text]:
    """Say a question and its choices."""
    return _lines(["", prompt.text, *([note] if note else []), " / ".join(prompt.choices)], signs)


def phase_lines(name: str, detail: str, signs: Lettering) -> list[Text]:
    """Say that a phase begins."""
    return _lines([f"{name}  {detail}".rstrip()], signs)


def remark_lines(note: str, signs: Lettering) -> list[Text]:
    """Say what is wrong with what was typed."""
    return _lines(["", note], signs)


def _lines(texts: list[str], signs: Lettering) -> list[Text]:
    return [line for text in texts for line in wrapped(signs.text(text), FULL_WIDTH)]
