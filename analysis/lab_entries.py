"""One entry of the lab's records: what it may say, and how it stands in its line."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any, Final

from attrs import frozen

INSTRUMENT_EVENTS: Final = ("acquired", "calibrated", "proved", "repaired", "retired", "note")
LAMP_EVENTS: Final = ("acquired", "lit", "off", "burned", "counted", "seasoned", "retired", "note")

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


@frozen(kw_only=True)
class InstrumentEntry:
    """One line of ``instruments.csv``.

    Attributes
    ----------
    instrument : str
        Serial number or label, the same in every line about it.
    event : str
        One of `INSTRUMENT_EVENTS`; ``"proved"``: a safety function was seen to work.
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
        One of `LAMP_EVENTS`: ``"lit"`` and ``"off"`` mark the moment, ``"burned"`` adds hours
        and starts, ``"counted"`` states totals.
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


def instrument_cells(entry: InstrumentEntry) -> tuple[str, ...]:
    """Return an entry as the cells of its line."""
    return (
        _utc(entry.utc),
        entry.instrument,
        entry.event,
        _day(entry.calibrated_on),
        _day(entry.calibration_due),
        entry.certificate,
        entry.entered_by,
        entry.detail,
    )


def lamp_cells(entry: LampEntry) -> tuple[str, ...]:
    """Return an entry as the cells of its line."""
    return (
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


def instrument_faults(entry: InstrumentEntry) -> list[str]:
    """List what is wrong with an entry about an instrument."""
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


def lamp_faults(entry: LampEntry) -> list[str]:
    """List what is wrong with an entry about a lamp."""
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


def parse_instrument(cells: dict[str, str]) -> InstrumentEntry:
    """Make an entry of the cells of a line; ValueError says what cannot be understood."""
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


def parse_lamp(cells: dict[str, str]) -> LampEntry:
    """Make an entry of the cells of a line; ValueError says what cannot be understood."""
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
