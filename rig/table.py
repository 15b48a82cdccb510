"""Hand-measured tables of PPFD: a matrix as on a clipboard, or rows of x, y and value.

A matrix has one cell for each point, one line for each row of the grid. Seen from above with
the corner from which x and y are counted at the lower left, the first line is the far row,
the one with the largest y (``first_line="far"``); with ``"near"`` it is the row with the
smallest y. x always grows to the right. A first cell that states a length unit (``mm``,
``y\\x cm``) says that the first line holds x and the first column y; then the positions decide
and not the order of the lines::

    mm  , 150, 450, 750          x_mm, y_mm, ppfd_umol_m2_s
    750 , 410, 520, 405          150 , 150 , 398
    450 , 530, 690, 525          450 , 150 , 507
    150 , 398, 507, -            …

A point that was not read is an empty cell or a dash, and stays missing. Nothing is guessed:
where unit, decimal sign or meaning are open, the file is refused with the way to say it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from attrs import define, field, frozen

from rig.table_cells import (
    UNITS,
    VALUE_NAMES,
    Cell,
    Sheet,
    TableError,
    Unit,
    name_and_unit,
    number,
    read_sheet,
    reading,
    unit_named,
)
from rig.toml_faults import did_you_mean

FIRST_LINES: Final = ("far", "near")
MM_PER: Final = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
_HEADER: Final = "x_mm, y_mm, ppfd_umol_m2_s"


@frozen(kw_only=True)
class HandTable:
    """A table as read.

    Attributes
    ----------
    form : str
        ``"matrix"`` or ``"points"``.
    x_mm, y_mm : tuple of float, or None
        Positions of columns and rows, rising; None where the table does not state them. [mm]
    values : tuple of tuple
        One tuple for each row, row 0 at the smallest y; None where there is no reading. [`unit`]
    raw : tuple of tuple of str
        The cells as they stand in the file, in the same order.
    unit : Unit
        What the readings are in.
    sheet : Sheet
        How the file was written.
    """

    form: str
    x_mm: tuple[float, ...] | None
    y_mm: tuple[float, ...] | None
    values: tuple[tuple[float | None, ...], ...]
    raw: tuple[tuple[str, ...], ...]
    unit: Unit
    sheet: Sheet

    @property
    def rows(self) -> int:
        """Number of rows of the grid."""
        return len(self.values)

    @property
    def columns(self) -> int:
        """Number of columns of the grid."""
        return len(self.values[0])


def read_table(
    data: bytes,
    file: str,
    *,
    first_line: str = "far",
    positions_in: str | None = None,
    values_in: str | None = None,
    decimal: str | None = None,
) -> HandTable:
    """Read a hand-measured table.

    Parameters
    ----------
    data : bytes
        The file as it is.
    file : str
        Its name, for messages.
    first_line : str
        ``"far"`` or ``"near"``: which row of the grid the first line of a matrix is, where the
        matrix does not state its positions.
    positions_in : str, optional
        ``"mm"``, ``"cm"`` or ``"m"``, where the table does not state the unit of x and y.
    values_in : str, optional
        ``"ppfd"`` or ``"lux"``, where the table does not state the unit of the readings; PPFD if
        nothing says otherwise.
    decimal : str, optional
        ``"point"`` or ``"comma"``, where the file leaves it open.

    Raises
    ------
    TableError
        With everything that is wrong with the file, by line and column.
    """
    sheet = read_sheet(data, file, decimal=decimal)
    reader = _Reader(file, sheet, positions_in, values_in, UNITS[values_in or "ppfd"])
    table = reader.points() if _is_list_of_points(sheet) else reader.matrix(first_line)
    if reader.problems:
        raise TableError(file, reader.problems)
    return table


def _is_list_of_points(sheet: Sheet) -> bool:
    first = sheet.rows[0]
    is_heading = all(number(cell.text, sheet.decimal) is None for cell in first)
    return is_heading and any(name_and_unit(cell.text) is not None for cell in first)


@define
class _Reader:
    file: str
    sheet: Sheet
    positions_in: str | None
    values_in: str | None
    unit: Unit
    problems: list[str] = field(factory=list)

    # -- rows of x, y, value --------------------------------------------------------------

    def points(self) -> HandTable:
        """Read rows of x, y and value; the problems say whether the result can be used."""
        where, mm_per = self._headings(self.sheet.rows[0])
        lines = self.sheet.rows[1:]
        self._refuse_ragged(self.sheet.rows)
        if self.problems:  # without sound headings every cell below would be a fault
            raise TableError(self.file, self.problems)
        seen: dict[tuple[float, float], Cell] = {}
        found: dict[tuple[float, float], tuple[float | None, str]] = {}
        for line in lines:
            x_mm = self._position(line[where["x"]], mm_per["x"])
            y_mm = self._position(line[where["y"]], mm_per["y"])
            cell = line[where["value"]]
            value = self._reading(cell)
            if x_mm is None or y_mm is None:
                continue
            if (x_mm, y_mm) in seen:
                self.problems.append(
                    f"line {cell.line} is the point x {x_mm:g} mm, y {y_mm:g} mm, which stands in "
                    f"line {seen[x_mm, y_mm].line} already; give each point once"
                )
                continue
            seen[x_mm, y_mm] = cell
            found[x_mm, y_mm] = (value, cell.text)
        x_lines = tuple(sorted({x_mm for x_mm, _ in found}))
        y_lines = tuple(sorted({y_mm for _, y_mm in found}))
        if len(found) * 2 < len(x_lines) * len(y_lines):
            self.problems.append(
                f"the {len(found)} points lie on {len(x_lines)} different x and {len(y_lines)} "
                "different y, so they form no rows and columns; give each row of points the same "
                "y and each column the same x"
            )
        self._refuse_nothing_read([value for value, _ in found.values()])
        nothing: tuple[float | None, str] = (None, "")
        grid = [[found.get((x_mm, y_mm), nothing) for x_mm in x_lines] for y_mm in y_lines]
        return HandTable(
            form="points",
            x_mm=x_lines,
            y_mm=y_lines,
            values=tuple(tuple(value for value, _ in row) for row in grid),
            raw=tuple(tuple(text for _, text in row) for row in grid),
            unit=self.unit,
            sheet=self.sheet,
        )

    def _headings(self, cells: Sequence[Cell]) -> tuple[dict[str, int], dict[str, float]]:
        where: dict[str, int] = {}
        mm_per = {"x": 1.0, "y": 1.0}
        for position, cell in enumerate(cells):
            parts = name_and_unit(cell.text)
            if parts is None:
                self.problems.append(
                    f"{cell.place} is the heading {cell.shown}; give x, y and the value only, "
                    f"e.g. {_HEADER}{did_you_mean(cell.text, ('x_mm', 'y_mm', *VALUE_NAMES))}"
                )
                continue
            name, unit = parts
            column = name if name in mm_per else "value"
            if column in where:
                self.problems.append(
                    f"{cell.place} is {cell.shown}, a second column for the {column}; give one"
                )
            where[column] = position
            if column == "value":
                self._take_unit(cell, name, unit)
            else:
                mm_per[column] = self._length_unit(cell, unit)
        for column in ("x", "y", "value"):
            if column not in where:
                self.problems.append(
                    f"there is no column for the {column}; head it, e.g. {_HEADER}"
                )
        return where, mm_per

    def _take_unit(self, cell: Cell, name: str, unit: str) -> None:
        """Take the unit of the readings from their heading."""
        stated = unit_named(unit or name)
        if unit and stated is None:
            self.problems.append(
                f"{cell.place} states the unit {unit!r}; give PPFD in µmol/m²/s, or lux. Other "
                "units cannot be turned into it without the lamp's spectrum"
            )
        elif stated is not None and self.values_in not in (None, stated.name):
            self.problems.append(
                f"{cell.place} states {stated.written}, but --values-in says {self.values_in}; "
                "leave one of them out"
            )
        self.unit = stated or self.unit

    def _length_unit(self, cell: Cell, unit: str) -> float:
        if not unit:
            if self.positions_in is None:
                self.problems.append(
                    f"{cell.place} is {cell.shown} without a unit; write mm, cm or m with it, "
                    "e.g. x_mm, or say --positions-in"
                )
            return MM_PER.get(self.positions_in or "", 1.0)
        if unit not in MM_PER:
            self.problems.append(f"{cell.place} states the unit {unit!r}; give mm, cm or m")
        elif self.positions_in not in (None, unit):
            self.problems.append(
                f"{cell.place} states {unit}, but --positions-in says {self.positions_in}; "
                "leave one of them out"
            )
        return MM_PER.get(unit, 1.0)

    # -- a matrix -------------------------------------------------------------------------

    def matrix(self, first_line: str) -> HandTable:
        """Read a matrix; the problems say whether the result can be used."""
        rows = self.sheet.rows
        self._refuse_ragged(rows)
        corner = rows[0][0]
        x_mm = y_mm = None
        has_positions = not corner.is_not_read and not re.search(r"\d", corner.text)
        if has_positions:
            mm_per = self._corner_unit(corner)
            x_mm = self._positions(rows[0][1:], mm_per)
            y_mm = self._positions([row[0] for row in rows[1:]], mm_per)
            rows = tuple(row[1:] for row in rows[1:])
            if not rows or not rows[0]:
                self.problems.append("there is no reading beside the positions")
                raise TableError(self.file, self.problems)
        elif corner.text == "" and len(rows) > 1 and len(rows[0]) > 1:
            self.problems.append(
                f"{corner.place} is empty; write the unit there (e.g. mm) if the first line and "
                "column are positions, or - if it is a point that was not read"
            )
        elif self.positions_in is not None:
            self.problems.append(
                "--positions-in was given, but the table states no positions; leave it out, or "
                f"write {self.positions_in} into the first cell"
            )
        values = [[self._reading(cell) for cell in row] for row in rows]
        self._refuse_hidden_points(values)
        self._refuse_empty_lines(rows)
        self._refuse_nothing_read([value for row in values for value in row])
        if self.problems:
            raise TableError(self.file, self.problems)
        raw = [[cell.text for cell in row] for row in rows]
        if (y_mm[0] > y_mm[-1]) if y_mm is not None else (first_line == "far"):
            values, raw = values[::-1], raw[::-1]
        if x_mm is not None and x_mm[0] > x_mm[-1]:
            values, raw = [row[::-1] for row in values], [row[::-1] for row in raw]
        return HandTable(
            form="matrix",
            x_mm=None if x_mm is None else tuple(sorted(x_mm)),
            y_mm=None if y_mm is None else tuple(sorted(y_mm)),
            values=tuple(map(tuple, values)),
            raw=tuple(map(tuple, raw)),
            unit=self.unit,
            sheet=self.sheet,
        )

    def _corner_unit(self, corner: Cell) -> float:
        words = re.findall(r"[^\W\d_]+", corner.text.lower())
        units = sorted({word for word in words if word in MM_PER})
        strange = [word for word in words if word not in (*MM_PER, "x", "y", "in")]
        if len(units) == 1 and not strange:
            return self._length_unit(corner, units[0])
        if not units and not strange and self.positions_in is not None:
            return MM_PER[self.positions_in]
        self.problems.append(
            f"{corner.place} is {corner.shown}; give a reading, or the unit of the positions if "
            "the first line and column are positions: mm, cm or m"
        )
        return 1.0

    def _positions(self, cells: Sequence[Cell], mm_per: float) -> tuple[float, ...] | None:
        """Read the positions along one side; None where the whole side is left blank."""
        if all(cell.text == "" for cell in cells):
            return None
        before = len(self.problems)
        found = [self._position(cell, mm_per) for cell in cells]
        positions = [position for position in found if position is not None]
        if len(self.problems) > before:
            return None
        steps = [after - before for before, after in pairwise(positions)]
        for cell, step in zip(cells[1:], steps, strict=True):
            if step == 0 or step * steps[0] < 0:
                self.problems.append(
                    f"{cell.place} is {cell.shown}; positions must rise or fall all the way, "
                    "each once"
                )
        return tuple(positions)

    # -- both -----------------------------------------------------------------------------

    def _position(self, cell: Cell, mm_per: float) -> float | None:
        value = number(cell.text, self.sheet.decimal)
        if value is None or value < 0:
            self.problems.append(
                f"{cell.place} is {cell.shown}; give a position as a number from 0"
            )
            return None
        return round(value * mm_per, 2)

    def _reading(self, cell: Cell) -> float | None:
        value, problem = reading(cell, self.sheet.decimal, self.unit)
        if problem:
            self.problems.append(problem)
        return value

    def _refuse_ragged(self, rows: Sequence[Sequence[Cell]]) -> None:
        width = len(rows[0])
        for row in rows[1:]:
            if len(row) != width:
                self.problems.append(
                    f"line {row[0].line} has {len(row)} cells, line {rows[0][0].line} has {width}; "
                    "give each line as many, with - for a point that was not read"
                )
        if self.problems:
            raise TableError(self.file, self.problems + self._all_readings(rows))

    def _all_readings(self, rows: Sequence[Sequence[Cell]]) -> list[str]:
        """List the cells that are wrong in themselves, where the shape is wrong already."""
        if _is_list_of_points(self.sheet):
            return []
        before = len(self.problems)
        for row in rows:
            for cell in row:
                if cell is not rows[0][0]:
                    self._reading(cell)
        found = self.problems[before:]
        del self.problems[before:]
        return found

    def _refuse_hidden_points(self, values: Sequence[Sequence[float | None]]) -> None:
        """Rows of x, y, value without a heading would pass for a matrix of three columns."""
        if len(values) < 4 or len(values[0]) != 3:
            return
        pairs = {(row[0], row[1]) for row in values}
        lattice = len({row[0] for row in values}) * len({row[1] for row in values})
        if len(pairs) == len(values) == lattice:
            self.problems.append(
                "the three columns look like rows of x, y and value; head them with their units, "
                f"e.g. {_HEADER}"
            )

    def _refuse_empty_lines(self, rows: Sequence[Sequence[Cell]]) -> None:
        for row in rows:
            if all(cell.text == "" for cell in row):
                self.problems.append(
                    f"line {row[0].line} holds no reading; take it out, or write - in each cell"
                )
        for column in range(len(rows[0])):
            if all(row[column].text == "" for row in rows):
                self.problems.append(
                    f"column {rows[0][column].column} holds no reading; take it out, or write - in "
                    "each cell"
                )

    def _refuse_nothing_read(self, values: Sequence[float | None]) -> None:
        if not self.problems and all(value is None for value in values):
            self.problems.append("there is no reading at all")
