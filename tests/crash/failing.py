"""Real files, with one call of the file layer that fails: a full disk, a dying disk."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path

from rig.storage import OsStorage


class FailingStorage:
    """`OsStorage` whose `fail_at`-th changing call, counted from 1, fails.

    A failing write takes half of its bytes first, as a disk does that has just filled up, and
    fails when it is asked to take the rest. `log` names every call with its handle or path.
    """

    def __init__(self, fail_at: int | None, error: int = errno.ENOSPC) -> None:
        self.log: list[tuple[str, object]] = []
        self.failed: tuple[str, object] | None = None
        self._real = OsStorage()
        self._left = fail_at
        self._error = error

    def _call(self, name: str, on: object) -> None:
        self.log.append((name, on))
        if self._left is not None:
            self._left -= 1
            if self._left == 0:
                self.failed = (name, on)
                raise OSError(self._error, os.strerror(self._error))

    def make_folder(self, path: Path) -> None:
        self._call("make_folder", path)
        self._real.make_folder(path)

    def is_folder(self, path: Path) -> bool:
        return self._real.is_folder(path)

    def hold_folder(self, path: Path) -> int:
        return self._real.hold_folder(path)

    def create(self, path: Path) -> int:
        self._call("create", path)
        return self._real.create(path)

    def open_append(self, path: Path) -> int:
        self._call("open_append", path)
        return self._real.open_append(path)

    def write(self, handle: int, data: bytes) -> int:
        try:
            self._call("write", handle)
        except OSError:
            if len(data) > 1:
                self._left, self.failed = 1, None
                return self._real.write(handle, data[: len(data) // 2])
            raise
        return self._real.write(handle, data)

    def fsync(self, handle: int) -> None:
        self._call("fsync", handle)
        self._real.fsync(handle)

    def truncate(self, handle: int, size_bytes: int) -> None:
        self._call("truncate", handle)
        self._real.truncate(handle, size_bytes)

    def close(self, handle: int) -> None:
        self._real.close(handle)

    def rename(self, old: Path, new: Path) -> None:
        self._call("rename", new)
        self._real.rename(old, new)

    def fsync_folder(self, path: Path) -> None:
        self._call("fsync_folder", path)
        self._real.fsync_folder(path)

    def chunks(self, path: Path) -> Iterator[bytes]:
        return self._real.chunks(path)

    def files(self, folder: Path) -> list[Path]:
        return self._real.files(folder)
