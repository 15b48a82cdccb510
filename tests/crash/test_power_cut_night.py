"""The power goes in the midst of a whole run: every acknowledged row loads, and the run goes on.

The run writes real files, and does the same on the disk of `disk.py`, whose power goes at a
chosen call and which then leaves what a disk may leave.
"""

from __future__ import annotations

import os
import random
import sys
from pathlib import Path

import numpy as np
import pytest

from analysis import lab_folder, run_folder
from analysis.summary import summarise
from rig.storage import OsStorage
from tests.crash.disk import PowerCut, PowerCutDisk, Temper
from tests.crash.killed_night import ALIKE, SMALL, go_on
from tests.rig.bench_run import do_run, plan_of
from tests.rig.test_resume import still_bench

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="runs are made on Linux")


class Mirror(OsStorage):
    """Real files, each call made before on a disk whose power may go."""

    def __init__(self, disk: PowerCutDisk) -> None:
        self.disk = disk
        self.safe: dict[Path, int] = {}
        self._twins: dict[int, int] = {}

    def make_folder(self, path: Path) -> None:
        self.disk.make_folder(path)
        super().make_folder(path)

    def create(self, path: Path) -> int:
        twin = self.disk.create(path)
        handle = super().create(path)
        self._twins[handle] = twin
        return handle

    def open_append(self, path: Path) -> int:
        handle = super().open_append(path)
        self._twins[handle] = self.disk.open_append(path)
        return handle

    def write(self, handle: int, data: bytes) -> int:
        self.disk.write(self._twins[handle], data)
        written = super().write(handle, data)
        assert written == len(data)
        return written

    def fsync(self, handle: int) -> None:
        self.disk.fsync(self._twins[handle])
        path = Path(os.readlink(f"/proc/self/fd/{handle}"))
        self.safe[path] = os.fstat(handle).st_size

    def truncate(self, handle: int, size_bytes: int) -> None:
        self.disk.truncate(self._twins[handle], size_bytes)
        super().truncate(handle, size_bytes)

    def close(self, handle: int) -> None:
        if (twin := self._twins.pop(handle, None)) is not None:
            self.disk.close(twin)
        super().close(handle)

    def rename(self, old: Path, new: Path) -> None:
        self.disk.rename(old, new)
        super().rename(old, new)

    def fsync_folder(self, path: Path) -> None:
        self.disk.fsync_folder(path)


def whole_run(folder, disk):
    """Do a run on both disks; return the storage, and whether it came to its end."""
    folder.mkdir()
    plan, (profile, bench) = plan_of(folder, **SMALL), still_bench(folder)
    lab_folder.create(folder / "lab", name="night")
    disk.put(folder, folder)
    storage = Mirror(disk)
    try:
        do_run(folder, plan, profile, bench, storage=storage)
    except PowerCut:
        return storage, False
    return storage, True


def map_of(folder):
    (path,) = (folder / "lab" / "runs").iterdir()
    (one,) = summarise(run_folder.load(path)).maps
    assert one.is_complete
    return np.asarray(one.ppfd)


@pytest.fixture(scope="module")
def never_cut(tmp_path_factory):
    folder, disk = tmp_path_factory.mktemp("never") / "run", PowerCutDisk()
    _, is_ended = whole_run(folder, disk)
    assert is_ended
    return disk.calls, map_of(folder)


@pytest.mark.parametrize("seed", range(4))
def test_a_night_cut_anywhere_keeps_its_acknowledged_rows_and_goes_on(seed, never_cut, tmp_path):
    calls, wanted = never_cut
    # In each quarter of the run; below 30 the folder is not made yet, see test_power_cut.py.
    quarter = (calls - 30) // 4
    at = 30 + seed * quarter + random.Random(seed).randrange(quarter)
    storage, is_ended = whole_run(tmp_path / "run", disk := PowerCutDisk(at))
    assert not is_ended
    for number, temper in enumerate((Temper.LAZY, Temper.EAGER, Temper.LATEST, Temper.MIXED)):
        left = tmp_path / f"left-{number}"
        disk.leave(left, temper, seed)
        folder = left / (tmp_path / "run").relative_to("/")
        (path,) = (folder / "lab" / "runs").iterdir()
        run_folder.load(path)
        for kind in (run_folder.READINGS, run_folder.EVENTS):
            found, real = path / kind, tmp_path / "run" / (path / kind).relative_to(folder)
            size = storage.safe[real]
            assert found.read_bytes()[:size] == real.read_bytes()[:size], temper
            assert run_folder.split_rows(real.read_bytes()[:size], kind)[1] == ()
    go_on(folder, lambda size, name: None)
    assert np.allclose(map_of(folder), wanted, rtol=ALIKE)
