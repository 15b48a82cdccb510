"""One moment of a hand run as lines of text for a terminal of a given size.

Drawing only: a view goes in, exactly so many lines come out, none longer than the terminal is
wide. What does not find room gives way in the order of what can be missed.
"""

from __future__ import annotations

import math
from typing import Final

from rich.console import Console
from rich.text import Text

from rig.hand.lettering import Lettering
from rig.hand.plan_picture import plan_picture
from rig.hand.view import HandView
from rig.progress import duration

#: What the screen is made for; a smaller one shows less, and says so.
FULL_WIDTH: Final = 80
FULL_HEIGHT: Final = 24
#: The words' side is never narrower than this, and never wider.
LEAST_WORDS, MOST_WORDS = 32, 60
#: Lines above the words and the plan, and below them.
HEAD, FOOT = 2, 2
CURSOR: Final = "_"
#: What can always be done.
STOPS: Final = "Ctrl-C stops the run; all that was read is kept."
#: What wants an answer.
ASKED: Final = "bold yellow"
#: For measuring and wrapping only; nothing is ever printed on it.
_RULER: Final = Console(width=1000, file=None, color_system=None)


def fitted(text: str | Text, width: int, style: str = "") -> Text:
    """Return one line no wider than this, cut with dots where it is longer."""
    line = text.copy() if isinstance(text, Text) else Text(text, style)
    line.truncate(max(width, 1), overflow="ellipsis" if width > 3 else "crop")
    return line


def wrapped(text: str, width: int, style: str = "") -> list[Text]:
    """Break text into lines no wider than this, keeping its own line breaks and indents."""
    lines: list[Text] = []
    for paragraph in text.split("\n"):
        indent = len(paragraph) - len(paragraph.lstrip(" "))
        pad = " " * (indent if indent < width // 2 else 0)
        broken = Text(paragraph.strip(), style).wrap(
            _RULER, max(width - len(pad), 1), overflow="fold"
        )
        lines += [Text(pad) + line for line in broken] or [Text("")]
    return [fitted(line, width) for line in lines]


def filled(lines: list[Text], height: int, foot: list[Text]) -> list[Text]:
    """Return exactly so many lines, the foot being the last of them."""
    foot = foot[-height:]
    room = height - len(foot)
    return [*lines[:room], *[Text("")] * (room - len(lines)), *foot]


def view_picture(
    view: HandView, typed: str, note: str, width: int, height: int, signs: Lettering
) -> list[Text]:
    """Draw a view.

    Parameters
    ----------
    view : HandView
    typed : str
        What was typed of the answer so far.
    note : str
        A remark about what was typed.
    width, height : int
        Of the terminal, in characters.
    signs : Lettering

    Returns
    -------
    list of Text
        `height` lines.
    """
    foot = [_answer_line(view, typed, note, width, signs), *_keys_lines(view, width, signs)]
    if width < FULL_WIDTH or height < FULL_HEIGHT:
        return _small(view, width, height, foot, signs)
    head = _head(view, width, signs)
    room = height - len(head) - len(foot)
    plan = plan_picture(view, width - LEAST_WORDS - 2, room, signs)
    plan_wide = max((line.cell_len for line in plan), default=0)
    words_wide = min(width - plan_wide - 2, MOST_WORDS)
    words = _words(view, words_wide, room, signs)
    body = []
    for at in range(room):
        line = words[at].copy() if at < len(words) else Text("")
        if at < len(plan):
            line.append(" " * (words_wide + 2 - line.cell_len))
            line.append_text(plan[at])
        body.append(line)
    return filled([*head, *body], height, foot)


def _head(view: HandView, width: int, signs: Lettering) -> list[Text]:
    left = "" if view.left_s is None else f"about {duration(view.left_s)} left"
    title = Text.assemble(fitted(signs.text(view.headline), width - len(left) - 2, "bold"))
    title.append(" " * (width - title.cell_len - len(left)) + left)
    return [title, fitted(signs.text(hung(view)), width, "dim")]


def _words(view: HandView, width: int, room: int, signs: Lettering) -> list[Text]:
    """Return the lines beside the plan; what can be missed most goes first."""
    blank = [Text("")]
    place = [Text(line, "bold") for line in _place(view)]
    large = _large(view, width, signs)
    instruction = wrapped(signs.text(view.instruction), width)
    asked = wrapped(signs.text(view.message), width - 2, ASKED) if view.message else []
    message = [Text.assemble(("  " if at else "! ", ASKED), line) for at, line in enumerate(asked)]
    live = [fitted(signs.text(view.live), width)] if view.live else []
    last = wrapped(signs.text(f"Last: {view.last}"), width, "dim") if view.last else []
    key = f"{signs.done} read {signs.skipped} skipped {signs.open} open {signs.next} next"
    legend = [fitted(key, width, "dim")]
    # From what is missed least to what is needed most.
    for parts in (
        [
            blank,
            large,
            blank,
            place,
            blank,
            instruction,
            blank,
            message,
            blank,
            live,
            last,
            blank,
            legend,
        ],
        [blank, large, blank, place, blank, instruction, blank, message, live, last, legend],
        [large, blank, place, blank, instruction, message, live, last, legend],
        [large, place, instruction, message, live, last],
        [_place_line(view, width), instruction, message, live, last],
        [_place_line(view, width), message, instruction, live],
    ):
        lines = [line for part in parts for line in part]
        if len(lines) <= room:
            break
    return lines[:room]


def _large(view: HandView, width: int, signs: Lettering) -> list[Text]:
    """Return row and column, or the seconds left to step back, in figures to be seen from afar."""
    if view.countdown_s is not None:
        seconds = signs.figures(max(math.ceil(view.countdown_s), 0))
        lines = ["SECONDS", *seconds]
    elif view.row is None or view.column is None:
        return []
    else:
        row, column = signs.figures(view.row + 1), signs.figures(view.column + 1)
        wide = max(len(row[0]), len("ROW")) + 4
        lines = [
            f"{'ROW':<{wide}}COLUMN",
            *(f"{a:<{wide}}{b}" for a, b in zip(row, column, strict=True)),
        ]
    if max(map(len, lines)) > width:
        return _place_line(view, width)
    return [Text(line.rstrip(), "bold") for line in lines]


def _place(view: HandView) -> list[str]:
    """Return the distances from the two walls that a point is measured from."""
    lines = []
    if view.from_left_mm is not None:
        lines.append(f"{view.from_left_mm:5.0f} mm from the left wall")
    if view.from_front_mm is not None:
        lines.append(f"{view.from_front_mm:5.0f} mm from the front wall")
    return lines


def hung(view: HandView) -> str:
    """Return what hangs there and how high, where that is known."""
    if math.isnan(view.mounting_height_mm):
        return view.device
    return f"{view.device}, mounting height {view.mounting_height_mm:.0f} mm"


def place_words(view: HandView) -> str:
    """Return the point, its distances and the seconds left in one sentence; "" if there is none."""
    words = [line.strip() for line in _place(view)]
    if view.row is not None and view.column is not None:
        words = [f"Row {view.row + 1}, column {view.column + 1}", *words]
    if view.countdown_s is not None:
        words = [f"{math.ceil(max(view.countdown_s, 0))} s", *words]
    return "; ".join(words)


def _place_line(view: HandView, width: int) -> list[Text]:
    words = place_words(view)
    return wrapped(words, width, "bold") if words else []


def _answer_line(view: HandView, typed: str, note: str, width: int, signs: Lettering) -> Text:
    note = signs.text(note)
    if view.asks == "key":
        return fitted(note, width)
    if view.asks == "nothing":
        told = "Reads by itself." + ("" if view.keys else f"  {STOPS}")
        return fitted(note or told, width, "" if note else "dim")
    label = signs.text(view.typed_label or ("Value" if view.asks == "value" else "Words"))
    line = Text(f"{label}: ")
    room = max(width - line.cell_len - 2, 4)
    shown = signs.text(typed)
    line.append(shown if len(shown) <= room else f"...{shown[3 - room :]}", "bold")
    line.append(CURSOR, "bold blink")
    line.append(f"   {note or 'then Enter'}", "" if note else "dim")
    return fitted(line, width)


def _keys_lines(view: HandView, width: int, signs: Lettering) -> list[Text]:
    """Return the keys and what they mean, on as few lines as they need."""
    if view.asks == "text":
        return [
            fitted(
                "   ".join(["Enter  take it", *(f"Esc  {m}" for k, m in view.keys if k == "esc")]),
                width,
            )
        ]
    lines = [Text("")]
    for key, meaning in view.keys:
        name = f"{key} or Enter" if key == view.enter_key else key
        item = Text.assemble((f" {signs.text(name)} ", "bold reverse"), f" {signs.text(meaning)}")
        if lines[-1].cell_len and lines[-1].cell_len + 2 + item.cell_len > width:
            lines.append(Text(""))
        lines[-1].append("  " if lines[-1].cell_len else "")
        lines[-1].append_text(item)
    return [fitted(line, width) for line in lines]


def _small(
    view: HandView, width: int, height: int, foot: list[Text], signs: Lettering
) -> list[Text]:
    """Draw what is needed on a terminal too small for the plan."""
    head = [fitted(signs.text(view.headline), width, "bold")]
    place = _place_line(view, width)
    instruction = wrapped(signs.text(view.instruction), width)
    message = wrapped(signs.text(f"! {view.message}"), width, ASKED) if view.message else []
    live = [fitted(signs.text(view.live), width)] if view.live else []
    last = [fitted(signs.text(f"Last: {view.last}"), width, "dim")] if view.last else []
    remark = wrapped(
        f"This window has {width} × {height} characters; from {FULL_WIDTH} × {FULL_HEIGHT} on it "
        "shows the plan of the grid too.".replace("×", "x" if signs.is_plain else "×"),
        width,
        "dim",
    )
    room = height - len(foot)
    for parts in (
        [head, place, instruction, message, live, last, remark],
        [head, place, instruction, message, live, last],
        [head, place, message, instruction, live],
        [place, message, instruction],
    ):
        lines = [line for part in parts for line in part]
        if len(lines) <= room:
            break
    return filled(lines, height, foot)
