"""The times that were given for a planned run, read and refused where they cannot be."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable
from datetime import date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from rig.schedule_book import Book, Entry, parse_hours
from rig.schedule_policy import CHECKLIST_LASTS, ENDED, Hours, PlannedRun, to_utc
from rig.toml_faults import ConfigError

MOST_NIGHTS: Final = CHECKLIST_LASTS.days


def planned_runs(
    options: argparse.Namespace, now_utc: datetime, zone_name: str, book: Book
) -> list[PlannedRun]:
    """Make planned runs, without a number yet, of the times that were given.

    Parameters
    ----------
    options : Namespace
        As `rig.schedule_options` reads them.
    now_utc : datetime
    zone_name : str
        Time zone of the times.
    book : Book
        What is planned already.

    Raises
    ------
    ConfigError
        With everything that is wrong with them.
    """
    faults: list[str] = []
    zone: ZoneInfo | None = None
    try:
        zone = ZoneInfo(zone_name)
    except (ZoneInfoNotFoundError, ValueError):
        faults.append(f"--zone is {zone_name!r}; give a zone such as Europe/Berlin, or UTC")
    hours: Hours | None = None
    if options.hours is not None:
        try:
            hours = parse_hours(options.hours)
        except ValueError as error:
            faults.append(f"--hours {error}")
    if not 1 <= options.nights <= MOST_NIGHTS:
        faults.append(
            f"--nights is {options.nights}; give 1 to {MOST_NIGHTS}: a checklist is good for "
            f"{MOST_NIGHTS} days"
        )
    starts: list[datetime | None] = [None]
    if options.after is not None:
        record = book.records.get(options.after)
        if record is None or record.state in ENDED:
            faults.append(
                f"--after is {options.after!r}, and no such run is planned or under way; see "
                "'evenfall schedule list'"
            )
        if options.nights != 1:
            faults.append("--nights goes with --at, not with --after; leave one of them out")
    elif zone is not None:
        first, fault = _first_start(options.at, now_utc.astimezone(zone).replace(tzinfo=None))
        if fault:
            faults.append(fault)
        if first is not None:
            starts = [first + timedelta(days=night) for night in range(max(1, options.nights))]
            faults += _start_faults(first, starts[-1] or first, hours, now_utc, zone)
    if faults:
        raise ConfigError("schedule", faults)
    return [
        PlannedRun(
            name="",
            planned_utc=now_utc,
            start=start,
            after=options.after or "",
            hours=hours,
            late_by_s=options.late_by_s,
        )
        for start in starts
    ]


def _first_start(text: str, now_local: datetime) -> tuple[datetime | None, str]:
    """Read a start; a time of day alone is the next such time."""
    fault = f"--at is {text!r}; give a local time, e.g. 22:00 or 2026-01-05T22:00"
    try:
        at = time.fromisoformat(text)
    except ValueError:
        try:
            start = datetime.fromisoformat(text)
        except ValueError:
            return None, fault
        if start.tzinfo is not None or len(text) <= len("2026-01-05"):
            return None, fault
        return start, ""
    if at.tzinfo is not None:
        return None, fault
    day: date = now_local.date()
    start = datetime.combine(day, at)
    return (start if start > now_local else start + timedelta(days=1)), ""


def _start_faults(
    first: datetime, last: datetime, hours: Hours | None, now_utc: datetime, zone: ZoneInfo
) -> list[str]:
    found = []
    if to_utc(first, zone) < now_utc:
        found.append(f"--at is {first:%Y-%m-%d %H:%M}, which is over; give a time to come")
    if to_utc(last, zone) > now_utc + CHECKLIST_LASTS:
        found.append(
            f"--at: the last start is {last:%Y-%m-%d %H:%M}; a checklist is good for "
            f"{CHECKLIST_LASTS.days} days: plan later runs later"
        )
    if hours is not None and not hours.hold(first.time()):
        found.append(f"--at is {first:%H:%M}, outside --hours {hours}; change one of them")
    return found


def overlap(
    entry: Entry, most_s: float, others: Iterable[Entry], most_of: Callable[[Entry], float]
) -> list[Entry]:
    """List runs that may still go on when one is due to start, or it when they are.

    Parameters
    ----------
    entry : Entry
    most_s : float
        How long it lasts at most. [s]
    others : iterable of Entry
    most_of : callable
        How long each of those lasts at most. [s]
    """
    if entry.run.start is None:
        return []
    start = to_utc(entry.run.start, entry.zone)
    found = []
    for other in others:
        if other.run.start is None or other.run.name == entry.run.name:
            continue
        its_start = to_utc(other.run.start, other.zone)
        ends = start + timedelta(seconds=most_s)
        if its_start < ends and start < its_start + timedelta(seconds=most_of(other)):
            found.append(other)
    return found
