"""Write a run folder so that nothing acknowledged is ever lost.

A row is handed to the operating system at once, so a killed program loses nothing; it is
*acknowledged* when `Recorder.acknowledge` has returned, which is after fsync, so a power cut
loses nothing either. Order of creation: the folder, its files, and last the descriptor under
its final name; a folder without a descriptor never held a reading.

After a failed fsync the system may have dropped the bytes and would report success on a
second try. So there is none: the recorder stops, says so, and refuses everything from then on.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Final, NoReturn

from attrs import define, field

from analysis import run_folder
from analysis.run_folder import DESCRIPTOR, EVENTS, PLAN, READINGS, RIG, EventRow, ReadingRow
from rig import descriptor as description
from rig import repair
from rig.storage import (
    OsStorage,
    RecorderError,
    Storage,
    fill,
    hold,
    make_parents,
    measure,
    place,
    reason,
    release,
    remedy,
    write_all,
)

_NEW: Final = ".new"
TORN: Final = "torn"
_LOGS: Final = (
    (READINGS, run_folder.header(run_folder.READING_COLUMNS)),
    (EVENTS, run_folder.header(run_folder.EVENT_COLUMNS)),
)


@define
class _Log:
    """One append-only file and whether it holds rows that fsync has not confirmed."""

    name: str
    handle: int
    is_dirty: bool = False


@define(kw_only=True, eq=False)
class Recorder:
    """The one writer of a run folder. Made by `create` or `reopen`.

    Use it in a ``with`` statement: leaving it releases the folder. Only `close` writes the
    hashes that mark the run as closed.

    Attributes
    ----------
    folder : Path
        The run folder.
    resumed_at_s : float
        Elapsed time that the moment of `reopen` stands for, so that elapsed time goes on
        across the gap; 0 for a new folder. [s]
    """

    folder: Path
    resumed_at_s: float = 0.0
    _storage: Storage = field(alias="storage")
    _facts: dict[str, Any] = field(alias="facts")
    _handles: list[int] = field(alias="handles")
    _readings: _Log = field(alias="readings")
    _events: _Log = field(alias="events")
    _oldest_s: float | None = None
    _stopped_by: str = ""
    _is_released: bool = False

    @classmethod
    def create(
        cls,
        folder: Path,
        *,
        descriptor: Mapping[str, Any],
        plan_text: bytes,
        rig_text: bytes,
        storage: Storage | None = None,
    ) -> Recorder:
        """Make a new run folder and return its recorder once the folder is on the disk.

        Parameters
        ----------
        folder : Path
            Must not exist; missing parents are made.
        descriptor : mapping
            Facts for ``datapackage.json``: title, created (UTC, ISO 8601), instruments, …;
            see `rig.descriptor.build`.
        plan_text, rig_text : bytes
            Exact copies of plan and profile.

        Raises
        ------
        RecorderError
            The folder exists, or cannot be made or written.
        """
        storage = storage or OsStorage()
        description.encode(descriptor)  # what cannot be written is found before anything is made
        handles: list[int] = []
        try:
            make_parents(storage, folder.parent)
            storage.make_folder(folder)
            handles.append(storage.hold_folder(folder))
            storage.fsync_folder(folder.parent)
            place(storage, folder / PLAN, plan_text)
            place(storage, folder / RIG, rig_text)
            logs = []
            for name, header in _LOGS:
                handles.append(storage.create(folder / name))
                logs.append(_Log(name, handles[-1]))
                write_all(storage, handles[-1], header)
                storage.fsync(handles[-1])
            # Before the descriptor appears, all that it speaks of must be there.
            storage.fsync_folder(folder)
            recorder = cls(
                folder=folder,
                storage=storage,
                facts=dict(descriptor),
                handles=handles,
                readings=logs[0],
                events=logs[1],
            )
            recorder._place_descriptor()
        except FileExistsError:
            raise RecorderError(
                f"{folder}: exists already, and nothing is ever overwritten. Give another name; if "
                "it is an interrupted run, 'evenfall resume' goes on with it."
            ) from None
        except OSError as error:
            release(storage, handles)
            raise RecorderError(
                f"{folder}: the run folder cannot be made: {reason(error)}. Nothing was measured "
                f"yet. {remedy(error)}"
            ) from None
        return recorder

    @classmethod
    def reopen(cls, folder: Path, *, utc: datetime, storage: Storage | None = None) -> Recorder:
        """Go on with an interrupted or closed run.

        A torn tail is copied to ``torn/NNN.bin`` before the file is cut to its last whole row,
        and an event says so.

        Parameters
        ----------
        utc : datetime
            Time of day now.

        Raises
        ------
        RecorderError
            Not a run folder, in use, of a newer format, edited, or not writable.
        """
        storage = storage or OsStorage()
        handles = [hold(storage, folder)]
        try:
            return cls._reopen(folder, utc, storage, handles)
        except OSError as error:
            release(storage, handles)
            raise RecorderError(
                f"{folder}: the run folder cannot be reopened: {reason(error)}. What was "
                f"acknowledged is kept. {remedy(error)}"
            ) from None
        except BaseException:
            release(storage, handles)
            raise

    @classmethod
    def _reopen(cls, folder: Path, utc: datetime, storage: Storage, handles: list[int]) -> Recorder:
        found = repair.read_descriptor(storage, folder)
        was_closed = bool(found["evenfall"].get("is_closed"))
        if was_closed:
            repair.check_hashes(storage, folder, found)
        logs: list[_Log] = []
        torn: list[tuple[_Log, bytes, int]] = []
        last_s, last_utc = 0.0, utc
        for name, header in _LOGS:
            data = b"".join(storage.chunks(folder / name))
            whole_bytes = repair.whole_length(folder / name, data, header)
            newest = repair.newest(data[:whole_bytes])
            if newest is not None and newest[0] >= last_s:
                last_s, last_utc = newest
            handles.append(storage.open_append(folder / name))
            # A killed program leaves rows that the disk has not confirmed; from here on they are
            # counted as measured, so they must be.
            logs.append(_Log(name, handles[-1], is_dirty=True))
            if whole_bytes < len(data) or not whole_bytes:
                torn.append((logs[-1], data[whole_bytes:], whole_bytes))
        gap_s = max((utc - last_utc).total_seconds(), 0.0)
        recorder = cls(
            folder=folder,
            resumed_at_s=last_s + gap_s,
            storage=storage,
            facts=description.facts_of(found),
            handles=handles,
            readings=logs[0],
            events=logs[1],
        )
        kept = [(log, recorder._repair(log, tail, whole), tail) for log, tail, whole in torn]
        if was_closed:
            # From here on the hashes would be wrong; a crash must not leave them behind.
            recorder._place_descriptor()
        for log, copy, tail in kept:
            recorder.event(
                EventRow(
                    elapsed_s=recorder.resumed_at_s,
                    utc=utc,
                    event="torn-tail",
                    subject=log.name,
                    detail=f"{len(tail)} bytes after the last whole row kept in {copy}",
                )
            )
        recorder.acknowledge()
        return recorder

    def _repair(self, log: _Log, tail: bytes, whole_bytes: int) -> str:
        """Put a torn tail aside, on the disk, before anything is cut; return its new name."""
        storage, torn = self._storage, self.folder / TORN
        if not storage.is_folder(torn):
            storage.make_folder(torn)
        taken = [int(path.stem) for path in storage.files(torn) if path.stem.isdecimal()]
        number = max(taken, default=0) + 1
        copy = f"{TORN}/{number:03d}.bin"
        place(storage, self.folder / copy, tail)
        storage.fsync_folder(torn)
        storage.fsync_folder(self.folder)
        storage.truncate(log.handle, whole_bytes)
        if not whole_bytes:  # torn inside its own header
            write_all(storage, log.handle, dict(_LOGS)[log.name])
        storage.fsync(log.handle)
        log.is_dirty = False
        return copy

    def reading(self, row: ReadingRow) -> None:
        """Append one reading. It is safe from a power cut only after `acknowledge`.

        Raises
        ------
        RecorderError
            It could not be written; the recorder has stopped.
        """
        self._append(self._readings, run_folder.encode_reading(row), row.elapsed_s)

    def event(self, row: EventRow) -> None:
        """Append one event. It is safe from a power cut only after `acknowledge`.

        Raises
        ------
        RecorderError
            It could not be written; the recorder has stopped.
        """
        self._append(self._events, run_folder.encode_event(row), row.elapsed_s)

    @property
    def oldest_unacknowledged_s(self) -> float | None:
        """Elapsed time of the oldest row not yet acknowledged, or None. [s]"""
        return self._oldest_s

    def acknowledge(self) -> None:
        """Return once everything appended so far is on the disk.

        Raises
        ------
        RecorderError
            The disk did not confirm; the recorder has stopped.
        """
        self._refuse_if_stopped()
        for log in (self._readings, self._events):
            if log.is_dirty:
                try:
                    self._storage.fsync(log.handle)
                except OSError as error:
                    self._stop(
                        f"{self.folder / log.name}: the disk did not confirm the last rows: "
                        f"{reason(error)}. Everything acknowledged before is kept; the recorder "
                        "has stopped. Check the disk, then resume the run or begin a new one."
                    )
                log.is_dirty = False
        self._oldest_s = None

    def attach(self, name: str, data: bytes) -> None:
        """Add one more file to the folder, once; return when it is on the disk.

        Raises
        ------
        RecorderError
            There is one of that name, or it could not be written; the recorder has stopped.
        """
        self._refuse_if_stopped()
        try:
            place(self._storage, self.folder / name, data)
            self._storage.fsync_folder(self.folder)
        except OSError as error:
            self._stop(f"{self.folder / name}: cannot be written: {reason(error)}. {remedy(error)}")

    def close(self, facts: Mapping[str, Any] | None = None) -> None:
        """Acknowledge, write sizes and hashes into the descriptor, release the folder.

        Parameters
        ----------
        facts : mapping, optional
            Further facts for the descriptor, known only at the end.

        Raises
        ------
        RecorderError
            Something could not be written. What was acknowledged is kept.
        """
        self.acknowledge()
        self._facts |= facts or {}
        try:
            self._place_descriptor(is_closed=True)
        except OSError as error:
            self._stop(
                f"{self.folder / DESCRIPTOR}: the run could not be closed: {reason(error)}. All "
                f"readings are kept, only their hashes are missing. {remedy(error)}"
            )
        self.release()

    def release(self) -> None:
        """Give the folder back without closing the run. Safe to call twice."""
        if not self._is_released:
            self._is_released = True
            self._stopped_by = self._stopped_by or f"{self.folder}: the recorder was released"
            release(self._storage, self._handles)

    def __enter__(self) -> Recorder:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.release()

    def _append(self, log: _Log, line: bytes, elapsed_s: float) -> None:
        self._refuse_if_stopped()
        log.is_dirty = True
        self._oldest_s = elapsed_s if self._oldest_s is None else min(self._oldest_s, elapsed_s)
        try:
            write_all(self._storage, log.handle, line)
        except OSError as error:
            self._stop(
                f"{self.folder / log.name}: cannot be written: {reason(error)}. Everything "
                f"acknowledged is kept; the recorder has stopped. {remedy(error)} Then "
                "resume the run or begin a new one."
            )

    def _refuse_if_stopped(self) -> None:
        if self._stopped_by:
            raise RecorderError(self._stopped_by)

    def _stop(self, message: str) -> NoReturn:
        self._stopped_by = message
        raise RecorderError(message) from None

    def _place_descriptor(self, *, is_closed: bool = False) -> None:
        storage = self._storage
        files = [
            path
            for path in storage.files(self.folder)
            if (name := path.relative_to(self.folder).as_posix()) != DESCRIPTOR
            and not run_folder.is_derived(name)
            and path.suffix != _NEW
        ]
        inside = [path.relative_to(self.folder) for path in files]
        closed = [
            description.FileFacts(name, *measure(storage, path))
            for name, path in zip(inside, files, strict=True)
            if is_closed
        ]
        built = description.build(self.folder.name, self._facts, inside, closed=closed)
        new = self.folder / (DESCRIPTOR + _NEW)
        if new in storage.files(self.folder):  # left by a crash; it never had its final name
            handle = storage.open_append(new)
            storage.truncate(handle, 0)
        else:
            handle = storage.create(new)
        fill(storage, handle, description.encode(built))
        storage.rename(new, self.folder / DESCRIPTOR)
        storage.fsync_folder(self.folder)
