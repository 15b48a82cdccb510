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
import math
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Final, Generic, TypeVar

from attrs import field, frozen

from analysis.durable import append

INSTRUMENTS: Final = "instruments.csv"
LAMPS: Final = "lamps.csv"

INSTRUMENT_EVENTS: Final = ("acquired", "calibrated", "repaired", "retired", "note")
LAMP_EVENTS: Final = ("acquired", "burned", "counted", "seasoned", "retired", "note")

INSTRUMENT_COLUMNS: Final = (
    "utc",
    "instrument",
    "event",
    "calibrated_on",
    "calibration_due",
    "certificate",
    "entered_by",
    "detail",
)
LAMP_COLUMNS: Final = (
    "utc",
    "lamp",
    "event",
    "hours_added",
    "starts_added",
    "hours_total",
    "starts_total",
    "entered_by",
    "detail",
)


class LabFolderError(Exception):
    """The lab folder, or an entry for it, cannot be used; the message says what and what to do."""


@frozen(kw_only=True)
class InstrumentEntry:
    """One line of ``instruments.csv``.

    Attributes
    ----------
    instrument : str
        Serial number or label, the same in every line about it.
    event : str
        One of `INSTRUMENT_EVENTS`.
    """

    utc: datetime
    instrument: str
    event: str
    calibrated_on: date | None = None
    calibration_due: date | None = None
    certificate: str = ""
    entered_by: str = ""
    detail: str = ""


@frozen(kw_only=True)
class LampEntry:
    """One line of ``lamps.csv``.

    Attributes
    ----------
    lamp : str
        Label of the lamp sample, as plans have it.
    event : str
        One of `LAMP_EVENTS`: ``"burned"`` adds hours and starts, ``"counted"`` states totals.
    hours_added, hours_total : float or None
        Burning hours. [h]
    starts_added, starts_total : int or None
        Number of starts.
    """

    utc: datetime
    lamp: str
    event: str
    hours_added: float | None = None
    starts_added: int | None = None
    hours_total: float | None = None
    starts_total: int | None = None
    entered_by: str = ""
    detail: str = ""


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
    _refuse(INSTRUMENTS, _instrument_faults(entry))
    append(
        Path(lab) / INSTRUMENTS,
        csv_line(
            (
                _utc(entry.utc),
                entry.instrument,
                entry.event,
                _day(entry.calibrated_on),
                _day(entry.calibration_due),
                entry.certificate,
                entry.entered_by,
                entry.detail,
            )
        ),
    )


def add_lamp(lab: Path, entry: LampEntry) -> None:
    """Append one line to the record of lamps; it is on the disk when this returns.

    Raises
    ------
    LabFolderError
        The entry is not sound; every fault is listed.
    OSError
        It could not be written.
    """
    _refuse(LAMPS, _lamp_faults(entry))
    append(
        Path(lab) / LAMPS,
        csv_line(
            (
                _utc(entry.utc),
                entry.lamp,
                entry.event,
                _figure(entry.hours_added),
                _figure(entry.starts_added),
                _figure(entry.hours_total),
                _figure(entry.starts_total),
                entry.entered_by,
                entry.detail,
            )
        ),
    )


def read_instruments(lab: Path) -> Record[InstrumentEntry]:
    """Read the record of instruments.

    Raises
    ------
    LabFolderError
        The file is not there or begins with another header.
    """
    return _read(Path(lab) / INSTRUMENTS, INSTRUMENT_COLUMNS, _instrument, _instrument_faults)


def read_lamps(lab: Path) -> Record[LampEntry]:
    """Read the record of lamps.

    Raises
    ------
    LabFolderError
        The file is not there or begins with another header.
    """
    return _read(Path(lab) / LAMPS, LAMP_COLUMNS, _lamp, _lamp_faults)


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


# --- one line --------------------------------------------------------------------------------


def _refuse(file: str, faults: Sequence[str]) -> None:
    if faults:
        raise LabFolderError(f"not added to {file}: " + "; ".join(faults) + ".")


def _instrument_faults(entry: InstrumentEntry) -> list[str]:
    faults = _common_faults(entry.utc, "instrument", entry.instrument)
    if entry.event not in INSTRUMENT_EVENTS:
        faults.append(f"event is {entry.event!r}; give one of {', '.join(INSTRUMENT_EVENTS)}")
    if entry.event == "calibrated" and entry.calibrated_on is None:
        faults.append("calibrated_on is missing; give the day of the calibration")
    if (
        entry.calibrated_on is not None
        and entry.calibration_due is not None
        and entry.calibration_due < entry.calibrated_on
    ):
        faults.append(
            f"calibration_due is {entry.calibration_due}, before the calibration on "
            f"{entry.calibrated_on}; give the later day"
        )
    return faults


def _lamp_faults(entry: LampEntry) -> list[str]:
    faults = _common_faults(entry.utc, "lamp", entry.lamp)
    if entry.event not in LAMP_EVENTS:
        faults.append(f"event is {entry.event!r}; give one of {', '.join(LAMP_EVENTS)}")
    figures = {
        "hours_added": entry.hours_added,
        "starts_added": entry.starts_added,
        "hours_total": entry.hours_total,
        "starts_total": entry.starts_total,
    }
    for name, value in figures.items():
        if value is not None and not (math.isfinite(value) and value >= 0):
            faults.append(f"{name} is {value!r}; give a number from 0")
    for what in ("hours", "starts"):
        if figures[f"{what}_added"] is not None and figures[f"{what}_total"] is not None:
            faults.append(f"{what}_added and {what}_total are both given; give one of them")
    if entry.event == "burned" and entry.hours_added is None and entry.starts_added is None:
        faults.append("hours_added and starts_added are missing; 'burned' needs one of them")
    if entry.event == "counted" and entry.hours_total is None and entry.starts_total is None:
        faults.append("hours_total and starts_total are missing; 'counted' needs one of them")
    return faults


def _common_faults(utc: datetime, what: str, name: str) -> list[str]:
    faults = []
    if utc.tzinfo is None:
        faults.append(f"utc is {utc.isoformat()}; give a time with its zone, e.g. ending in Z")
    if not name.strip():
        faults.append(f"{what} is empty; give its label")
    return faults


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


def _instrument(cells: dict[str, str]) -> InstrumentEntry:
    return InstrumentEntry(
        utc=_moment(cells["utc"]),
        instrument=cells["instrument"],
        event=cells["event"],
        calibrated_on=_parsed(cells, "calibrated_on", date.fromisoformat, "a day, 2026-01-31"),
        calibration_due=_parsed(cells, "calibration_due", date.fromisoformat, "a day, 2026-01-31"),
        certificate=cells["certificate"],
        entered_by=cells["entered_by"],
        detail=cells["detail"],
    )


def _lamp(cells: dict[str, str]) -> LampEntry:
    return LampEntry(
        utc=_moment(cells["utc"]),
        lamp=cells["lamp"],
        event=cells["event"],
        hours_added=_parsed(cells, "hours_added", float, "a number of hours"),
        starts_added=_parsed(cells, "starts_added", int, "a whole number"),
        hours_total=_parsed(cells, "hours_total", float, "a number of hours"),
        starts_total=_parsed(cells, "starts_total", int, "a whole number"),
        entered_by=cells["entered_by"],
        detail=cells["detail"],
    )


def _parsed(cells: dict[str, str], name: str, kind: Callable[[str], Any], what: str) -> Any:
    if not cells[name].strip():
        return None
    try:
        return kind(cells[name].strip())
    except ValueError:
        raise ValueError(f"{name} is {cells[name]!r}; give {what}, or nothing") from None


def _moment(text: str) -> datetime:
    """Read a moment; a day alone, as a person writes it, is its beginning in UTC."""
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(
            f"utc is {text!r}; give a day or a moment, e.g. 2026-01-05 or 2026-01-05T18:00:00Z"
        ) from None
    return moment.replace(tzinfo=UTC) if len(text.strip()) == 10 else moment


def _utc(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def _day(value: date | None) -> str:
    return "" if value is None else value.isoformat()


def _figure(value: float | None) -> str:
    return "" if value is None else repr(value)
