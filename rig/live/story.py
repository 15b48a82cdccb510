"""What a run folder tells: read as it grows, told in sections that change one by one.

Sections: ``facts`` (what is measured, the grid), ``state`` (what goes on, in words), ``map`` (the
map that changed), ``curves``, ``events``. A section is sent again when it is another than before.
"""

from __future__ import annotations

import heapq
import json
import math
import tomllib
from collections import deque
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from analysis import run_folder
from analysis.grid import Grid, GridError, grid_from_plan, serpentine
from analysis.interruptions import DOUBTED
from analysis.replicates import replicate_in, replicate_words
from analysis.report.journal import unusual
from analysis.samples import LIGHT, MONITOR, POWER
from rig.live.map_so_far import MapSoFar
from rig.live.state import Doing
from rig.live.tail import NotThere, StartedOver, Tail, whole
from rig.live.time_left import Course, course_of
from rig.live.trace import Trace
from rig.live.words import said

MOST_DESCRIPTOR_BYTES: Final = 8 * 1024 * 1024
MOST_PLAN_BYTES: Final = 1024 * 1024
#: So many of the newest events are told, and so many things out of the ordinary.
LAST_EVENTS: Final = 14
LAST_UNUSUAL: Final = 12
#: Beyond so many events the oldest are forgotten here.
_KEPT_EVENTS: Final = 2000

Sections = dict[str, Any]


class Story:
    """One run folder, followed.

    Parameters
    ----------
    folder : Path
        Nothing outside it is opened.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._begin()

    def _begin(self) -> None:
        folder = self.folder
        self._readings = Tail(path=folder / run_folder.READINGS, columns=run_folder.READING_COLUMNS)
        self._tail_of_events = Tail(
            path=folder / run_folder.EVENTS, columns=run_folder.EVENT_COLUMNS
        )
        self._waiting: deque[dict[str, str]] = deque()
        self._events: deque[dict[str, str]] = deque(maxlen=_KEPT_EVENTS)
        self._maps: dict[str, MapSoFar] = {}
        self._changed: set[str] = set()
        self._events_changed = True
        self._warm_light, self._warm_power, self._power = Trace(), Trace(), Trace()
        self._warm_up_from_s = 0.0
        self._marks: list[tuple[float, str]] = []
        self._doing = Doing()
        self._map = ""
        #: When the last two maps began, and which replicate each is.
        self._replicates: tuple[tuple[float, int | None], tuple[float, int | None]] = (
            (-math.inf, None),
            (-math.inf, None),
        )
        self._watts: float | None = None
        self._trouble = ""
        self._grid: Grid | None = None
        self._facts: Sections = {}
        self._course = Course(())
        self._closed: tuple[float, bool] = (-1.0, False)
        self._sent: Sections = {}

    # -- reading ----------------------------------------------------------------------------

    def look(self) -> bool:
        """Read what has been added; return whether there is more to be read at once."""
        try:
            if not self._facts:
                self._read_facts()
            events, more_events = self._tail_of_events.more()
            self._waiting.extend(events)
            rows, more_rows = self._readings.more()
            self._trouble = ""
        except StartedOver:
            self._begin()
            return True
        except (NotThere, run_folder.RunFolderError, GridError) as error:
            self._trouble = str(error)
            return False
        self._take(rows, is_up_to_date=not more_rows)
        return more_rows or more_events

    def _read_facts(self) -> None:
        try:
            plan = tomllib.loads(
                whole(self.folder / run_folder.PLAN, MOST_PLAN_BYTES).decode("utf-8")
            )
            descriptor = json.loads(
                whole(self.folder / run_folder.DESCRIPTOR, MOST_DESCRIPTOR_BYTES)
            )
            self._grid = grid_from_plan(plan)
            device, lamp = plan["device"], plan["lamp"]
            self._facts = {
                "run": self.folder.name,
                "title": str(plan["test"]["name"]),
                "device": str(device["name"]),
                "specimen": str(device.get("specimen", "")),
                "lamp": f"{lamp.get('kind', '')}, {lamp.get('rated_power_w', 0):g} W, "
                f"sample {lamp.get('sample', '')}",
                "operator": str(plan["test"].get("operator", "")),
                "begun": str(descriptor.get("created", "")),
                "grid": _grid_facts(self._grid),
            }
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise NotThere(
                f"plan or descriptor cannot be read: {type(error).__name__}: {error}"
            ) from None
        self._course = course_of(self.folder)

    def _take(self, rows: list[dict[str, str]], *, is_up_to_date: bool) -> None:
        """Take rows and events in the order in which they were written."""
        if is_up_to_date:
            events = list(self._waiting)
            self._waiting.clear()
        else:
            events = []
            until_s = _elapsed_s(rows[-1]) if rows else 0.0
            while self._waiting and _elapsed_s(self._waiting[0]) <= until_s:
                events.append(self._waiting.popleft())
        for row in heapq.merge(events, rows, key=_elapsed_s):
            try:
                self._doing.now_s = max(self._doing.now_s, _elapsed_s(row))
                self._doing.now_utc = row["utc"]
                if "event" in row:
                    self._take_event(row)
                else:
                    self._take_reading(row)
            except (ValueError, TypeError):  # whole by its check sum, and yet no row of ours
                self._readings.damaged += 1

    def _take_event(self, event: dict[str, str]) -> None:
        at_s, name = float(event["elapsed_s"]), event["event"]
        self._events.append(event)
        self._events_changed = True
        self._doing.take(event)
        if name in ("map-begun", "map-resumed"):
            self._replicates = (self._replicates[-1], (at_s, replicate_in(event["detail"])))
            self._course.map_begun_s, self._course.warm_up_begun_s = at_s, None
            self._course.read = self._course.read_then = 0
        elif name == "map-ended":
            self._course.map_begun_s = None
            self._course.maps_ended += 1
            self._changed.add(self._map)
        elif name == "warm-up-begun":
            self._course.warm_up_begun_s, self._course.map_begun_s = at_s, None
            self._warm_light, self._warm_power = Trace(), Trace()
            self._warm_up_from_s = at_s
        elif name in ("lamp-stable", "warm-up-timeout"):
            self._course.warm_up_begun_s = None
        elif name in ("run-resumed", "stopped"):
            self._course.map_begun_s = self._course.warm_up_begun_s = None
            self._changed.add(self._map)
        elif name == DOUBTED and self._map:
            self._maps[self._map].doubt(event["subject"])
            self._changed.add(self._map)
        if label := _MARKS.get(name):
            self._marks.append((at_s, label))

    def _take_reading(self, row: dict[str, str]) -> None:
        quantity, role, at_s = row["quantity"], row["role"], _elapsed_s(row)
        value = _value(row)
        if quantity == POWER and value is not None:
            self._watts = value
            self._power.add(at_s, self._watts)
            if role == "warm-up":
                self._warm_power.add(at_s - self._warm_up_from_s, self._watts)
        elif quantity == LIGHT and row["instrument"] != MONITOR:
            if role == "warm-up" and value is not None:
                self._warm_light.add(at_s - self._warm_up_from_s, value)
            elif role in ("grid", "reference"):
                self._take_point(row, at_s)

    def _take_point(self, row: dict[str, str], at_s: float) -> None:
        before, (begun_s, replicate) = self._replicates
        if at_s <= begun_s:  # written before the map that begins at this very moment
            replicate = before[1]
        key = f"{row['installation']}-{row['mounting_height_mm']}{replicate_words(replicate)}"
        if key not in self._maps:
            self._maps[key] = self._new_map(row, replicate_words(replicate))
        found, self._map = self._maps[key], key
        if row["role"] == "reference":
            found.add_reference(row, at_s)
        else:
            if self._course.read == self._course.read_then == 0:
                self._course.read_then = found.read
            found.add(row, at_s)
            self._course.read, self._course.expected = found.read, len(found.order)
        self._changed.add(key)

    def _new_map(self, row: dict[str, str], which: str) -> MapSoFar:
        grid = self._grid
        assert grid is not None  # rows are read after the facts
        height = f"{float(row['mounting_height_mm'] or 'nan'):g} mm{which}"
        installation = row["installation"]
        return MapSoFar(
            label=height if installation == "1" else f"{height}, hung again ({installation})",
            index={
                (int(r), int(c)): at
                for at, (r, c) in enumerate(zip(grid.row, grid.column, strict=True))
            },
            order=[int(at) for at in serpentine(grid)],
        )

    # -- telling ----------------------------------------------------------------------------

    def snapshot(self, now: datetime) -> Sections:
        """Return everything there is to tell."""
        self.news(now)
        return {
            "facts": self._facts,
            "state": self._state(now),
            "maps": {key: self._told_map(key) for key in self._maps},
            "map": self._map,
            "curves": {
                name: {"at": 0, "points": [list(point) for point in trace.points]}
                for name, trace in self._traces().items()
            },
            "marks": self._marks,
            "events": self._told_events(),
        }

    def news(self, now: datetime) -> Sections:
        """Return what is another than at the last `news`; empty where nothing is."""
        told: Sections = {}
        if self._changed:
            told["maps"] = {key: self._told_map(key) for key in self._changed if key}
            told["map"] = self._map
            self._changed = set()
        curves = {}
        for name, trace in self._traces().items():
            if (added := trace.news()) is not None:
                curves[name] = {"at": added[0], "points": added[1]}
        if curves:
            told["curves"] = curves
        if self._events_changed:
            self._events_changed = False
            told["events"], told["marks"] = self._told_events(), self._marks
        state = self._state(now)
        if told or state != self._sent.get("state"):
            told["state"] = self._sent["state"] = state
        facts = self._sent.get("facts")
        if facts != self._facts:
            told["facts"] = self._sent["facts"] = self._facts
        return told

    def _traces(self) -> dict[str, Trace]:
        return {
            "warm-up light": self._warm_light,
            "warm-up power": self._warm_power,
            "power": self._power,
        }

    def _told_map(self, key: str) -> Sections:
        is_under_way = key == self._map and self._course.map_begun_s is not None
        return self._maps[key].to_dict(is_under_way=is_under_way and self._doing.is_going_on)

    def _told_events(self) -> Sections:
        events = list(self._events)
        last = [
            {"utc": event["utc"], "text": text}
            for event in events[-3 * LAST_EVENTS :]
            if (text := said(event))
        ]
        odd = unusual(events)
        return {
            "last": last[-LAST_EVENTS:][::-1],
            "unusual": [
                {"when": line.when, "what": line.what, "means": line.means}
                for line in odd[-LAST_UNUSUAL:]
            ][::-1],
            "unusual_further": max(0, len(odd) - LAST_UNUSUAL),
        }

    def _state(self, now: datetime) -> Sections:
        silent_s = max(0.0, now.timestamp() - self._last_written_s())
        state = self._doing.told(
            trouble=self._trouble,
            is_closed=self._is_closed(),
            silent_s=silent_s,
        )
        left = self._course.left(self._doing.now_s) if state["kind"] in ("going", "asks") else None
        return state | {
            "left_s": None if left is None else 30 * round(left.seconds / 30),
            "left_is_least": left is not None and left.at_least,
            "left_of_map": left is not None and left.of_map_only,
            "warm_up_from_s": self._warm_up_from_s,
            "watts": self._watts,
            "damaged": self._readings.damaged + self._tail_of_events.damaged,
            "report": self._has_report(),
        }

    def _last_written_s(self) -> float:
        return max(self._readings.changed_utc_s, self._tail_of_events.changed_utc_s)

    def _is_closed(self) -> bool:
        """Whether the recorder has closed the run; the descriptor is read when it changes."""
        path = self.folder / run_folder.DESCRIPTOR
        try:
            changed = path.lstat().st_mtime
            if changed != self._closed[0]:
                descriptor = json.loads(whole(path, MOST_DESCRIPTOR_BYTES))
                self._closed = (changed, bool(descriptor["evenfall"]["is_closed"]))
        except (OSError, NotThere, ValueError, KeyError, TypeError):
            return False
        return self._closed[1]

    def _has_report(self) -> bool:
        path = self.folder / run_folder.REPORT
        return path.is_file() and not path.is_symlink()


def _elapsed_s(row: dict[str, str]) -> float:
    try:
        return float(row["elapsed_s"])
    except (ValueError, TypeError):
        return 0.0


def _value(row: dict[str, str]) -> float | None:
    """Return the accepted value of a row; None where it has none."""
    if row["status"] != "ok" or not row["value"]:
        return None
    value = float(row["value"])
    return value if math.isfinite(value) else None


_MARKS: Final = {
    "lamp-lit": "lit",
    "lamp-stable": "stable",
    "map-begun": "map",
    "map-resumed": "map",
    "map-ended": "map read",
    "lamp-off": "off",
    "paused": "pause",
    "run-resumed": "resumed",
    "stopped": "stopped",
}


def _grid_facts(grid: Grid) -> Sections:
    return {
        "label": grid.label,
        "is_listed": grid.layout == "explicit",
        "rows": grid.rows,
        "columns": grid.columns,
        "width_mm": grid.width_mm,
        "depth_mm": grid.depth_mm,
        "row": [int(row) for row in grid.row],
        "column": [int(column) for column in grid.column],
        "x_mm": [round(float(x), 1) for x in grid.x_mm],
        "y_mm": [round(float(y), 1) for y in grid.y_mm],
    }
