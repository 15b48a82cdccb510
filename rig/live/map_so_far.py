"""The map of one stay, as far as it is read: raw means, nothing subtracted, nothing filled in."""

from __future__ import annotations

import math
from statistics import fmean
from typing import Any

from attrs import Factory, define

from analysis.figures.style import Scale
from analysis.interruptions import REFERENCE

#: An integer cell of a row that is empty.
_NONE = ""


@define
class _Cell:
    values: list[float] = Factory(list)
    sample: int = 0
    read_s: float = -math.inf
    status: str = ""


@define(kw_only=True)
class MapSoFar:
    """Cells of one installation at one mounting height.

    Attributes
    ----------
    label : str
    index : dict
        Index of each point of the grid by row and column.
    order : list of int
        In which the points are read.
    """

    label: str
    index: dict[tuple[int, int], int]
    order: list[int]
    last: int | None = None
    _cells: dict[int, _Cell] = Factory(dict)
    _reference: list[tuple[float, float]] = Factory(list)
    _reference_place: tuple[int, int] | None = None
    _visits: list[float] = Factory(list)

    def add(self, row: dict[str, str], at_s: float) -> None:
        """Take in a row of the light sensor at a point of the grid."""
        at = self.index.get(_place(row))
        if at is None:
            return
        sample = int(row["sample"] or 1)
        cell = self._cells.get(at)
        if row["status"] == "ok" and row["value"] != _NONE:
            value = float(row["value"])
            if cell is None or sample <= cell.sample or not cell.values:
                # A point that is read again begins anew; the later reading counts.
                cell = self._cells[at] = _Cell()
            cell.values.append(value)
            cell.sample, cell.read_s, cell.status = sample, at_s, "ok"
            self.last = at
        elif cell is None or not cell.values:
            cell = self._cells[at] = _Cell(status=row["status"], read_s=at_s)
            self.last = at

    def add_reference(self, row: dict[str, str], at_s: float) -> None:
        """Take in a row of the reference point."""
        if row["status"] != "ok" or row["value"] == _NONE:
            return
        place, sample = _place(row), int(row["sample"] or 1)
        if place != self._reference_place:
            self._reference_place = place
            self._reference.clear()
        if sample <= 1 or not self._reference:
            self._visits = []
            self._reference.append((at_s, 0.0))
        self._visits.append(float(row["value"]))
        self._reference[-1] = (at_s, fmean(self._visits))

    def doubt(self, subject: str) -> None:
        """Take back what was read since the last good visit of the reference point."""
        if subject == REFERENCE and self._reference:
            self._reference.pop()
        good_s = self._reference[-1][0] if self._reference else -math.inf
        self._cells = {at: cell for at, cell in self._cells.items() if cell.read_s <= good_s}

    def values(self) -> list[float | None]:
        """Return the mean of each point; None where nothing valid was read. [µmol m⁻² s⁻¹]"""
        found: list[float | None] = [None] * len(self.order)
        for at, cell in self._cells.items():
            if cell.values:
                found[at] = fmean(cell.values)
        return found

    @property
    def read(self) -> int:
        """How many points are done with: read, or skipped."""
        return sum(bool(c.values) or c.status == "skipped" for c in self._cells.values())

    def to_dict(self, *, is_under_way: bool) -> dict[str, Any]:
        """Return plain values for the page."""
        values = self.values()
        known = [value for value in values if value is not None]
        mean = fmean(known) if known else None
        return {
            "label": self.label,
            "values": [None if value is None else round(value, 2) for value in values],
            "odd": {
                str(at): cell.status
                for at, cell in self._cells.items()
                if not cell.values and cell.status not in ("", "ok")
            },
            "read": self.read,
            "expected": len(self.order),
            "last": self.last if is_under_way else None,
            "next": self._next() if is_under_way else None,
            "mean": mean,
            "min_to_mean": min(known) / mean if mean and len(known) == len(values) else None,
            "reference_percent": self._reference_percent(),
            "top": Scale.covering(known).top_umol_m2_s,
        }

    def _next(self) -> int | None:
        return next((at for at in self.order if at not in self._cells), None)

    def _reference_percent(self) -> float | None:
        """Change of the reference point since this map began. [%]"""
        if len(self._reference) < 2 or self._reference[0][1] <= 0:
            return None
        return 100.0 * (self._reference[-1][1] / self._reference[0][1] - 1.0)


def _place(row: dict[str, str]) -> tuple[int, int]:
    return int(row["grid_row"] or -1), int(row["grid_column"] or -1)
