"""Small writes that are on the disk when they return: a line appended, a file replaced.

For the lab folder, which is written a line at a time. Run folders have a recorder of their
own in the controller.
"""

from __future__ import annotations

import os
from pathlib import Path

_BINARY = getattr(os, "O_BINARY", 0)  # elsewhere than on POSIX, else newlines are translated


def append(path: Path, text: str) -> None:
    """Append text to a file, which is made if it is not there; return once it is on the disk.

    If the last line has no end (a torn write, or an editor), the text begins on a new line, so
    nothing that stands there is changed.

    Raises
    ------
    OSError
        It could not be written or confirmed.
    """
    is_new = not path.exists()
    data = text.encode()
    handle = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | _BINARY, 0o666)
    try:
        size = os.fstat(handle).st_size
        if size:
            os.lseek(handle, size - 1, os.SEEK_SET)
            if os.read(handle, 1) != b"\n":
                data = b"\n" + data
        _write(handle, data)
    finally:
        os.close(handle)
    if is_new:
        sync_folder(path.parent)


def replace(path: Path, text: str) -> None:
    """Put text in the place of a file as a whole: after a crash it is the old or the new one.

    Raises
    ------
    OSError
        It could not be written or confirmed.
    """
    # Two runs that end together each write a file of their own; the last one stays.
    new = path.with_name(f"{path.name}.{os.getpid()}.new")
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | _BINARY, 0o666)
    try:
        _write(handle, text.encode())
    finally:
        os.close(handle)
    os.replace(new, path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Return once the names in a folder are on the disk, where the system can say so."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _write(handle: int, data: bytes) -> None:
    while data:
        data = data[os.write(handle, data) :]
    os.fsync(handle)
