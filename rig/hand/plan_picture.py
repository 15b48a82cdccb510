"""The small plan of the grid: what is read, skipped, open and next, told by shape.

Seen as one stands at the front wall: row 1 nearest, column 1 at the left.
"""

from __future__ import annotations

from typing import Final

from rich.text import Text

from rig.hand.lettering import Lettering
from rig.hand.view import HandView, PointState

#: Columns and rows of the terminal for each point, the roomiest first.
PITCHES: Final = ((4, 2), (3, 1), (2, 1), (1, 1))
#: Columns beside the grid: name of a wall, numbers of rows, frame.
BESIDE: Final = 9
#: Rows above and below it: walls and numbers of columns.
ABOVE_AND_BELOW: Final = 3
#: Columns that the names of the walls need.
LEAST_INNER: Final = 14
#: Beside the shape, for those who see colours.
STYLES: Final[dict[PointState, str]] = {
    "next": "bold reverse",
    "skipped": "bold magenta",
    "done": "cyan",
    "open": "",
    "outside": "",
}
BACK, FRONT, LEFT, RIGHT = "back wall", "front wall", "left", "right"


def plan_picture(view: HandView, width: int, height: int, signs: Lettering) -> list[Text]:
    """Draw the plan within so many columns and rows; empty if there is no room for any.

    A grid too large for the room shows the part around the next point.
    """
    rows, columns = len(view.states), len(view.states[0]) if view.states else 0
    free_columns, free_rows = width - BESIDE, height - ABOVE_AND_BELOW
    if not columns or free_columns < LEAST_INNER or free_rows < 1:
        return []
    across, up = next(
        (
            (across, up)
            for across, up in PITCHES
            if across * columns + 1 <= free_columns and up * (rows - 1) + 1 <= free_rows
        ),
        PITCHES[-1],
    )
    return _drawn(
        view,
        across,
        up,
        _part(rows, free_rows, view.row),
        _part(columns, max(free_columns - 1, 1), view.column),
        signs,
    )


def _part(count: int, room: int, around: int | None) -> range:
    """Return which lines of the grid are shown where not all have room."""
    if count <= room:
        return range(count)
    first = min(max((around or 0) - room // 2, 0), count - room)
    return range(first, first + room)


def _drawn(
    view: HandView, across: int, up: int, rows: range, columns: range, signs: Lettering
) -> list[Text]:
    inner = max(across * len(columns) + 1, LEAST_INNER)
    upper_left, upper_right, lower_left, lower_right = (*signs.corners,)
    body: list[Text] = []
    for row in reversed(rows):
        line = Text()
        for column in columns:
            line.append_text(_sign(view, row, column, across, signs))
        line.append(" " * (inner - line.cell_len))
        is_next = row == view.row
        style = "bold" if is_next else "dim"
        body.append(
            Text.assemble(
                (f"{row + 1:>2} {signs.row_mark if is_next else signs.upright}", style),
                line,
                (signs.upright, "dim"),
            )
        )
        if row != rows[0]:
            empty = f"   {signs.upright}{' ' * inner}{signs.upright}"
            body += [Text(empty, "dim")] * (up - 1)
    edge = {False: "", True: " (part)"}[len(rows) < len(view.states)]
    top = f" {BACK}{edge} ".center(inner, signs.level)[:inner]
    bottom = f" {FRONT} ".center(inner, signs.level)[:inner]
    lines = [
        Text(f"   {upper_left}{top}{upper_right}", "dim"),
        *body,
        Text(f"   {lower_left}{bottom}{lower_right}", "dim"),
    ]
    left, right = (_down(name, len(lines)) for name in (LEFT, RIGHT))
    lines = [
        Text.assemble((f"{a} ", "dim"), line, (f" {b}", "dim"))
        for a, line, b in zip(left, lines, right, strict=True)
    ]
    return [*lines, _numbers(view, across, columns, inner, signs)]


def _sign(view: HandView, row: int, column: int, across: int, signs: Lettering) -> Text:
    is_next = (row, column) == (view.row, view.column)
    state: PointState = "next" if is_next else view.states[row][column]
    sign = {
        "done": signs.done,
        "open": signs.open,
        "skipped": signs.skipped,
        "next": signs.next,
        "outside": " ",
    }[state]
    style = STYLES[state]
    if across < 3:
        return Text(" " * (across - 1)) + Text(sign, style)
    around = "[]" if state == "next" else "()" if (row, column) == view.reference else "  "
    return Text(" " * (across - 3)) + Text(f"{around[0]}{sign}{around[1]}", style)


def _numbers(view: HandView, across: int, columns: range, inner: int, signs: Lettering) -> Text:
    """Number the columns, as many as have room, and point at the one that is next."""
    line = Text(" " * 6)
    place = across - 1 if across < 3 else across - 2
    every = 1 if across >= 3 else 2 if across == 2 and columns[-1] < 9 else 5
    for column in columns:
        at = 6 + (column - columns[0]) * across + place
        number = str(column + 1)
        wanted = column == view.column or (
            (column == 0 or (column + 1) % every == 0)
            and (view.column is None or abs(column - view.column) * across > 2)
        )
        if not wanted or (line.cell_len > at and column != view.column):
            continue
        line.append(" " * max(at - line.cell_len - (len(number) - 1) // 2, 0))
        line.append(number, "bold" if column == view.column else "dim")
    return line


def _down(name: str, count: int) -> list[str]:
    """Write a word from above to below in the middle of so many lines."""
    if count < len(name):
        return [" "] * count
    above = (count - len(name)) // 2
    return [*" " * above, *name, *" " * (count - len(name) - above)]
