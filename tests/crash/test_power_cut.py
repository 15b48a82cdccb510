"""A power cut at every call of the file layer: what was acknowledged is there afterwards.

Each sweep is shown to be able to fail: with any single fsync left out, some cut breaks a
promise. So no fsync of the recorder is there for decoration either.
"""

from __future__ import annotations

import itertools
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from analysis.run_folder import encode_event, encode_reading
from rig.recorder import Recorder
from rig.storage import OsStorage, Storage
from tests.crash.disk import PowerCut, PowerCutDisk, Temper
from tests.crash.promises import (
    RESUMED,
    Promise,
    broken,
    event,
    first_session,
    reading,
    second_session,
)

FOLDER = Path("/lab/runs/evening")
# The dice of MIXED are thrown several times for each cut.
WAYS = [
    (Temper.LAZY, 0),
    (Temper.EAGER, 0),
    (Temper.LATEST, 0),
    (Temper.MIXED, 0),
    (Temper.MIXED, 1),
]

Session = Callable[[Storage, Path, Promise], None]
Ready = Callable[[PowerCutDisk], Promise]


def untouched(_: PowerCutDisk) -> Promise:
    return Promise()


def cuts(
    session: Session, ready: Ready, scratch: Path, forgotten: int | None = None, first: int = 1
) -> Iterator[tuple[int, Temper, Path, Promise]]:
    """Run the session with the power going at call `first`, … and after its end."""
    for cut_at in itertools.count(first):
        disk = PowerCutDisk(cut_at, forgotten)
        promise = ready(disk)
        try:
            session(disk, FOLDER, promise)
        except (PowerCut, KeyError):
            ended = False
        else:
            ended = True
        for temper, seed in WAYS:
            left = scratch / "left"
            shutil.rmtree(left, ignore_errors=True)
            disk.leave(left, temper, seed + 1000 * cut_at)
            yield cut_at, temper, left / FOLDER.relative_to("/"), promise
        if ended:
            return


def idle_fsyncs(
    session: Session, ready: Ready, scratch: Path, judge: Callable[[Path, Promise], list[str]]
) -> list[int]:
    """Return the numbers of those fsyncs whose absence no power cut brings to light."""
    whole = PowerCutDisk()
    session(whole, FOLDER, ready(whole))
    return [
        number
        for number, call in enumerate(whole.fsync_calls, start=1)
        # Up to the fsync that is left out, nothing differs from the sweep above.
        if not any(
            judge(folder, promise)
            for _, _, folder, promise in cuts(session, ready, scratch, number, call + 1)
        )
    ]


@pytest.fixture
def interrupted(tmp_path: Path) -> Path:
    """Return a run folder as a crash leaves it: five rows and a torn sixth, two events."""
    folder = tmp_path / "interrupted"
    promise = Promise()
    with Recorder.create(
        folder,
        descriptor={},
        plan_text=b'format = 1\n[test]\nname = "crash"\n',
        rig_text=b'format = 1\nname = "crash bench"\n',
    ) as recorder:
        promise.write(recorder, 5, 2)
        promise.acknowledge(recorder)
    with (folder / "readings.csv").open("ab") as file:
        file.write(TAIL)
    return folder


TAIL = b"6.000,2026-01-05T18:00:06.000Z,5.5"


def resumed(interrupted: Path) -> Ready:
    def ready(disk: PowerCutDisk) -> Promise:
        disk.put(FOLDER, interrupted)
        return Promise(created=True, readings=5, events=2, written_readings=5, written_events=2)

    return ready


def after_a_kill(interrupted: Path) -> Ready:
    """No torn tail, but a row and an event that were written and never confirmed."""
    data = (interrupted / "readings.csv").read_bytes()
    (interrupted / "readings.csv").write_bytes(data.removesuffix(TAIL))

    def ready(disk: PowerCutDisk) -> Promise:
        disk.put(FOLDER, interrupted)
        disk.spill(FOLDER / "readings.csv", encode_reading(reading(6)))
        disk.spill(FOLDER / "events.csv", encode_event(event(3)))
        return Promise(created=True, readings=5, events=2, written_readings=6, written_events=3)

    return ready


def resume_and_count(storage: Storage, folder: Path, promise: Promise) -> None:
    """Go on; what was found from then on counts as measured."""
    with Recorder.reopen(folder, utc=RESUMED, storage=storage):
        promise.readings, promise.events = promise.written_readings, promise.written_events


def broken_or_tail_lost(folder: Path, promise: Promise) -> list[str]:
    """Return broken promises; the torn tail must be in the file or set aside, never gone."""
    faults = broken(folder, promise)
    kept = [path.read_bytes() for path in (folder / "torn").glob("*.bin")]
    is_in_file = (folder / "readings.csv").read_bytes().endswith(TAIL)
    if TAIL not in kept and not is_in_file:
        faults.append("the torn tail is gone")
    if promise.resumed and is_in_file:
        faults.append("resumed, but the torn tail still stands in the file")
    if promise.resumed and b"torn-tail" not in (folder / "events.csv").read_bytes():
        faults.append("resumed, but no event tells of the torn tail")
    return faults


def test_everything_acknowledged_outlives_a_power_cut_at_any_call(tmp_path: Path) -> None:
    tried = 0
    for cut_at, temper, folder, promise in cuts(first_session, untouched, tmp_path):
        assert broken(folder, promise) == [], f"power cut at call {cut_at}, {temper}"
        tried += 1
    assert tried > 150


def test_every_fsync_of_a_new_run_is_needed(tmp_path: Path) -> None:
    assert idle_fsyncs(first_session, untouched, tmp_path, broken) == []


def test_resuming_a_torn_run_outlives_a_power_cut_at_any_call(
    tmp_path: Path, interrupted: Path
) -> None:
    for cut_at, temper, folder, promise in cuts(second_session, resumed(interrupted), tmp_path):
        faults = broken_or_tail_lost(folder, promise)
        assert faults == [], f"power cut at call {cut_at}, {temper}"


def test_every_fsync_of_resuming_is_needed(tmp_path: Path, interrupted: Path) -> None:
    ready = resumed(interrupted)
    assert idle_fsyncs(second_session, ready, tmp_path, broken_or_tail_lost) == []


def test_rows_found_after_a_kill_are_confirmed_before_the_run_goes_on(
    tmp_path: Path, interrupted: Path
) -> None:
    ready = after_a_kill(interrupted)
    for cut_at, temper, folder, promise in cuts(resume_and_count, ready, tmp_path):
        assert broken(folder, promise) == [], f"power cut at call {cut_at}, {temper}"
    assert idle_fsyncs(resume_and_count, ready, tmp_path, broken) == []


def test_a_run_cut_anywhere_can_be_resumed_to_its_end(tmp_path: Path) -> None:
    for cut_at, temper, folder, promise in cuts(first_session, untouched, tmp_path):
        if not promise.created:
            continue
        acknowledged = promise.readings
        with Recorder.reopen(folder, utc=RESUMED, storage=OsStorage()) as recorder:
            recorder.close()
        promise.closed = True
        assert broken(folder, promise) == [], f"power cut at call {cut_at}, {temper}"
        assert promise.readings == acknowledged


def test_a_row_is_not_promised_before_it_is_acknowledged(tmp_path: Path) -> None:
    """The model itself: without fsync, an appended row is gone."""
    disk = PowerCutDisk()
    promise = Promise()
    recorder = Recorder.create(FOLDER, descriptor={}, plan_text=b"", rig_text=b"", storage=disk)
    recorder.reading(reading(1))
    disk.leave(tmp_path / "left", Temper.EAGER, 0)
    data = (tmp_path / "left/lab/runs/evening/readings.csv").read_bytes()
    assert data.rstrip(b"\0").count(b"\n") == 1
    assert promise.readings == 0
