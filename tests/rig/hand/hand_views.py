"""Views of an invented hand run, for the tests of the screen."""

from __future__ import annotations

from typing import Any

from rig.hand.view import HandView, PointState

KEYS = (
    ("d", "done"),
    ("r", "redo last"),
    ("s", "skip"),
    ("b", "back"),
    ("p", "pause"),
    ("x", "stop"),
)


def view_of(count: int, read: int, **changes: Any) -> HandView:
    """Return the view of a square grid of so many points a side, so many of them read in rows."""
    states: list[list[PointState]] = [["open"] * count for _ in range(count)]
    for index in range(read):
        states[index // count][index % count] = "done"
    row, column = divmod(read, count)
    said: dict[str, Any] = {
        "headline": f"Point {read + 1} of {count * count}",
        "device": "Reflector A",
        "mounting_height_mm": 400.0,
        "instruction": "Put the sensor there, level it, and step back.",
        "row": row,
        "column": column,
        "from_left_mm": (column + 0.5) * 1200.0 / count,
        "from_front_mm": (row + 0.5) * 1200.0 / count,
        "states": tuple(tuple(line) for line in states),
        "reference": (count // 2, count // 2),
        "asks": "key",
        "keys": KEYS,
        "last": "row 1, column 1: 612 µmol/m²/s",
        "live": "612 W   steady for 3 of 5 s",
        "left_s": 3900.0,
    }
    return HandView(**(said | changes))
