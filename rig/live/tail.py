"""Read a file that somebody else is adding rows to; its torn tail is left for the next look."""

from __future__ import annotations

import csv
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from attrs import define

from analysis import run_folder

#: So much is read in one look, so that a long file holds nobody up. [bytes]
MOST_BYTES: Final = 512 * 1024


class NotThere(Exception):
    """There is no such plain file; the message names it."""


@contextmanager
def opened(path: Path) -> Iterator[int]:
    """Open a plain file for reading: no link, no pipe, nothing that could make us wait.

    Raises
    ------
    NotThere
        It is something else, not there, or cannot be read.
    """
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise NotThere(f"{path.name}: {why}") from None
    try:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise NotThere(f"{path.name}: not a plain file")
        yield handle
    finally:
        os.close(handle)


def whole(path: Path, most_bytes: int) -> bytes:
    """Read a small plain file.

    Raises
    ------
    NotThere
        It is not there, or larger than it may be.
    """
    with opened(path) as handle, os.fdopen(handle, "rb", closefd=False) as file:
        data = file.read(most_bytes + 1)
    if len(data) > most_bytes:
        raise NotThere(f"{path.name}: larger than {most_bytes} bytes")
    return data


@define(kw_only=True)
class Tail:
    """The rows of one append-only file, as they come.

    Attributes
    ----------
    path : Path
    columns : tuple of str
        See `analysis.run_folder`.
    damaged : int
        Stretches that are not whole rows; a torn tail is none as long as it may be finished.
    changed_utc_s : float
        When the file was last written, in seconds since 1970. [s]
    """

    path: Path
    columns: tuple[str, ...]
    damaged: int = 0
    changed_utc_s: float = 0.0
    _at: int = 0
    _file: tuple[int, int] = (0, 0)

    def more(self) -> tuple[list[dict[str, str]], bool]:
        """Return the rows added since the last look, and whether there is more to read at once.

        Raises
        ------
        StartedOver
            The file is another than before, or shorter than what was read of it.
        RunFolderError
            Its first line is not that of such a file.
        """
        try:
            with opened(self.path) as handle:
                data = self._read(handle)
        except NotThere:
            return [], False
        end = data.rfind(b"\n") + 1
        if end == 0:
            if len(data) < MOST_BYTES:
                return [], False
            self._at += len(data)  # no row of ours is so long
            self.damaged += 1
            return [], True
        head = run_folder.header(self.columns)
        lines = data[:end]
        if self._at == 0:
            first, _, lines = lines.partition(b"\n")
            if first + b"\n" != head:
                raise run_folder.RunFolderError(
                    f"{self.path.name} does not begin as such a file must; it was edited or is of "
                    "another format"
                )
        sound, damage, _ = run_folder.split_rows(head + lines, self.path.name)
        self._at += end
        self.damaged += len(damage)
        rows = csv.DictReader(sound.decode("utf-8", "replace").splitlines())
        return list(rows), len(data) == MOST_BYTES

    def _read(self, handle: int) -> bytes:
        about = os.fstat(handle)
        file = (about.st_dev, about.st_ino)
        if self._at and (file != self._file or about.st_size < self._at):
            raise StartedOver(self.path.name)
        self._file, self.changed_utc_s = file, about.st_mtime
        if about.st_size == self._at:
            return b""
        return os.pread(handle, MOST_BYTES, self._at)


class StartedOver(Exception):
    """What was read is not what the file holds now; begin from its first row."""
