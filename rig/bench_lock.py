"""One owner of a bench at a time, and a clear word on who it is.

A bench is known by the port of its stage, which no two benches share; the virtual bench in this
process, and one with a person for a stage, by its profile. The lock is the operating system's
(flock) on a small file of this computer: the end of the process frees it, however that comes,
kill and power cut included. Whoever is started by the owner may be handed the lock, and then keeps
it even if the owner is killed.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sys
import tempfile
from datetime import datetime
from pathlib import Path
from typing import Final

from rig.profile import Profile

if sys.platform != "win32":
    import fcntl

_SHARED: Final = Path("/run/lock")
_LONGEST_NOTE_BYTES: Final = 500


class BenchInUse(Exception):
    """Somebody else has the bench; the message says who, and what to do."""


class BenchLock:
    """A bench that is ours until `release`, or the end of the process.

    Parameters
    ----------
    handle : int
        An open file that is locked.
    path : Path or None
        The file; None where it was handed over, and is not ours to remove.
    """

    def __init__(self, handle: int, path: Path | None) -> None:
        self.handle = handle
        self._path = path

    def release(self) -> None:
        """Let the next one have it."""
        if self.handle < 0:
            return
        if self._path is not None:
            with contextlib.suppress(OSError):
                self._path.unlink()
        os.close(self.handle)
        self.handle = -1

    def __enter__(self) -> BenchLock:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def hold(profile: Profile, what: str, utc: datetime, *, folder: Path | None = None) -> BenchLock:
    """Take the bench of a profile.

    Parameters
    ----------
    profile : Profile
    what : str
        What for, in words that another one can be told.
    utc : datetime
        Since when.
    folder : Path, optional
        Where the locks of this computer are; default the one it has for that.

    Raises
    ------
    BenchInUse
        Somebody has it.
    OSError
        There is no place for the lock.
    """
    if sys.platform == "win32":  # runs are made on Linux
        return BenchLock(os.open(os.devnull, os.O_RDONLY), None)
    path = lock_file(profile, folder)
    handle = take(path)
    if handle is None:
        raise BenchInUse(f"the bench is in use: {holder(path)}. Two programs cannot share a bench.")
    note = f"{what}, process {os.getpid()}, since {utc:%Y-%m-%d %H:%M} UTC"
    os.ftruncate(handle, 0)
    os.pwrite(handle, note.encode()[:_LONGEST_NOTE_BYTES], 0)
    return BenchLock(handle, path)


def handed_over(handle: int) -> BenchLock:
    """Return the lock that whoever started this process has taken and left open for it."""
    os.set_inheritable(handle, False)
    return BenchLock(handle, None)


def user(profile: Profile, *, folder: Path | None = None) -> str | None:
    """Say who has the bench of a profile; None if it is free."""
    if sys.platform == "win32":
        return None
    path = lock_file(profile, folder)
    if not path.exists():
        return None
    handle = take(path)
    if handle is None:
        return holder(path)
    BenchLock(handle, path).release()
    return None


def lock_file(profile: Profile, folder: Path | None = None) -> Path:
    """Return the file that stands for a bench; all names of its port give the same file."""
    if folder is None:
        shared = _SHARED.is_dir() and os.access(_SHARED, os.W_OK | os.X_OK)
        folder = _SHARED if shared else Path(tempfile.gettempdir())
    port = profile.stage.options.port
    if profile.bench is not None or profile.is_by_hand:
        port = str(profile.path.absolute())
    device = os.path.realpath(port) if port.startswith("/") else port
    return folder / f"evenfall-{hashlib.sha256(device.encode()).hexdigest()[:16]}.lock"


def take(path: Path) -> int | None:
    """Lock a file, which is made if it is not there; None while somebody else has it."""
    while True:
        handle = _opened(path)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            # The one before us removes the file as it leaves: a lock on that is worth nothing.
            if os.path.samestat(os.fstat(handle), path.stat()):
                return handle
        except BlockingIOError:
            os.close(handle)
            return None
        except FileNotFoundError:
            pass
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)


def holder(path: Path) -> str:
    """Read who holds a lock."""
    try:
        return path.read_text(encoding="utf-8", errors="replace") or "somebody has just taken it"
    except OSError:
        return "somebody has just let go of it"


def _opened(path: Path) -> int:
    # A file of another user in a shared folder may be opened, but not asked to be created.
    with contextlib.suppress(FileNotFoundError):
        return os.open(path, os.O_RDWR)
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    with contextlib.suppress(OSError):
        os.fchmod(handle, 0o666)  # whatever the umask: benches are shared between users
    return handle
