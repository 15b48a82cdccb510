"""The few file operations that the recorder is built on, and nothing else that touches a disk.

They stand behind a protocol so that the crash tests can put a model of a disk in their place:
one that forgets on a power cut whatever was not confirmed, or that fails at the k-th call.

What is assumed of a real disk: once `fsync` of a file has returned, its bytes outlive a power
cut; once `fsync_folder` has returned, so do the names in that folder; and writing bytes behind
others in the same sector does not spoil those that stood there before. Nothing is assumed
about the order in which unconfirmed changes reach the disk.
"""

from __future__ import annotations

import errno
import hashlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final, Protocol

if sys.platform != "win32":
    import fcntl

_CHUNK_BYTES: Final = 1 << 20


class Storage(Protocol):
    """Files as the recorder sees them. Every method raises OSError as the system would."""

    def make_folder(self, path: Path) -> None:
        """Create one folder; FileExistsError if anything of that name is there."""
        ...

    def is_folder(self, path: Path) -> bool:
        """Say whether a folder of that name is there."""
        ...

    def hold_folder(self, path: Path) -> int:
        """Take a folder for this process; BlockingIOError while somebody else has it.

        The handle goes back through `close`; the end of the process, however it comes,
        frees the folder too.
        """
        ...

    def create(self, path: Path) -> int:
        """Create a file for appending and return its handle; FileExistsError if it exists."""
        ...

    def open_append(self, path: Path) -> int:
        """Open an existing file for appending and return its handle."""
        ...

    def write(self, handle: int, data: bytes) -> int:
        """Append bytes; return how many were taken, which may be fewer."""
        ...

    def fsync(self, handle: int) -> None:
        """Return once the file's bytes and length are on the disk."""
        ...

    def truncate(self, handle: int, size_bytes: int) -> None:
        """Cut a file to a length."""
        ...

    def close(self, handle: int) -> None:
        """Give a handle back."""
        ...

    def rename(self, old: Path, new: Path) -> None:
        """Give a file another name, replacing what bears it, in one step."""
        ...

    def fsync_folder(self, path: Path) -> None:
        """Return once the names in a folder are on the disk."""
        ...

    def chunks(self, path: Path) -> Iterator[bytes]:
        """Read a file from its start, a piece at a time."""
        ...

    def files(self, folder: Path) -> list[Path]:
        """Return all files in a folder and the folders in it, sorted."""
        ...


class OsStorage:
    """The operating system's files, unbuffered."""

    def make_folder(self, path: Path) -> None:
        """Create one folder."""
        path.mkdir()

    def is_folder(self, path: Path) -> bool:
        """Say whether a folder of that name is there."""
        return path.is_dir()

    def hold_folder(self, path: Path) -> int:
        """Lock the folder itself, so that no lock file is left behind by a crash."""
        if sys.platform == "win32":  # folders cannot be opened there; runs are made on Linux
            return os.open(os.devnull, os.O_RDONLY)
        handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(handle)
            raise
        return handle

    def create(self, path: Path) -> int:
        """Create a file for appending."""
        return self._open(path, os.O_CREAT | os.O_EXCL)

    def open_append(self, path: Path) -> int:
        """Open an existing file for appending."""
        return self._open(path, 0)

    def _open(self, path: Path, how: int) -> int:
        binary = getattr(os, "O_BINARY", 0)
        return os.open(path, os.O_WRONLY | os.O_APPEND | binary | how, 0o644)

    def write(self, handle: int, data: bytes) -> int:
        """Append bytes."""
        return os.write(handle, data)

    def fsync(self, handle: int) -> None:
        """Return once the file's bytes and length are on the disk."""
        os.fsync(handle)

    def truncate(self, handle: int, size_bytes: int) -> None:
        """Cut a file to a length."""
        os.ftruncate(handle, size_bytes)

    def close(self, handle: int) -> None:
        """Give a handle back."""
        os.close(handle)

    def rename(self, old: Path, new: Path) -> None:
        """Give a file another name in one step."""
        os.replace(old, new)

    def fsync_folder(self, path: Path) -> None:
        """Return once the names in a folder are on the disk."""
        if sys.platform == "win32":
            return
        handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        except OSError as error:
            # Some network and user-space file systems have no such call for folders and say
            # so; that is not a failure of the disk.
            if error.errno not in (errno.EINVAL, errno.ENOTSUP):
                raise
        finally:
            os.close(handle)

    def chunks(self, path: Path) -> Iterator[bytes]:
        """Read a file from its start, a piece at a time."""
        with path.open("rb") as file:
            while piece := file.read(_CHUNK_BYTES):
                yield piece

    def files(self, folder: Path) -> list[Path]:
        """Return all files in a folder and the folders in it, sorted."""
        return sorted(path for path in folder.rglob("*") if path.is_file())


class RecorderError(Exception):
    """The folder cannot be written; one line says where, what, and the next step."""


def make_parents(storage: Storage, folder: Path) -> None:
    """Make the folders above a run that are missing, each on the disk before the next."""
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


def place(storage: Storage, path: Path, data: bytes) -> None:
    """Create a file with these bytes; return when they are on the disk, its name not yet."""
    fill(storage, storage.create(path), data)


def fill(storage: Storage, handle: int, data: bytes) -> None:
    """Write, fsync and close."""
    try:
        write_all(storage, handle, data)
        storage.fsync(handle)
    finally:
        storage.close(handle)


def write_all(storage: Storage, handle: int, data: bytes) -> None:
    """Write all of it, however short the single writes are."""
    while data:
        taken = storage.write(handle, data)
        if not taken:
            raise OSError(errno.EIO, "the disk takes no more bytes")
        data = data[taken:]


def measure(storage: Storage, path: Path) -> tuple[int, str]:
    """Return size [bytes] and SHA-256 of a file."""
    digest, size = hashlib.sha256(), 0
    for piece in storage.chunks(path):
        digest.update(piece)
        size += len(piece)
    return size, digest.hexdigest()


def reason(error: OSError) -> str:
    """Say what the system said."""
    said = error.strerror or str(error)
    if isinstance(error, FileNotFoundError) and error.filename:
        return f"{said} ({Path(error.filename).name})"
    return said


def remedy(error: OSError) -> str:
    """Say what the person at the bench can do about it."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "Free some space on this disk."
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return "Give a place that you may write to."
    return "Check the disk and the path."


def release(storage: Storage, handles: list[int]) -> None:
    """Give handles back, the folder last of all as it was taken first."""
    while handles:
        try:
            storage.close(handles.pop())
        except OSError:
            continue  # nothing can be done, and nothing acknowledged depends on it


def hold(storage: Storage, folder: Path) -> int:
    """Take an existing run folder, or say in one line why not."""
    try:
        return storage.hold_folder(folder)
    except BlockingIOError:
        raise RecorderError(
            f"{folder}: another program is recording into this folder. Wait for it or stop it; "
            "two can never share one."
        ) from None
    except OSError as error:
        raise RecorderError(
            f"{folder}: cannot be opened as a run folder: {reason(error)}. Give a folder made "
            "by 'evenfall run' or 'evenfall enter'."
        ) from None
