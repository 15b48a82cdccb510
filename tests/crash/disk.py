"""A disk that forgets: the recorder's file layer with a power switch.

It keeps two states of everything: what programs see, and what a power cut leaves. Only
`fsync` of a file moves its bytes to the second state, only `fsync_folder` its names. At the
chosen call the power goes: that call and all later ones raise `PowerCut`. `leave` then writes
to a real folder what a machine would find after the cut, in one of four tempers:

LAZY
    Nothing unconfirmed has survived, except a torn piece of what was being appended: some of
    its bytes, then rubbish to the end of that sector.
EAGER
    Every change of names and lengths has survived, none of the bytes: a file that grew reads
    as zeros there, a file that was cut is cut.
LATEST
    Of the unconfirmed changes of names in a folder only the last has survived.
MIXED
    Each unconfirmed name and each unconfirmed cut has survived or not, by a throw of the dice.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from typing import NoReturn

SECTOR_BYTES = 512


class PowerCut(BaseException):
    """The power has gone. Not an Exception: no program can handle it."""


class Temper(Enum):
    LAZY = "lazy"
    EAGER = "eager"
    LATEST = "latest"
    MIXED = "mixed"


class _File:
    def __init__(self, data: bytes = b"") -> None:
        self.seen = bytearray(data)
        self.kept = data
        self.kept_if_cut_survives = data

    def left(self, temper: Temper, dice: random.Random) -> bytes:
        cut_survives = temper is Temper.EAGER or (temper is Temper.MIXED and dice.random() < 0.5)
        kept = self.kept_if_cut_survives if cut_survives else self.kept
        if not self.seen.startswith(kept) or len(self.seen) == len(kept):
            return kept
        appended = bytes(self.seen[len(kept) :])
        if temper is Temper.EAGER:
            return kept + bytes(len(appended))
        survived = appended[: dice.randint(0, len(appended))]
        to_sector_end = -(len(kept) + len(survived)) % SECTOR_BYTES
        lost = min(len(appended) - len(survived), to_sector_end)
        return kept + survived + dice.randbytes(lost)


class _Folder:
    def __init__(self) -> None:
        self.seen: dict[str, _File | _Folder] = {}
        self.kept: dict[str, _File | _Folder] = {}
        self.last_changed = ""

    def set(self, name: str, node: _File | _Folder) -> None:
        self.seen[name] = node
        self.last_changed = name

    def confirm(self) -> None:
        self.kept = dict(self.seen)
        self.last_changed = ""

    def left(self, temper: Temper, dice: random.Random) -> dict[str, _File | _Folder]:
        if temper is Temper.LAZY:
            return self.kept
        if temper is Temper.EAGER:
            return self.seen
        if temper is Temper.LATEST:
            last = self.last_changed
            return {**self.kept, last: self.seen[last]} if last else self.kept
        names: dict[str, _File | _Folder] = {}
        for name in sorted(self.seen.keys() | self.kept.keys()):
            node = (self.seen if dice.random() < 0.5 else self.kept).get(name)
            if node is not None:
                names[name] = node
        return names


class PowerCutDisk:
    """A disk whose power goes at a chosen call.

    Parameters
    ----------
    cut_at : int, optional
        Number, from 1, of the changing call at which the power goes; never by default.
    forgotten : int, optional
        Number, from 1, of the fsync that does nothing: what the recorder would be without it.
    """

    def __init__(self, cut_at: int | None = None, forgotten: int | None = None) -> None:
        self.calls = 0
        self.fsync_calls: list[int] = []
        self._cut_at = cut_at
        self._forgotten = forgotten
        self._root = _Folder()
        self._handles: dict[int, _File | None] = {}

    def put(self, path: Path, real: Path) -> None:
        """Take over a real folder, confirmed to the last byte."""
        folder = self._root
        for part in path.parts[1:]:
            child = folder.seen.setdefault(part, _Folder())
            assert isinstance(child, _Folder)
            folder.confirm()
            folder = child
        for file in sorted(real.iterdir()):
            if file.is_dir():
                self.put(path / file.name, file)
            else:
                folder.seen[file.name] = _File(file.read_bytes())
        folder.confirm()

    def spill(self, path: Path, data: bytes) -> None:
        """Append bytes that a killed program has left unconfirmed."""
        self._file(path).seen += data

    def leave(self, target: Path, temper: Temper, seed: int) -> None:
        """Write to a real folder what is there after the cut."""
        self._leave(self._root, target, temper, random.Random(seed))

    def _leave(self, folder: _Folder, target: Path, temper: Temper, dice: random.Random) -> None:
        target.mkdir(exist_ok=True)
        for name, node in folder.left(temper, dice).items():
            if isinstance(node, _Folder):
                self._leave(node, target / name, temper, dice)
            else:
                (target / name).write_bytes(node.left(temper, dice))

    # What the recorder sees

    def make_folder(self, path: Path) -> None:
        self._change()
        parent = self._folder(path.parent)
        if path.name in parent.seen:
            raise FileExistsError(17, "File exists", str(path))
        parent.set(path.name, _Folder())

    def is_folder(self, path: Path) -> bool:
        try:
            self._folder(path)
        except FileNotFoundError:
            return False
        return True

    def hold_folder(self, path: Path) -> int:
        self._folder(path)
        return self._handle(None)

    def create(self, path: Path) -> int:
        self._change()
        parent = self._folder(path.parent)
        if path.name in parent.seen:
            raise FileExistsError(17, "File exists", str(path))
        file = _File()
        parent.set(path.name, file)
        return self._handle(file)

    def open_append(self, path: Path) -> int:
        return self._handle(self._file(path))

    def write(self, handle: int, data: bytes) -> int:
        self._change()
        self._open(handle).seen += data
        return len(data)

    def fsync(self, handle: int) -> None:
        self._change()
        if not self._forgets():
            file = self._open(handle)
            file.kept = file.kept_if_cut_survives = bytes(file.seen)

    def truncate(self, handle: int, size_bytes: int) -> None:
        self._change()
        file = self._open(handle)
        del file.seen[size_bytes:]
        file.kept_if_cut_survives = file.kept_if_cut_survives[:size_bytes]

    def close(self, handle: int) -> None:
        del self._handles[handle]

    def rename(self, old: Path, new: Path) -> None:
        self._change()
        file = self._folder(old.parent).seen.pop(old.name)
        self._folder(new.parent).set(new.name, file)

    def fsync_folder(self, path: Path) -> None:
        self._change()
        if not self._forgets():
            self._folder(path).confirm()

    def chunks(self, path: Path) -> Iterator[bytes]:
        yield bytes(self._file(path).seen)

    def files(self, folder: Path) -> list[Path]:
        found: list[Path] = []
        for name, node in self._folder(folder).seen.items():
            found += self.files(folder / name) if isinstance(node, _Folder) else [folder / name]
        return sorted(found)

    def _change(self) -> None:
        self.calls += 1
        if self._cut_at is not None and self.calls >= self._cut_at:
            raise PowerCut

    def _forgets(self) -> bool:
        self.fsync_calls.append(self.calls)
        return len(self.fsync_calls) == self._forgotten

    def _handle(self, file: _File | None) -> int:
        handle = max(self._handles, default=2) + 1
        self._handles[handle] = file
        return handle

    def _open(self, handle: int) -> _File:
        file = self._handles[handle]
        assert file is not None
        return file

    def _folder(self, path: Path) -> _Folder:
        node: _File | _Folder = self._root
        for part in path.parts[1:]:
            if not isinstance(node, _Folder) or part not in node.seen:
                _not_there(path)
            node = node.seen[part]
        if not isinstance(node, _Folder):
            _not_there(path)
        return node

    def _file(self, path: Path) -> _File:
        node = self._folder(path.parent).seen.get(path.name)
        if not isinstance(node, _File):
            _not_there(path)
        return node


def _not_there(path: Path) -> NoReturn:
    raise FileNotFoundError(2, "No such file or directory", str(path))
