"""From the bytes of a hand-written table to its cells: encoding, separator, decimal sign.

Spreadsheets and editors write the same sheet in many ways. What the file itself says is
taken; where two readings of it are possible the answer is a question, never a guess.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from typing import Final

from attrs import frozen

from analysis.quantities import MEASURED
from rig.toml_faults import ConfigError

SEPARATORS: Final = {"\t": "tab", ";": "semicolon", ",": "comma"}
DECIMALS: Final = ("point", "comma")
NOT_READ: Final = ("", "-", "–", "—")
"""What stands on a clipboard where a point was not read."""

_SHOWN: Final = 40
VALUE_NAMES: Final = ("ppfd", "lux", "illuminance", "value", "reading")
_PPFD_UNITS: Final = ("umolm-2s-1", "umol/m2/s", "umol/m2s", "umolm2s")
_PLAIN: Final = str.maketrans({"µ": "u", "μ": "u", "²": "2", "¹": "1", "⁻": "-", "−": "-"})
_NUMBER: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)
_GROUPED: Final = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)
_MINUS: Final = str.maketrans({"−": "-", "\u00a0": " "})


@frozen(kw_only=True)
class Unit:
    """What the readings of a table are in.

    Attributes
    ----------
    name : str
        As `--values-in` has it.
    written : str
        As messages write it.
    spellings : tuple of str
        How headings spell it, in small letters and without blanks and points.
    quantity : str
        What is measured in it.
    highest : float
        What no reading is above.
    beyond : str
        What to do about one that is.
    """

    name: str
    written: str
    spellings: tuple[str, ...]
    quantity: str
    highest: float
    beyond: str


HIGHEST_LX: Final = 200_000.0
"""Twice the noon sun, and 2,400 µmol/m²/s of a high-pressure sodium lamp. [lx]"""
UNITS: Final = {
    "ppfd": Unit(
        name="ppfd",
        written="µmol/m²/s",
        spellings=_PPFD_UNITS,
        quantity="PPFD",
        highest=MEASURED["ppfd_umol_m2_s"].plausible[1],
        beyond="check whether the table is in lux, and say --values-in lux if it is",
    ),
    "lux": Unit(
        name="lux",
        written="lx",
        spellings=("lx", "lux", "illuminance"),
        quantity="illuminance",
        highest=HIGHEST_LX,
        beyond="check the unit of the table",
    ),
}


class TableError(ConfigError):
    """A table cannot be used as it is; `problems` lists everything that is wrong with it."""


@frozen
class Cell:
    """One cell of the file.

    Attributes
    ----------
    text : str
        As it stands, without the blanks around it.
    line, column : int
        Where it stands in the file, counted from 1.
    """

    text: str
    line: int
    column: int

    @property
    def place(self) -> str:
        """Where it stands, in words."""
        return f"line {self.line}, column {self.column}"

    @property
    def shown(self) -> str:
        """What it holds, for messages; its beginning, where it is long."""
        return repr(self.text if len(self.text) <= _SHOWN else self.text[:_SHOWN] + "…")

    @property
    def is_not_read(self) -> bool:
        """Whether it says that there is no reading."""
        return self.text in NOT_READ


@frozen(kw_only=True)
class Sheet:
    """The cells of a file and how it was written.

    Attributes
    ----------
    rows : tuple of tuple of Cell
        All lines but blank ones at the end.
    encoding : str
        ``"utf-8"``, ``"utf-16"`` or ``"latin-1"``.
    separator : str
        ``"tab"``, ``"semicolon"`` or ``"comma"``.
    decimal : str
        ``"point"`` or ``"comma"``.
    """

    rows: tuple[tuple[Cell, ...], ...]
    encoding: str
    separator: str
    decimal: str


def read_sheet(data: bytes, file: str, *, decimal: str | None = None) -> Sheet:
    """Take a file apart into cells.

    Parameters
    ----------
    data : bytes
        The file as it is.
    file : str
        Its name, for messages.
    decimal : str, optional
        ``"point"`` or ``"comma"`` where the file itself leaves it open.

    Raises
    ------
    TableError
        Not a text file, an empty one, blank lines between the rows, or a decimal sign that
        the file leaves open or contradicts.
    """
    text, encoding = _decode(data, file)
    lines = text.splitlines()
    separator = ""
    if lines and re.fullmatch(r"sep=[\t;,]", lines[0].strip(" ")):
        separator = lines[0].strip(" ")[4:]
        lines[0] = ""
    while lines and not lines[-1].strip():
        lines.pop()
    if not any(line.strip() for line in lines):
        raise TableError(file, ["holds no line with anything in it. Check that it was saved."])
    separator = separator or _separator(lines)
    rows: list[tuple[Cell, ...]] = []
    problems = []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            if rows:
                problems.append(f"line {number} is empty; take it out, or write - for each point")
            continue
        if line.count('"') % 2:
            problems.append(f"line {number} has an opening quote that is never closed")
            continue
        parts = next(csv.reader([line], delimiter=separator, skipinitialspace=True))
        rows.append(
            tuple(
                Cell(part.translate(_MINUS).strip(), number, column)
                for column, part in enumerate(parts, start=1)
            )
        )
    if problems:
        raise TableError(file, problems)
    every = [cell for row in rows for cell in row]
    return Sheet(
        rows=tuple(rows),
        encoding=encoding,
        separator=SEPARATORS[separator],
        decimal=_decimal(every, file, separator, decimal),
    )


def number(text: str, decimal: str) -> float | None:
    """Return the number a cell holds, or None if it holds none."""
    if not _NUMBER.fullmatch(text):
        return None
    if ("," if decimal == "point" else ".") in text:
        return None
    return float(text.replace(",", "."))


def name_and_unit(text: str) -> tuple[str, str] | None:
    """Part a heading such as ``x [mm]`` or ``ppfd_umol_m2_s``; None for another one."""
    names = "|".join(("x", "y", *VALUE_NAMES))
    found = re.fullmatch(rf"({names})(?:[ _/,]+(.+)|\s*[\[(](.+)[\])])?", text.lower().strip())
    if not found:
        return None
    return found[1], (found[2] or found[3] or "").strip(" []()")


def unit_named(text: str) -> Unit | None:
    """Return the unit that a heading spells in one of its usual ways, None for any other."""
    spelt = re.sub(r"[\s()·.*^_]", "", text.lower().translate(_PLAIN))
    return next((unit for unit in UNITS.values() if spelt in unit.spellings), None)


def reading(cell: Cell, decimal: str, unit: Unit) -> tuple[float | None, str]:
    """Return the reading a cell holds, None if none, and what is wrong with it, if anything."""
    if cell.is_not_read:
        return None, ""
    value = number(cell.text, decimal)
    given = f"{cell.place} is {cell.shown}"
    if value is None:
        return None, (
            f"{given}; give a number of {unit.written}, e.g. 512, or - for a point that was not "
            "read"
        )
    if value < 0:
        return None, (
            f"{given}; {unit.quantity} is never below 0: give what the meter showed, or - for a "
            "point that was not read"
        )
    if value > unit.highest:
        return None, f"{given}, above {unit.highest:g} {unit.written}; {unit.beyond}"
    return abs(value), ""  # a zero may be written with a minus


def _decode(data: bytes, file: str) -> tuple[str, str]:
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise TableError(file, ["is a spreadsheet workbook; save the sheet as CSV and enter that."])
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            return data.decode("utf-16"), "utf-16"
        except UnicodeDecodeError:
            raise TableError(file, ["begins as UTF-16 text but is cut. Save it again."]) from None
    if b"\x00" in data:
        raise TableError(file, ["is not a text file (it holds zero bytes). Save it as CSV."])
    try:
        return data.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError:
        # Every byte is a character in Latin-1; what is no table then fails by its cells.
        return data.decode("latin-1"), "latin-1"


def _separator(lines: Sequence[str]) -> str:
    bare = [re.sub(r'"[^"]*"', "", line) for line in lines]
    for separator in SEPARATORS:
        if any(separator in line for line in bare):
            return separator
    return ","  # one column


def _may_be_decimal_comma(cells: Sequence[Cell], said: str | None) -> bool:
    """Whether 612,5,600,1 may be two numbers: every second cell is a single digit."""
    if said == "comma":
        return any(cell.column > 1 for cell in cells)
    widths = {cell.line: cell.column for cell in cells}  # the last cell of each line stays
    tails = [cell for cell in cells if cell.column % 2 == 0]
    heads = [cell for cell in cells if cell.column % 2]
    return (
        all(width % 2 == 0 for width in widths.values())
        and all(re.fullmatch(r"\d", cell.text) for cell in tails)
        and any(re.fullmatch(r"\d{2,}", cell.text) for cell in heads)
    )


def _decimal(cells: Sequence[Cell], file: str, separator: str, said: str | None) -> str:
    numbers = [cell for cell in cells if _NUMBER.fullmatch(cell.text)]
    commas = [cell for cell in numbers if "," in cell.text]
    points = [cell for cell in numbers if "." in cell.text]
    if commas and points:
        raise TableError(
            file,
            [
                f"{points[0].place} has a decimal point ({points[0].text!r}) and "
                f"{commas[0].place} a decimal comma ({commas[0].text!r}); write all numbers in "
                "one way, without marks between thousands"
            ],
        )
    if separator == "," and not commas and _may_be_decimal_comma(cells, said):
        raise TableError(
            file,
            [
                "the comma may part cells or be the decimal sign; part the cells by semicolons or "
                "tabs, or put each number in quotes"
            ],
        )
    found = commas or points
    shows = "comma" if commas else "point"
    if said is not None and found and said != shows:
        raise TableError(
            file,
            [
                f"{found[0].place} is {found[0].text!r}, though the decimal sign was said to be "
                f"the {said}; leave --decimal out, or write numbers without marks between thousands"
            ],
        )
    # In such a file 1,234 may be a little over one or more than a thousand.
    is_open = found and (commas or separator == ";")
    if is_open and said is None and all(_GROUPED.fullmatch(cell.text) for cell in found):
        raise TableError(
            file,
            [
                f"{found[0].place} is {found[0].text!r}, which may mean "
                f"{found[0].text.replace(',', '.')} or {re.sub('[.,]', '', found[0].text)}; say "
                f"--decimal {shows} if the {shows} is the decimal sign, or write it without a "
                "mark between thousands"
            ],
        )
    return said or shows
