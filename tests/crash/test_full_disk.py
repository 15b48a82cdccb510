"""A disk that is really full: a tmpfs of a few pages, or of some megabytes, filled on purpose.

Mounting takes a system administrator; where it is not allowed the tests are skipped and say so.
What every single failing call does is in `test_failing_calls.py`; here the system itself refuses.
"""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from analysis import run_folder
from analysis.summary import summarise
from rig.faults import RunStopped
from rig.recorder import Recorder, RecorderError
from rig.storage import OsStorage
from tests.crash.killed_night import ALIKE, SMALL, TellingStorage
from tests.crash.promises import RESUMED, Promise, broken, first_session
from tests.rig.bench_run import as_built, do_resume, do_run, plan_of
from tests.rig.test_resume import still_bench

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="tmpfs is of Linux")

PAGE_BYTES = 4096
#: A run of this test acknowledges about 300 times; it then is in the midst of its warm-up or map.
MOMENTS = (140, 270)


@pytest.fixture
def mounted(tmp_path):
    """Return what mounts a tmpfs of so many bytes and gives its folder."""
    places = []

    def mount(size_bytes):
        place = tmp_path / f"disk-{len(places)}"
        place.mkdir()
        words = ["mount", "-t", "tmpfs", "-o", f"size={size_bytes}", "none", str(place)]
        try:
            told = subprocess.run(words, capture_output=True, text=True, timeout=20)
        except FileNotFoundError:
            pytest.skip("there is no mount command here")
        if told.returncode != 0:
            pytest.skip(f"mounting a tmpfs is not allowed here: {told.stderr.strip()}")
        places.append(place)
        return place

    yield mount
    for place in places:
        subprocess.run(["umount", str(place)], check=True, capture_output=True, timeout=20)


def fill(folder, *, but_bytes=0):
    """Fill a disk to the last page, less so many bytes; return the file that does it."""
    filler = folder / "filler"
    left = os.statvfs(folder)
    with filler.open("wb", buffering=0) as file:
        for _ in range((left.f_bavail * left.f_frsize - but_bytes) // PAGE_BYTES):
            try:
                file.write(bytes(PAGE_BYTES))
            except OSError as error:
                if error.errno != errno.ENOSPC:
                    raise
                break
    return filler


def test_a_disk_that_fills_at_any_page_loses_nothing_acknowledged(mounted):
    disk = mounted(40 * PAGE_BYTES)
    refused = []
    for pages in range(38):
        folder, promise = disk / "runs" / "evening", Promise()
        filler = fill(disk, but_bytes=pages * PAGE_BYTES)
        try:
            first_session(OsStorage(), folder, promise)
        except RecorderError as error:
            line = str(error)
            refused.append(pages)
            assert "\n" not in line
            assert os.strerror(errno.ENOSPC) in line
        assert broken(folder, promise) == [], f"{pages} pages were free"
        filler.unlink()
        if promise.created and not promise.closed:
            with Recorder.reopen(folder, utc=RESUMED) as recorder:
                recorder.close()
            assert broken(folder, promise) == [], f"{pages} pages were free, then resumed"
        shutil.rmtree(disk / "runs", ignore_errors=True)
    assert refused[0] == 0
    assert len(refused) > 3
    assert promise.closed  # with room enough it went through


class FillingStorage(TellingStorage):
    """Fills the disk after so many acknowledgements, all at once."""

    def __init__(self, disk: Path, after: int) -> None:
        self.count = 0
        self.safe: dict[str, int] = {}

        def told(size: int, name: str) -> None:
            self.count += 1
            self.safe[name] = size
            if self.count == after:
                fill(disk)

        super().__init__(told)


def whole_map(folder):
    (one,) = summarise(run_folder.load(folder)).maps
    assert one.is_complete
    return np.asarray(one.ppfd)


@pytest.mark.parametrize("after", MOMENTS)
def test_a_run_that_meets_a_full_disk_stops_in_one_line_and_is_resumed(mounted, tmp_path, after):
    disk = mounted(32_000_000)  # a run wants 20 MB left
    plan, (profile, bench) = plan_of(disk, **SMALL), still_bench(disk)
    storage = FillingStorage(disk, after)
    with pytest.raises(RecorderError, match=os.strerror(errno.ENOSPC)) as refused:
        do_run(disk, plan, profile, bench, storage=storage)
    assert "\n" not in str(refused.value)
    (folder,) = (disk / "lab" / "runs").iterdir()
    for name, size in storage.safe.items():
        if Path(name).name in (run_folder.READINGS, run_folder.EVENTS):
            data = Path(name).read_bytes()[:size]
            assert run_folder.split_rows(data, Path(name).name)[1] == ()
            assert len(data) == size
    run_folder.load(folder)
    (disk / "filler").unlink()
    do_resume(folder, disk / "rig.toml", as_built)
    run = run_folder.load(folder)
    assert run.damage == ()
    assert run.descriptor["evenfall"]["is_closed"]
    never = tmp_path / "never"
    never.mkdir()
    wanted = whole_map(do_run(never, plan_of(never, **SMALL), *still_bench(never)))
    assert np.allclose(whole_map(folder), wanted, rtol=ALIKE)


def test_a_run_ends_in_good_order_before_the_disk_is_full(mounted):
    disk = mounted(32_000_000)
    plan, (profile, bench) = plan_of(disk, **SMALL), still_bench(disk)
    fill(disk, but_bytes=19_000_000)
    with pytest.raises(RunStopped, match="disk nearly full: 19 MB are left") as stopped:
        do_run(disk, plan, profile, bench)
    run = run_folder.load(stopped.value.folder)
    assert run.damage == ()
    assert run.descriptor["evenfall"]["is_closed"]
    assert list(run.events.event)[-1] == "stopped"
