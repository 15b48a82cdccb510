"""The recorder in ordinary use; `tests/crash/` has the rest."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest

from analysis import run_folder
from analysis.run_folder import EventRow
from rig.recorder import Recorder, RecorderError
from tests.crash.failing import FailingStorage
from tests.crash.promises import BEGUN, PLAN, RESUMED, RIG, event, reading


def new(folder: Path, **facts: object) -> Recorder:
    return Recorder.create(folder, descriptor=facts, plan_text=PLAN, rig_text=RIG)


def test_what_is_recorded_is_what_is_loaded(tmp_path: Path) -> None:
    with new(tmp_path / "run", title="Evening") as recorder:
        recorder.reading(reading(1))
        recorder.event(event(1))
        recorder.close()
    run = run_folder.load(tmp_path / "run")
    row = run.readings.iloc[0]
    assert row["value"] == 1.0
    assert row["window_start_s"] == 0.5
    assert run_folder.unescape(row["raw"]) == reading(1).raw
    assert run.events.iloc[0]["detail"] == event(1).detail
    assert run.descriptor["title"] == "Evening"
    assert run.plan["test"]["name"] == "crash"


def test_missing_parents_are_made(tmp_path: Path) -> None:
    with new(tmp_path / "lab" / "runs" / "evening"):
        pass
    assert run_folder.load(tmp_path / "lab" / "runs" / "evening").damage == ()


def test_oldest_unacknowledged_is_the_earliest_row_since_the_last_acknowledgement(
    tmp_path: Path,
) -> None:
    with new(tmp_path / "run") as recorder:
        assert recorder.oldest_unacknowledged_s is None
        recorder.reading(reading(4))
        recorder.event(event(3))
        recorder.reading(reading(5))
        assert recorder.oldest_unacknowledged_s == 3.0
        recorder.acknowledge()
        assert recorder.oldest_unacknowledged_s is None


def test_nothing_is_synced_when_nothing_is_new(tmp_path: Path) -> None:
    storage = FailingStorage(None)
    with Recorder.create(
        tmp_path / "run", descriptor={}, plan_text=PLAN, rig_text=RIG, storage=storage
    ) as recorder:
        recorder.event(event(1))
        calls = len(storage.log)
        recorder.acknowledge()
        recorder.acknowledge()
        assert [name for name, _ in storage.log[calls:]] == ["fsync"]


def test_a_row_reaches_the_system_at_once(tmp_path: Path) -> None:
    with new(tmp_path / "run") as recorder:
        recorder.reading(reading(1))
        assert len(run_folder.load(tmp_path / "run").readings) == 1


def test_two_recorders_never_share_a_folder(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    with new(folder) as recorder:
        with pytest.raises(RecorderError, match="another program is recording into this folder"):
            Recorder.reopen(folder, utc=RESUMED)
        recorder.reading(reading(1))  # the first is not disturbed
        recorder.acknowledge()
    with Recorder.reopen(folder, utc=RESUMED) as recorder:
        assert len(run_folder.load(folder).readings) == 1


def test_elapsed_time_goes_on_across_the_gap(tmp_path: Path) -> None:
    with new(tmp_path / "run") as recorder:
        recorder.reading(reading(20))
        recorder.event(event(25))
    # The last row stands at 25 s and 18:00:25; it is now an hour after the beginning.
    with Recorder.reopen(tmp_path / "run", utc=BEGUN + timedelta(hours=1)) as recorder:
        assert recorder.resumed_at_s == 3600.0
    # A clock that was set back leaves no gap rather than a negative one.
    with Recorder.reopen(tmp_path / "run", utc=BEGUN - timedelta(hours=1)) as recorder:
        assert recorder.resumed_at_s == 25.0


def test_a_reopened_run_is_no_longer_called_closed(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    with new(folder, instruments=[{"name": "power_meter"}]) as recorder:
        recorder.reading(reading(1))
        recorder.close({"outcome": "stopped by the operator"})
    assert run_folder.load(folder).descriptor["evenfall"]["is_closed"]
    with Recorder.reopen(folder, utc=RESUMED) as recorder:
        found = run_folder.load(folder).descriptor
        assert not found["evenfall"]["is_closed"]
        assert not any("hash" in resource for resource in found["resources"])
        assert found["evenfall"]["instruments"] == [{"name": "power_meter"}]
        recorder.close({"outcome": "complete"})
    assert run_folder.load(folder).descriptor["evenfall"]["outcome"] == "complete"


def test_a_closed_recorder_takes_no_more_rows(tmp_path: Path) -> None:
    recorder = new(tmp_path / "run")
    recorder.close()
    with pytest.raises(RecorderError, match="released"):
        recorder.reading(reading(1))
    recorder.release()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"{}", "not a descriptor of a run"),
        (b"[1, 2]", "not a descriptor of a run"),
        (b'{"evenfall": {"format": 99}}', "run-folder format 99, this version writes up to 1"),
    ],
)
def test_a_folder_that_is_not_ours_is_not_reopened(
    content: bytes, says: str, tmp_path: Path
) -> None:
    (tmp_path / "datapackage.json").write_bytes(content)
    with pytest.raises(RecorderError, match=says):
        Recorder.reopen(tmp_path, utc=RESUMED)
    assert [path.name for path in tmp_path.iterdir()] == ["datapackage.json"]


def test_a_folder_that_is_not_there_is_not_reopened(tmp_path: Path) -> None:
    with pytest.raises(RecorderError, match="No such file or directory") as refused:
        Recorder.reopen(tmp_path / "run", utc=RESUMED)
    assert "\n" not in str(refused.value)


def test_a_missing_file_of_a_run_is_named(tmp_path: Path) -> None:
    with new(tmp_path / "run"):
        pass
    (tmp_path / "run" / "events.csv").unlink()
    with pytest.raises(RecorderError, match=r"No such file or directory \(events.csv\)"):
        Recorder.reopen(tmp_path / "run", utc=RESUMED)


def test_awkward_text_of_an_event_stays_one_row(tmp_path: Path) -> None:
    awkward = 'a\r\nb\n"c", d\u2028e \udce4 \0 é'
    with new(tmp_path / "run") as recorder:
        recorder.event(
            EventRow(elapsed_s=1.0, utc=BEGUN, event="note", subject=awkward, detail=awkward)
        )
        recorder.event(event(2))
        recorder.close()
    run = run_folder.load(tmp_path / "run")
    assert run.damage == ()
    assert len(run.events) == 2
    assert run.events.iloc[1]["detail"] == event(2).detail


def test_facts_that_json_cannot_hold_are_refused_before_anything_is_measured(
    tmp_path: Path,
) -> None:
    with pytest.raises(ValueError, match="JSON"):
        new(tmp_path / "run", temperature_c=float("nan"))
    assert not (tmp_path / "run").exists()


def test_an_attached_file_is_hashed_and_never_replaced(tmp_path: Path) -> None:
    with new(tmp_path / "run") as recorder:
        recorder.attach("lamps.csv", b"lamp\n")
        with pytest.raises(RecorderError, match="File exists"):
            recorder.attach("lamps.csv", b"other\n")
    assert (tmp_path / "run" / "lamps.csv").read_bytes() == b"lamp\n"
    found = json.loads((tmp_path / "run" / "datapackage.json").read_text())
    assert found["evenfall"]["is_closed"] is False
