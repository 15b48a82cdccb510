"""The schedule on disk: ``schedule.csv`` in the lab folder, lines that are only ever added to.

A planned run begins with a line that says all about it; each further line about it says the state
it has come to, when, and why. What the newest line says holds. A line is on the disk before
anything is done about it, so a run is never started twice, and none ends without a reason.

The plan is copied beside the schedule when a run is planned: what was acknowledged is what is
run, whatever becomes of the original.
"""

from __future__ import annotations

import csv
import hashlib
import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, time
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from attrs import define, field, frozen

from analysis.durable import append, replace, sync_folder
from analysis.lab_records import LabFolderError, csv_line, header
from rig.schedule_policy import ENDED, Hours, OnRecord, PlannedRun, State

if sys.platform != "win32":
    import fcntl

SCHEDULE: Final = "schedule.csv"
#: Folder of the copied plans, in the lab folder, and the name of each.
PLANS: Final = "planned"
PLAN: Final = "plan.toml"
COLUMNS: Final = (
    "utc",
    "run",
    "state",
    "plan",
    "rig",
    "rig_sha256",
    "start",
    "time_zone",
    "after",
    "hours",
    "late_by_s",
    "acknowledged_by",
    "run_folder",
    "exit_code",
    "reason",
)


@frozen(kw_only=True)
class Entry:
    """A planned run with all that is needed to start it.

    Attributes
    ----------
    run : PlannedRun
        What the policy needs to know.
    plan : str
        Path of the copied plan, in the lab folder.
    rig : str
        Path of the rig profile.
    rig_sha256 : str
        What the profile was when the checklist was acknowledged.
    time_zone : str
        Name of the zone of its local times.
    acknowledged_by : str
        Who answered the checklist.
    """

    run: PlannedRun
    plan: str
    rig: str
    rig_sha256: str
    time_zone: str
    acknowledged_by: str

    @property
    def zone(self) -> ZoneInfo:
        """The zone of its local times."""
        return ZoneInfo(self.time_zone)


@define
class Book:
    """The schedule of one lab folder, as far as it was read.

    Only what still matters is kept in memory: planned runs that have not ended, and of the ended
    ones those that another is to follow. So memory does not grow with the years.

    Parameters
    ----------
    lab : Path
        Lab folder.
    """

    lab: Path
    entries: dict[str, Entry] = field(factory=dict, init=False)
    records: dict[str, OnRecord] = field(factory=dict, init=False)
    folders: dict[str, str] = field(factory=dict, init=False)
    problems: list[str] = field(factory=list, init=False)
    _keeps_ended: bool = field(default=False, kw_only=True)
    _read_bytes: int = field(default=0, init=False)
    _last: int = field(default=0, init=False)

    @property
    def path(self) -> Path:
        """The file."""
        return self.lab / SCHEDULE

    def refresh(self) -> None:
        """Read what was added since the last time, whole lines only.

        Raises
        ------
        LabFolderError
            It begins with another header, or was cut: lines that stood there are gone.
        """
        try:
            with self.path.open("rb") as file:
                if os.fstat(file.fileno()).st_size < self._read_bytes:
                    raise LabFolderError(
                        f"{self.path}: is shorter than it was. Restore it from a copy; lines in "
                        "it are only ever added."
                    )
                file.seek(self._read_bytes)
                fresh = file.read()
        except FileNotFoundError:
            return
        whole = fresh[: fresh.rfind(b"\n") + 1]
        at_start = not self._read_bytes
        self._read_bytes += len(whole)
        for number, line in enumerate(whole.decode("utf-8-sig", errors="replace").splitlines()):
            if at_start and not number:
                if line.strip() != header(COLUMNS).strip():
                    raise LabFolderError(
                        f"{self.path}: begins with {line!r}, expected {header(COLUMNS).strip()!r}. "
                        "Restore the header line."
                    )
            elif line.strip():
                self._take(line)
        self._forget()

    def plan(
        self,
        run: PlannedRun,
        *,
        files: Mapping[str, bytes],
        rig: Path,
        time_zone: str,
        acknowledged_by: str,
    ) -> Entry:
        """Put one more run on the schedule; its number is chosen here.

        Parameters
        ----------
        files : mapping
            Copies to be kept for it, by name: the plan as `PLAN`, and what the plan names.

        Raises
        ------
        OSError
            It could not be written.
        """
        with self._to_ourselves():
            self.refresh()
            name = str(self._last + 1)
            folder = self.lab / PLANS / name
            folder.mkdir(parents=True, exist_ok=True)
            for file, data in files.items():
                replace(folder / file, data.decode("utf-8"))
            sync_folder(folder.parent)
            sync_folder(self.lab)
            entry = Entry(
                run=_named(run, name),
                plan=f"{PLANS}/{name}/{PLAN}",
                rig=str(rig.absolute()),
                rig_sha256=digest(rig.read_bytes()),
                time_zone=time_zone,
                acknowledged_by=acknowledged_by,
            )
            self._append(_first_line(entry))
            self.refresh()
        return entry

    def note(
        self,
        name: str,
        state: State,
        utc: datetime,
        *,
        reason: str = "",
        exit_code: int | None = None,
        run_folder: str = "",
        only_if: State | None = None,
    ) -> bool:
        """Write down what has become of a planned run.

        Parameters
        ----------
        only_if : State, optional
            The state it must be in, in this very moment; if it is in another one, nothing is
            written.

        Returns
        -------
        bool
            Whether it was written.

        Raises
        ------
        OSError
            It could not be written; nothing may be done then that rests on it.
        """
        line = dict.fromkeys(COLUMNS, "")
        line |= {"utc": _text(utc), "run": name, "state": state.value, "reason": reason}
        line |= {"run_folder": run_folder, "exit_code": "" if exit_code is None else str(exit_code)}
        with self._to_ourselves():
            self.refresh()
            now = self.records.get(name)
            if only_if is not None and (now is None or now.state is not only_if):
                return False
            self._append(line)
            self.refresh()
        return True

    def planned(self) -> Iterator[Entry]:
        """Return the runs that are planned and neither claimed nor ended, in their order."""
        for name, entry in self.entries.items():
            if self.records[name].state is State.PLANNED:
                yield entry

    def _append(self, line: dict[str, str]) -> None:
        if not self.path.exists():
            replace(self.path, header(COLUMNS))  # whole, or not there
        append(self.path, csv_line([line[column] for column in COLUMNS]))

    @contextmanager
    def _to_ourselves(self) -> Iterator[None]:
        """Keep two programs from choosing one number, or writing into one line."""
        handle = os.open(self.lab, os.O_RDONLY)
        try:
            if sys.platform != "win32":
                fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        finally:
            os.close(handle)

    def _take(self, line: str) -> None:
        try:
            cells = dict(zip(COLUMNS, next(csv.reader([line])), strict=True))
            name, state, utc = cells["run"], State(cells["state"]), _moment(cells["utc"])
            if name not in self.records and cells["plan"]:
                self._last = max(self._last, int(name))
                self.entries[name] = _entry(cells, utc)
            elif name not in self.entries:
                return  # about one that has ended and was forgotten
            code = cells["exit_code"]
            self.records[name] = OnRecord(
                state=state,
                utc=utc,
                exit_code=int(code) if code else None,
                reason=cells["reason"],
            )
            if cells["run_folder"]:
                self.folders[name] = cells["run_folder"]
        except (ValueError, KeyError, csv.Error) as error:
            self.problems.append(f"{self.path}: not understood, left out: {line!r} ({error})")

    def _forget(self) -> None:
        if self._keeps_ended:
            return
        wanted = {
            entry.run.after
            for name, entry in self.entries.items()
            if self.records[name].state not in ENDED
        }
        for name in [n for n, one in self.records.items() if one.state in ENDED]:
            if name not in wanted:
                del self.records[name], self.entries[name]
                self.folders.pop(name, None)


def digest(data: bytes) -> str:
    """Return the SHA-256 of a file's content."""
    return hashlib.sha256(data).hexdigest()


def parse_hours(text: str) -> Hours:
    """Read hours such as 20:00-06:30; ValueError says what is wrong."""
    opens, dash, closes = text.partition("-")
    try:
        hours = Hours(time.fromisoformat(opens.strip()), time.fromisoformat(closes.strip()))
    except ValueError:
        dash = ""
    if not dash or hours.opens == hours.closes or hours.opens.tzinfo or hours.closes.tzinfo:
        raise ValueError(f"is {text!r}; give two different times of day, e.g. 20:00-06:30")
    return hours


def _named(run: PlannedRun, name: str) -> PlannedRun:
    from attrs import evolve

    return evolve(run, name=name)


def _first_line(entry: Entry) -> dict[str, str]:
    run = entry.run
    line = dict.fromkeys(COLUMNS, "")
    line |= {
        "utc": _text(run.planned_utc),
        "run": run.name,
        "state": State.PLANNED.value,
        "plan": entry.plan,
        "rig": entry.rig,
        "rig_sha256": entry.rig_sha256,
        "start": "" if run.start is None else f"{run.start:%Y-%m-%dT%H:%M:%S}",
        "time_zone": entry.time_zone,
        "after": run.after,
        "hours": "" if run.hours is None else str(run.hours),
        "late_by_s": f"{run.late_by_s:g}",
        "acknowledged_by": entry.acknowledged_by,
    }
    return line


def _entry(cells: dict[str, str], utc: datetime) -> Entry:
    ZoneInfo(cells["time_zone"])  # a zone that is not known must not be found out at night
    return Entry(
        run=PlannedRun(
            name=cells["run"],
            planned_utc=utc,
            start=datetime.fromisoformat(cells["start"]) if cells["start"] else None,
            after=cells["after"],
            hours=parse_hours(cells["hours"]) if cells["hours"] else None,
            late_by_s=float(cells["late_by_s"]),
        ),
        plan=cells["plan"],
        rig=cells["rig"],
        rig_sha256=cells["rig_sha256"],
        time_zone=cells["time_zone"],
        acknowledged_by=cells["acknowledged_by"],
    )


def _text(utc: datetime) -> str:
    return f"{utc.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def _moment(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"utc is {text!r}, without a zone")
    return moment
