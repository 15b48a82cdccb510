"""The lab's two lasting records: instruments and lamps, dated lines that are only ever added to.

Anybody can read them, and add to them in a text editor or by program; nothing in them is ever
changed, a correction is a further line. A line that cannot be understood is named and left
out of the sums, and stays in the file.

Lamp hours: a line either adds hours and starts (a run did), or states the total that a
counter or a person says. The hours of a lamp are the last total stated and everything added
after it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final, Generic, TypeVar

from attrs import field, frozen

from analysis.durable import append
from analysis.lab_entries import (
    INSTRUMENT_COLUMNS,
    LAMP_COLUMNS,
    InstrumentEntry,
    LampEntry,
    instrument_cells,
    instrument_faults,
    lamp_cells,
    lamp_faults,
    parse_instrument,
    parse_lamp,
)

INSTRUMENTS: Final = "instruments.csv"
LAMPS: Final = "lamps.csv"


class LabFolderError(Exception):
    """The lab folder, or an entry for it, cannot be used; the message says what and what to do."""


@frozen(kw_only=True)
class LampAge:
    """Age of one lamp, as far as the record tells.

    Attributes
    ----------
    hours : float or None
        Burning hours; None if no line says anything about them. [h]
    starts : int or None
        Number of starts; None likewise.
    is_total_known : bool
        Whether a total was ever stated. If not, `hours` counts from the first line only, and
        the lamp may be older.
    """

    hours: float | None
    starts: int | None
    is_total_known: bool


Entry = TypeVar("Entry", InstrumentEntry, LampEntry)


@frozen(kw_only=True)
class Record(Generic[Entry]):
    """A record as read.

    Attributes
    ----------
    entries : tuple
        The lines that could be understood, in the order of the file.
    lines : tuple of str
        Those lines as they stand in the file.
    problems : tuple of str
        What is wrong with the others, each with the number of its line.
    """

    entries: tuple[Entry, ...]
    lines: tuple[str, ...] = field(repr=False)
    problems: tuple[str, ...] = ()


def add_instrument(lab: Path, entry: InstrumentEntry) -> None:
    """Append one line to the record of instruments; it is on the disk when this returns.

    Raises
    ------
    LabFolderError
        The entry is not sound; every fault is listed.
    OSError
        It could not be written.
    """
    _refuse(INSTRUMENTS, instrument_faults(entry))
    append(Path(lab) / INSTRUMENTS, csv_line(instrument_cells(entry)))


def add_lamp(lab: Path, entry: LampEntry) -> None:
    """Append one line to the record of lamps; it is on the disk when this returns.

    Raises
    ------
    LabFolderError
        The entry is not sound; every fault is listed.
    OSError
        It could not be written.
    """
    _refuse(LAMPS, lamp_faults(entry))
    append(Path(lab) / LAMPS, csv_line(lamp_cells(entry)))


def read_instruments(lab: Path) -> Record[InstrumentEntry]:
    """Read the record of instruments.

    Raises
    ------
    LabFolderError
        The file is not there or begins with another header.
    """
    return _read(Path(lab) / INSTRUMENTS, INSTRUMENT_COLUMNS, parse_instrument, instrument_faults)


def read_lamps(lab: Path) -> Record[LampEntry]:
    """Read the record of lamps.

    Raises
    ------
    LabFolderError
        The file is not there or begins with another header.
    """
    return _read(Path(lab) / LAMPS, LAMP_COLUMNS, parse_lamp, lamp_faults)


def lamp_age(record: Record[LampEntry], lamp: str) -> LampAge:
    """Sum up what the record says about one lamp.

    Parameters
    ----------
    record : Record
        As `read_lamps` gives it.
    lamp : str
        Label of the lamp sample.
    """
    hours: float | None = None
    starts: int | None = None
    is_total_known = False
    for entry in record.entries:
        if entry.lamp != lamp:
            continue
        if entry.hours_total is not None:
            hours, is_total_known = entry.hours_total, True
        elif entry.hours_added is not None:
            hours = (hours or 0.0) + entry.hours_added
        if entry.starts_total is not None:
            starts = entry.starts_total
        elif entry.starts_added is not None:
            starts = (starts or 0) + entry.starts_added
    return LampAge(hours=hours, starts=starts, is_total_known=is_total_known)


def copies_for_run(
    lab: Path, *, instruments: Sequence[str], lamps: Sequence[str]
) -> dict[str, bytes]:
    """Return the lines about these instruments and lamps, so that a run folder stands alone.

    Returns
    -------
    dict of str to bytes
        Name of the file in the run folder, and its content: header and lines as they stand.
    """
    devices, sources = read_instruments(lab), read_lamps(lab)
    chosen = [
        line
        for entry, line in zip(devices.entries, devices.lines, strict=True)
        if entry.instrument in instruments
    ]
    lit = [
        line
        for entry, line in zip(sources.entries, sources.lines, strict=True)
        if entry.lamp in lamps
    ]
    return {
        INSTRUMENTS: (
            header(INSTRUMENT_COLUMNS) + "".join(line + "\n" for line in chosen)
        ).encode(),
        LAMPS: (header(LAMP_COLUMNS) + "".join(line + "\n" for line in lit)).encode(),
    }


def header(columns: Sequence[str]) -> str:
    """Return the first line of a file with these columns."""
    return ",".join(columns) + "\n"


def csv_line(cells: Sequence[str]) -> str:
    """Write one line; a line break inside a cell becomes a slash, so a line is an entry."""
    buffer = io.StringIO()
    flat = [" / ".join(cell.splitlines()) if cell else "" for cell in cells]
    csv.writer(buffer, lineterminator="\n").writerow(flat)
    return buffer.getvalue()


def _refuse(file: str, faults: Sequence[str]) -> None:
    if faults:
        raise LabFolderError(f"not added to {file}: " + "; ".join(faults) + ".")


def _read(
    path: Path,
    columns: tuple[str, ...],
    parse: Callable[[dict[str, str]], Entry],
    faults_of: Callable[[Entry], list[str]],
) -> Record[Entry]:
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise LabFolderError(f"{path}: is not there. Restore it from a copy.") from None
    # Spreadsheets put a byte-order mark before, and may write another encoding.
    lines = data.decode("utf-8-sig", errors="replace").splitlines()
    if not lines or lines[0].strip() != header(columns).strip():
        first = lines[0] if lines else ""
        raise LabFolderError(
            f"{path}: begins with {first!r}, expected {header(columns).strip()!r}. Restore the "
            "header line."
        )
    entries: list[Entry] = []
    sound: list[str] = []
    problems: list[str] = []
    for number, line in enumerate(lines[1:], start=2):
        if not line.strip():
            continue
        cells = next(csv.reader([line]))
        if len(cells) != len(columns):
            problems.append(
                f"{path.name} line {number}: {len(cells)} cells, expected {len(columns)}"
            )
            continue
        try:
            entry = parse(dict(zip(columns, cells, strict=True)))
        except ValueError as error:
            problems.append(f"{path.name} line {number}: {error}")
            continue
        if faults := faults_of(entry):
            problems.append(f"{path.name} line {number}: " + "; ".join(faults))
            continue
        entries.append(entry)
        sound.append(line)
    return Record(entries=tuple(entries), lines=tuple(sound), problems=tuple(problems))
