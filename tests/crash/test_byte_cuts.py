"""`readings.csv` and `events.csv` cut at every byte: a prefix of whole rows is left to read."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from analysis import run_folder
from analysis.run_folder import EVENTS, READINGS
from rig.recorder import Recorder, RecorderError
from tests.crash.promises import PLAN, RESUMED, RIG, Promise, event

ROWS = 3


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sound") / "run"
    promise = Promise()
    with Recorder.create(folder, descriptor={}, plan_text=PLAN, rig_text=RIG) as recorder:
        promise.write(recorder, ROWS, ROWS)
        promise.acknowledge(recorder)
    return folder


def whole_rows(data: bytes) -> int:
    """Count rows by their newlines: the files here have no other damage than the cut."""
    return max(data.count(b"\n") - 1, 0)


@pytest.mark.parametrize("name", [READINGS, EVENTS])
def test_a_file_cut_at_any_byte_reads_as_its_whole_rows(
    name: str, sound: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "run"
    shutil.copytree(sound, folder)
    data = (sound / name).read_bytes()
    for cut in range(len(data) + 1):
        (folder / name).write_bytes(data[:cut])
        run = run_folder.load(folder)
        table = run.readings if name == READINGS else run.events
        assert len(table) == whole_rows(data[:cut]), f"{name} cut at byte {cut}"
        numbers = range(1, len(table) + 1)
        if name == READINGS:
            assert table["value"].tolist() == [float(number) for number in numbers]
        else:
            assert table["detail"].tolist() == [event(number).detail for number in numbers]
        is_torn = cut > 0 and not data[:cut].endswith(b"\n")
        assert bool(run.damage) == is_torn, f"{name} cut at byte {cut}: {run.damage}"


@pytest.mark.parametrize("name", [READINGS, EVENTS])
def test_a_file_cut_at_any_byte_is_repaired_with_its_tail_set_aside(
    name: str, sound: Path, tmp_path: Path
) -> None:
    data = (sound / name).read_bytes()
    last_row = data.rstrip(b"\n").rfind(b"\n")
    header = data.index(b"\n")
    # Every byte of the last row, and a few before it.
    for cut in [*range(0, last_row, 17), header, header + 1, *range(last_row, len(data))]:
        folder = tmp_path / "run"
        shutil.copytree(sound, folder)
        (folder / name).write_bytes(data[:cut])
        with Recorder.reopen(folder, utc=RESUMED):
            pass
        run = run_folder.load(folder)
        assert run.damage == (), f"{name} cut at byte {cut}"
        table = run.readings if name == READINGS else run.events[run.events["event"] == "note"]
        assert len(table) == whole_rows(data[:cut])
        torn = run.events[run.events["event"] == "torn-tail"]
        assert torn["subject"].tolist() == ([] if data[:cut].endswith(b"\n") else [name])
        tail = data[:cut][data[:cut].rfind(b"\n") + 1 :]
        if cut and tail:
            assert (folder / "torn/001.bin").read_bytes() == tail
        shutil.rmtree(folder)


def test_a_tail_of_rubbish_lines_is_set_aside_with_the_rubbish(sound: Path, tmp_path: Path) -> None:
    folder = tmp_path / "run"
    shutil.copytree(sound, folder)
    rubbish = b"\x00" * 100 + b"\n" + b"5.000,2026\n\xff\xfe"
    with (folder / READINGS).open("ab") as file:
        file.write(rubbish)
    with Recorder.reopen(folder, utc=RESUMED):
        pass
    assert (folder / "torn/001.bin").read_bytes() == rubbish
    assert (folder / READINGS).read_bytes() == (sound / READINGS).read_bytes()


def test_a_file_saved_by_a_spreadsheet_is_refused_and_left_alone(
    sound: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "run"
    shutil.copytree(sound, folder)
    saved = (sound / READINGS).read_bytes().replace(b",", b";")
    (folder / READINGS).write_bytes(saved)
    with pytest.raises(RecorderError, match=r"readings\.csv: edited by another program"):
        Recorder.reopen(folder, utc=RESUMED)
    assert (folder / READINGS).read_bytes() == saved
    assert not (folder / "torn").exists()


def test_a_row_changed_after_closing_is_refused(sound: Path, tmp_path: Path) -> None:
    folder = tmp_path / "run"
    shutil.copytree(sound, folder)
    with Recorder.reopen(folder, utc=RESUMED) as recorder:
        recorder.close()
    data = (folder / READINGS).read_bytes()
    (folder / READINGS).write_bytes(data.replace(b",3.0,W", b",9.0,W"))
    with pytest.raises(RecorderError, match="since the run was closed"):
        Recorder.reopen(folder, utc=RESUMED)
