"""Write a run folder so that nothing acknowledged is ever lost.

A row is handed to the operating system at once, so a killed program loses nothing; it is
*acknowledged* when `Recorder.acknowledge` has returned, which is after fsync, so a power cut
loses nothing either. Order of creation: the folder, its files, and last the descriptor under
its final name; a folder without a descriptor never held a reading.

After a failed fsync the system may have dropped the bytes and would report success on a
second try. So there is none: the recorder stops, says so, and refuses everything from then on.
"""

from __future__ import annotations

import errno
import hashlib
import json
import math
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Final, NoReturn

from attrs import define, field

from analysis import run_folder
from analysis.run_folder import DESCRIPTOR, EVENTS, PLAN, READINGS, RIG, EventRow, ReadingRow
from rig import descriptor as description
from rig.storage import OsStorage, Storage

# Derived files can be rebuilt at any time, so they are not part of what is closed.
_DERIVED: Final = (run_folder.SUMMARY, run_folder.REPORT, "figures")
_NEW: Final = ".new"
TORN: Final = "torn"


class RecorderError(Exception):
    """The folder cannot be written; one line says where, what, and the next step."""


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
    _hold: int = field(alias="hold")
    _readings: _Log = field(alias="readings")
    _events: _Log = field(alias="events")
    _oldest_s: float = math.inf
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
        folder = Path(folder)
        hold = -1
        try:
            _make_parents(storage, folder.parent)
            storage.make_folder(folder)
            hold = storage.hold_folder(folder)
            storage.fsync_folder(folder.parent)
            _place(storage, folder / PLAN, plan_text)
            _place(storage, folder / RIG, rig_text)
            logs = []
            for name, columns in (
                (READINGS, run_folder.READING_COLUMNS),
                (EVENTS, run_folder.EVENT_COLUMNS),
            ):
                log = _Log(name, storage.create(folder / name))
                logs.append(log)
                _write_all(storage, log.handle, run_folder.header(columns))
                storage.fsync(log.handle)
            recorder = cls(
                folder=folder,
                storage=storage,
                facts=dict(descriptor),
                hold=hold,
                readings=logs[0],
                events=logs[1],
            )
            recorder._place_descriptor()
        except FileExistsError:
            raise RecorderError(
                f"{folder}: exists already, and a run is never overwritten. Give another name, "
                f"or go on with it by 'evenfall resume {folder}'."
            ) from None
        except OSError as error:
            raise RecorderError(
                f"{folder}: the run folder cannot be made: {_reason(error)}. Nothing was measured "
                f"yet. {_remedy(error)}"
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
        folder = Path(folder)
        hold = _hold(storage, folder)
        opened: list[_Log] = []
        try:
            return cls._reopen(folder, utc, storage, hold, opened)
        except OSError as error:
            _release(storage, hold, opened)
            raise RecorderError(
                f"{folder}: the run folder cannot be reopened: {_reason(error)}. What was "
                f"acknowledged is kept. {_remedy(error)}"
            ) from None
        except BaseException:
            _release(storage, hold, opened)
            raise

    @classmethod
    def _reopen(
        cls, folder: Path, utc: datetime, storage: Storage, hold: int, opened: list[_Log]
    ) -> Recorder:
        found = _read_descriptor(storage, folder)
        if found["evenfall"].get("is_closed"):
            _check_hashes(storage, folder, found)
        torn: list[tuple[_Log, bytes, int]] = []
        last_s, last_utc = 0.0, utc
        for name, columns in (
            (READINGS, run_folder.READING_COLUMNS),
            (EVENTS, run_folder.EVENT_COLUMNS),
        ):
            data = b"".join(storage.chunks(folder / name))
            whole = _whole_length(folder / name, data, run_folder.header(columns))
            newest = _newest(data[:whole])
            if newest is not None and newest[0] >= last_s:
                last_s, last_utc = newest
            log = _Log(name, storage.open_append(folder / name))
            opened.append(log)
            if whole < len(data) or not whole:
                torn.append((log, data[whole:], whole))
        gap_s = max((utc - last_utc).total_seconds(), 0.0)
        recorder = cls(
            folder=folder,
            resumed_at_s=last_s + gap_s,
            storage=storage,
            facts=description.facts_of(found),
            hold=hold,
            readings=opened[0],
            events=opened[1],
        )
        kept = [(log, recorder._repair(log, tail, whole), tail) for log, tail, whole in torn]
        if found["evenfall"].get("is_closed"):
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
            storage.fsync_folder(self.folder)
        number = len(storage.files(torn)) + 1
        copy = f"{TORN}/{number:03d}.bin"
        _place(storage, self.folder / copy, tail)
        storage.fsync_folder(torn)
        storage.truncate(log.handle, whole_bytes)
        if not whole_bytes:  # torn inside its own header
            columns = (
                run_folder.READING_COLUMNS if log.name == READINGS else run_folder.EVENT_COLUMNS
            )
            _write_all(storage, log.handle, run_folder.header(columns))
        storage.fsync(log.handle)
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
    def oldest_unacknowledged_s(self) -> float:
        """Elapsed time of the oldest row not yet acknowledged; infinity if there is none. [s]"""
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
                        f"{_reason(error)}. Everything acknowledged before is kept; the recorder "
                        f"has stopped. Check the disk, then 'evenfall resume {self.folder}'."
                    )
                log.is_dirty = False
        self._oldest_s = math.inf

    def attach(self, name: str, data: bytes) -> None:
        """Add one more file to the folder, once; return when it is on the disk.

        Raises
        ------
        RecorderError
            There is one of that name, or it could not be written; the recorder has stopped.
        """
        self._refuse_if_stopped()
        try:
            _place(self._storage, self.folder / name, data)
            self._storage.fsync_folder(self.folder)
        except OSError as error:
            self._stop(f"{self.folder / name}: cannot be written: {_reason(error)}.")

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
                f"{self.folder / DESCRIPTOR}: the run could not be closed: {_reason(error)}. All "
                f"readings are kept, only their hashes are missing. {_remedy(error)}"
            )
        self.release()

    def release(self) -> None:
        """Give the folder back without closing the run. Safe to call twice."""
        if not self._is_released:
            self._is_released = True
            self._stopped_by = self._stopped_by or f"{self.folder}: the recorder was released"
            _release(self._storage, self._hold, [self._readings, self._events])

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
        self._oldest_s = min(self._oldest_s, elapsed_s)
        try:
            _write_all(self._storage, log.handle, line)
        except OSError as error:
            self._stop(
                f"{self.folder / log.name}: cannot be written: {_reason(error)}. Everything "
                f"acknowledged is kept; the recorder has stopped. {_remedy(error)}"
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
            if path.relative_to(self.folder).parts[0] not in (*_DERIVED, DESCRIPTOR)
            and path.suffix != _NEW
        ]
        inside = [path.relative_to(self.folder) for path in files]
        closed = []
        if is_closed:
            for path, name in zip(files, inside, strict=True):
                size, sha256 = _measure(storage, path)
                closed.append(description.FileFacts(path=name, size_bytes=size, sha256=sha256))
        data = description.encode(
            description.build(self.folder.name, self._facts, inside, closed=closed)
        )
        new = self.folder / (DESCRIPTOR + _NEW)
        if new in storage.files(self.folder):  # left by a crash; it never had its final name
            handle = storage.open_append(new)
            storage.truncate(handle, 0)
        else:
            handle = storage.create(new)
        _fill(storage, handle, data)
        storage.rename(new, self.folder / DESCRIPTOR)
        storage.fsync_folder(self.folder)


def _make_parents(storage: Storage, folder: Path) -> None:
    missing = []
    while not storage.is_folder(folder) and folder != folder.parent:
        missing.append(folder)
        folder = folder.parent
    for path in reversed(missing):
        try:
            storage.make_folder(path)
        except FileExistsError:
            raise NotADirectoryError(errno.ENOTDIR, f"{path} is a file, not a folder") from None
        storage.fsync_folder(path.parent)


def _place(storage: Storage, path: Path, data: bytes) -> None:
    _fill(storage, storage.create(path), data)


def _fill(storage: Storage, handle: int, data: bytes) -> None:
    try:
        _write_all(storage, handle, data)
        storage.fsync(handle)
    finally:
        storage.close(handle)


def _write_all(storage: Storage, handle: int, data: bytes) -> None:
    while data:
        taken = storage.write(handle, data)
        if not taken:
            raise OSError(errno.EIO, "the disk takes no more bytes")
        data = data[taken:]


def _release(storage: Storage, hold: int, logs: list[_Log]) -> None:
    for handle in (*(log.handle for log in logs), hold):
        try:
            storage.close(handle)
        except OSError:
            continue  # nothing can be done, and nothing acknowledged depends on it


def _hold(storage: Storage, folder: Path) -> int:
    try:
        return storage.hold_folder(folder)
    except BlockingIOError:
        raise RecorderError(
            f"{folder}: another program is recording into this folder. Wait for it or stop it; "
            "two can never share one."
        ) from None
    except OSError as error:
        raise RecorderError(
            f"{folder}: cannot be opened as a run folder: {_reason(error)}. Give a folder made "
            "by 'evenfall run' or 'evenfall enter'."
        ) from None


def _read_descriptor(storage: Storage, folder: Path) -> dict[str, Any]:
    path = folder / DESCRIPTOR
    try:
        found = json.loads(b"".join(storage.chunks(path)))
        written = found["evenfall"]["format"]
        if not isinstance(written, int):
            raise TypeError(f"format is {written!r}")
    except FileNotFoundError:
        raise RecorderError(
            f"{folder}: not a run folder ({DESCRIPTOR} is not there). Give a folder made by "
            "'evenfall run' or 'evenfall enter'."
        ) from None
    except (ValueError, KeyError, TypeError) as error:
        raise RecorderError(
            f"{path}: not a descriptor of a run ({error}). Restore it from a copy."
        ) from None
    if written > run_folder.FORMAT:
        raise RecorderError(
            f"{path}: run-folder format {written}, this version writes up to "
            f"{run_folder.FORMAT}. Use a newer Evenfall."
        )
    return dict(found)


def _check_hashes(storage: Storage, folder: Path, found: Mapping[str, Any]) -> None:
    for resource in found["resources"]:
        if resource["path"] in (READINGS, EVENTS) and "hash" in resource:
            _, sha256 = _measure(storage, folder / resource["path"])
            if resource["hash"] != f"sha256:{sha256}":
                raise RecorderError(
                    f"{folder / resource['path']}: edited by another program since the run was "
                    "closed (its SHA-256 differs). Restore it from a copy."
                )


def _whole_length(path: Path, data: bytes, header: bytes) -> int:
    """Return the length of a file up to its last whole row; 0 if its header is torn. [bytes]"""
    if header.startswith(data) and len(data) < len(header):
        return 0
    sound, damage, tail_start = run_folder.split_rows(data, path.name)
    if any("edited by another program" in found.problem for found in damage):
        raise RecorderError(
            f"{path}: edited by another program: no CRC-32 matches its row. Restore it from a "
            "copy; nothing was changed."
        )
    if not data.startswith(header):
        raise RecorderError(
            f"{path}: the header is not that of a run. It was edited or is of another format; "
            "restore it from a copy. Nothing was changed."
        )
    # Behind the last row whose CRC holds there may be whole lines of rubbish as well: sectors
    # that a power cut left half written.
    last = sound.rstrip(b"\n").rfind(b"\n") + 1
    return data.rfind(sound[last:], 0, tail_start) + len(sound) - last


def _newest(data: bytes) -> tuple[float, datetime] | None:
    rows = data.rstrip(b"\n").split(b"\n")[1:]
    if not rows:
        return None
    elapsed_s, utc = rows[-1].decode(errors="replace").split(",", 2)[:2]
    return float(elapsed_s), datetime.fromisoformat(utc)


def _measure(storage: Storage, path: Path) -> tuple[int, str]:
    digest, size = hashlib.sha256(), 0
    for piece in storage.chunks(path):
        digest.update(piece)
        size += len(piece)
    return size, digest.hexdigest()


def _reason(error: OSError) -> str:
    return error.strerror or str(error)


def _remedy(error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "Free some space on this disk, then go on with 'evenfall resume'."
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return "Give a place that you may write to."
    return "Check the disk and the path."
