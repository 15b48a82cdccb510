"""The k-th call of the file layer fails, for k = 1, 2, … until the run goes through.

Each time: one clear line, nothing acknowledged lost, and the run can be resumed.
"""

from __future__ import annotations

import errno
import itertools
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from rig.recorder import Recorder, RecorderError
from rig.storage import Storage
from tests.crash.failing import FailingStorage
from tests.crash.promises import (
    PLAN,
    RESUMED,
    RIG,
    Promise,
    broken,
    event,
    first_session,
    reading,
    second_session,
)

Session = Callable[[Storage, Path, Promise], None]


def is_one_clear_line(message: str, folder: Path, error: int) -> bool:
    return (
        "\n" not in message
        and message.startswith(str(folder.parent.parent))
        and os.strerror(error) in message
        and message.endswith(".")
    )


def refusal(session: Session, storage: FailingStorage, folder: Path, promise: Promise) -> str:
    """Return the one line with which a session ended, or nothing where it went through."""
    try:
        session(storage, folder, promise)
    except RecorderError as refused:
        return str(refused)
    return ""


@pytest.mark.parametrize("error", [errno.ENOSPC, errno.EIO])
def test_any_failing_call_gives_one_clear_line_and_loses_nothing(
    error: int, tmp_path: Path
) -> None:
    for fail_at in itertools.count(1):
        folder = tmp_path / f"{fail_at}" / "runs" / "evening"
        storage, promise = FailingStorage(fail_at, error), Promise()
        line = refusal(first_session, storage, folder, promise)
        assert bool(line) == (storage.failed is not None)
        if not line:
            break
        assert is_one_clear_line(line, folder, error), line
        assert broken(folder, promise) == [], f"{storage.failed} failed"
        if promise.created:
            with Recorder.reopen(folder, utc=RESUMED) as recorder:
                recorder.close()
            assert broken(folder, promise) == [], f"{storage.failed} failed, then resumed"
    assert promise.closed
    assert fail_at > 40


def test_any_failing_call_of_resuming_loses_nothing(tmp_path: Path) -> None:
    torn = tmp_path / "torn" / "runs" / "evening"
    promise = Promise()
    with Recorder.create(torn, descriptor={}, plan_text=PLAN, rig_text=RIG) as recorder:
        promise.write(recorder, 5, 2)
        promise.acknowledge(recorder)
    with (torn / "readings.csv").open("ab") as file:
        file.write(b"6.000,2026-01")
    for fail_at in itertools.count(1):
        folder = tmp_path / f"{fail_at}" / "runs" / "evening"
        shutil.copytree(torn, folder)
        promise = Promise(created=True, readings=5, events=2, written_readings=5, written_events=2)
        storage = FailingStorage(fail_at, errno.ENOSPC)
        line = refusal(second_session, storage, folder, promise)
        if not line:
            break
        assert is_one_clear_line(line, folder, errno.ENOSPC), line
        assert broken(folder, promise) == [], f"{storage.failed} failed"
        with Recorder.reopen(folder, utc=RESUMED):
            pass
        assert broken(folder, promise) == [], f"{storage.failed} failed, then resumed"
    assert promise.closed
    assert fail_at > 15


def test_after_a_failed_fsync_that_file_is_never_touched_again(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    counting = FailingStorage(None)
    with Recorder.create(
        tmp_path / "first", descriptor={}, plan_text=PLAN, rig_text=RIG, storage=counting
    ):
        calls_to_create = len(counting.log)
    # Then come one write and the fsync that fails.
    storage = FailingStorage(calls_to_create + 2, errno.EIO)
    with Recorder.create(
        folder, descriptor={}, plan_text=PLAN, rig_text=RIG, storage=storage
    ) as recorder:
        recorder.reading(reading(1))
        with pytest.raises(RecorderError, match="the disk did not confirm") as first:
            recorder.acknowledge()
        assert storage.failed is not None
        assert storage.failed[0] == "fsync"
        calls = len(storage.log)
        for again in (
            recorder.acknowledge,
            recorder.close,
            lambda: recorder.reading(reading(2)),
            lambda: recorder.event(event(1)),
            lambda: recorder.attach("note.txt", b"x"),
        ):
            with pytest.raises(RecorderError) as later:
                again()
            assert str(later.value) == str(first.value)
        assert recorder.oldest_unacknowledged_s == 1.0
    assert len(storage.log) == calls


def test_short_writes_are_carried_on(tmp_path: Path) -> None:
    class Sip(FailingStorage):
        def write(self, handle: int, data: bytes) -> int:
            return super().write(handle, data[:7])

    promise = Promise()
    first_session(Sip(None), tmp_path / "run", promise)
    assert broken(tmp_path / "run", promise) == []
    assert promise.readings == 7


def test_a_disk_that_takes_nothing_is_an_error_not_an_endless_loop(tmp_path: Path) -> None:
    class Full(FailingStorage):
        def write(self, handle: int, data: bytes) -> int:
            return 0

    with pytest.raises(RecorderError, match="takes no more bytes"):
        first_session(Full(None), tmp_path / "run", Promise())


def test_a_place_that_is_not_writable_is_refused_in_one_line(tmp_path: Path) -> None:
    storage = FailingStorage(1, errno.EACCES)
    folder = tmp_path / "runs" / "evening"
    with pytest.raises(RecorderError) as refused:
        first_session(storage, folder, Promise())
    assert str(refused.value) == (
        f"{folder}: the run folder cannot be made: Permission denied. Nothing was measured yet. "
        "Give a place that you may write to."
    )


def test_a_file_where_a_folder_should_be_is_named(tmp_path: Path) -> None:
    (tmp_path / "runs").write_text("a shopping list")
    with pytest.raises(RecorderError, match=r"runs is a file, not a folder") as refused:
        first_session(FailingStorage(None), tmp_path / "runs" / "evening", Promise())
    assert "\n" not in str(refused.value)
    assert (tmp_path / "runs").read_text() == "a shopping list"


def test_an_existing_folder_is_never_overwritten(tmp_path: Path) -> None:
    folder = tmp_path / "evening"
    folder.mkdir()
    (folder / "letter.txt").write_text("keep me")
    with pytest.raises(RecorderError, match="exists already, and nothing is ever overwritten"):
        first_session(FailingStorage(None), folder, Promise())
    assert [path.name for path in folder.iterdir()] == ["letter.txt"]
