"""What the page is told is what the run folder holds, however and whenever it is looked at."""

from __future__ import annotations

import zlib
from datetime import UTC, datetime

import numpy as np
import pytest

from analysis import run_folder
from analysis.grid import grid_from_plan
from rig.live.story import Story
from tests import synthetic_run
from tests.rig.live.played import Played, interrupted_and_resumed
from tests.rig.test_resume import BRIEF, do_run, plan_of, still_bench

NOW = datetime(2026, 1, 5, 18, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    folder = tmp_path_factory.mktemp("recorded")
    plan = plan_of(folder, **BRIEF, heights={"mounting_height_mm": [450.0]})
    profile, bench = still_bench(folder)
    return do_run(folder, plan, profile, bench)


@pytest.fixture(scope="module")
def twice(tmp_path_factory):
    with pytest.MonkeyPatch.context() as monkeypatch:
        return interrupted_and_resumed(tmp_path_factory.mktemp("twice"), monkeypatch)


def read(folder) -> Story:
    story = Story(folder)
    while story.look():
        pass
    return story


def written(folder) -> datetime:
    """Return the moment at which the folder was last written."""
    return datetime.fromtimestamp((folder / run_folder.READINGS).stat().st_mtime, UTC)


def put_together(shown, news):
    """Do with news what the page does."""
    shown["maps"].update(news.get("maps", {}))
    for name, added in news.get("curves", {}).items():
        known = shown["curves"].setdefault(name, {"at": 0, "points": []})
        known["points"] = known["points"][: added["at"]] + added["points"]
    for name in ("facts", "state", "map", "marks", "events"):
        if name in news:
            shown[name] = news[name]


def test_each_cell_shows_the_mean_of_its_samples(recorded):
    run = run_folder.load(recorded)
    rows = run.readings[
        (run.readings.role == "grid")
        & (run.readings.quantity == "ppfd_umol_m2_s")
        & (run.readings.instrument == "light_sensor")
    ]
    means = rows.groupby(["grid_row", "grid_column"]).value.mean()
    grid = grid_from_plan(run.plan)
    expected = [means[int(r), int(c)] for r, c in zip(grid.row, grid.column, strict=True)]
    (shown,) = read(recorded).snapshot(NOW)["maps"].values()
    np.testing.assert_allclose(shown["values"], expected, atol=0.006)
    assert (shown["read"], shown["expected"], shown["odd"]) == (9, 9, {})
    assert shown["mean"] == pytest.approx(np.mean(expected))


def test_wall_power_shown_is_the_newest_and_its_curve_spans_all(recorded):
    run = run_folder.load(recorded)
    watts = run.readings[run.readings.quantity == "wall_power_w"].value
    told = read(recorded).snapshot(NOW)
    assert told["state"]["watts"] == watts.iloc[-1]
    points = told["curves"]["power"]["points"]
    assert min(point[1] for point in points) == watts.min()
    assert max(point[2] for point in points) == watts.max()


def test_a_run_that_has_ended_is_done_and_says_nothing_of_silence(recorded):
    state = read(recorded).snapshot(datetime(2030, 1, 1, tzinfo=UTC))["state"]
    assert (state["kind"], state["silent_s"], state["left_s"]) == ("done", 0, None)


def test_news_put_together_are_what_a_late_comer_is_told(recorded, tmp_path):
    played = Played(recorded, tmp_path / "run")
    story = Story(played.folder)
    story.look()
    shown = story.snapshot(written(played.folder))
    while played.rows(37):
        story.look()
        put_together(shown, story.news(written(played.folder)))
    assert shown == read(played.folder).snapshot(written(played.folder))


def test_the_state_follows_the_run(recorded, tmp_path):
    played = Played(recorded, tmp_path / "run")
    story = Story(played.folder)

    def state():
        story.look()
        return story.snapshot(written(played.folder))["state"]

    played.until("prompt")
    assert state()["kind"] == "asks"
    assert state()["sentence"] == "It asks: Are the cautions read, and is the test area clear?"
    played.until("dark-begun")
    assert (state()["kind"], state()["sentence"]) == ("going", "Dark reading.")
    played.until("warm-up-begun")
    assert state()["sentence"] == "Warming up."
    played.until("map-begun")
    assert state()["sentence"] == "Reading the map at 450 mm."
    played.rows(250)
    story.look()
    told = story.snapshot(written(played.folder))
    (shown,) = told["maps"].values()
    assert 0 < shown["read"] < 9
    assert shown["next"] not in (None, shown["last"])
    assert shown["values"][shown["next"]] is None
    played.until("run-ended")
    assert state()["kind"] == "done"


def test_silence_is_told_in_minutes_and_told_again_only_when_it_grows(recorded, tmp_path):
    played = Played(recorded, tmp_path / "run")
    played.until("map-begun")
    story = read(played.folder)
    at = written(played.folder).timestamp()

    def after(seconds):
        return story.news(datetime.fromtimestamp(at + seconds, UTC))

    assert after(1)["state"]["kind"] == "going"
    assert after(59) == {}
    told = after(61)["state"]
    assert (told["kind"], told["silent_s"]) == ("silent", 60)
    assert told["sentence"].startswith("Last seen: reading the map at 450 mm.")
    assert after(110) == {}
    assert after(121)["state"]["silent_s"] == 120


def test_a_killed_run_is_followed_through_its_resumption(twice):
    killed, resumed = twice
    story = read(killed)
    before = story.snapshot(written(killed))
    assert before["state"]["kind"] in ("going", "asks")
    (key,) = before["maps"]
    known = {at: v for at, v in enumerate(before["maps"][key]["values"]) if v is not None}
    assert 0 < len(known) < 9
    for name in (run_folder.EVENTS, run_folder.READINGS, run_folder.DESCRIPTOR):
        # The recorder goes on in the same file; only the descriptor is another one.
        with (killed / name).open("r+b") as file:
            file.write((resumed / name).read_bytes())
    while story.look():
        pass
    after = story.snapshot(written(killed))
    assert after["state"]["kind"] == "done"
    assert after["maps"][key]["read"] == 9
    assert any("Gone on with" in line["what"] for line in after["events"]["unusual"])
    late = read(resumed).snapshot(written(killed))
    assert after["maps"] == late["maps"]
    assert after["curves"] == late["curves"]


def test_a_file_that_is_replaced_by_a_shorter_one_is_read_anew(recorded, tmp_path):
    played = Played(recorded, tmp_path / "run")
    played.until("map-ended")
    story = read(played.folder)
    head = run_folder.header(run_folder.READING_COLUMNS)
    (played.folder / run_folder.READINGS).write_bytes(head)
    while story.look():
        pass
    assert story.snapshot(NOW)["maps"] == {}


def test_a_point_left_out_by_hand_is_done_with_and_named_so(tmp_path):
    folder = synthetic_run.write_run(tmp_path / "run")
    (before,) = read(folder)._maps.values()
    path = folder / run_folder.READINGS
    head, *lines = path.read_bytes().splitlines(keepends=True)
    at = {name: n for n, name in enumerate(run_folder.READING_COLUMNS)}
    rows = []
    for line in lines:
        cells = line.split(b",")
        if (cells[at["role"]], cells[at["grid_row"]], cells[at["grid_column"]]) == (
            b"grid", b"0", b"1",
        ):  # fmt: skip
            cells[at["value"]], cells[at["status"]] = b"", b"skipped"
            whole = b",".join(cells[:-1]) + b","
            line = whole + b"%08x\n" % zlib.crc32(whole)
        rows.append(line)
    path.write_bytes(head + b"".join(rows))
    (map_,) = read(folder)._maps.values()
    shown = map_.to_dict(is_under_way=True)
    (place,) = shown["odd"]
    assert shown["odd"][place] == "skipped"
    assert shown["values"][int(place)] is None
    assert (shown["read"], shown["next"]) == (before.read, None)  # nobody is sent there again
    assert shown["min_to_mean"] is None


def test_points_put_in_doubt_are_taken_back(tmp_path):
    folder = synthetic_run.write_run(tmp_path / "run")
    run = run_folder.load(folder)
    grid_rows = run.readings[run.readings.role == "grid"]
    last_s = float(grid_rows.elapsed_s.max())
    references = run.readings[run.readings.role == "reference"].elapsed_s
    good_s = float(references[references < last_s].max())
    since = grid_rows[grid_rows.elapsed_s > good_s]
    expected = since.groupby(["grid_row", "grid_column"]).ngroups
    lines = (folder / run_folder.READINGS).read_bytes().splitlines(keepends=True)
    kept = [line for line in lines[1:] if float(line.split(b",")[0]) <= last_s]
    (folder / run_folder.READINGS).write_bytes(lines[0] + b"".join(kept))
    story = read(folder)
    (map_,) = story._maps.values()
    read_before = map_.read
    map_.doubt("stage")
    assert expected > 0
    assert read_before - map_.read == expected


@pytest.mark.parametrize(
    ("name", "content"),
    [
        (run_folder.PLAN, b"\xff\xfe"),
        (run_folder.PLAN, b"format = 1\n"),
        (run_folder.DESCRIPTOR, b"{"),
        (run_folder.DESCRIPTOR, b"[]"),
        (run_folder.READINGS, b"a,b\n1,2\n"),
    ],
)
def test_a_folder_that_cannot_be_read_says_why(recorded, tmp_path, name, content):
    played = Played(recorded, tmp_path / "run")
    played.rows()
    (played.folder / name).write_bytes(content)
    state = read(played.folder).snapshot(NOW)["state"]
    assert state["kind"] == "unreadable"
    assert len(state["sentence"]) > 20


def test_whole_rows_of_nonsense_are_counted_and_do_no_harm(recorded, tmp_path):
    played = Played(recorded, tmp_path / "run")
    played.rows()
    odd = [
        ",".join(["x"] * (len(run_folder.READING_COLUMNS) - 1)).encode() + b",",
        b"1.0,,,,light_sensor,ppfd_umol_m2_s,inf,,grid,1,99,99,,,,1,ok,,",
        b"1.0,,,,light_sensor,ppfd_umol_m2_s,nan,,grid,1,0,0,,,450.0,x,ok,,",
        b",,",
    ]
    import zlib

    with (played.folder / run_folder.READINGS).open("ab") as file:
        file.write(b"".join(line + b"%08x\n" % zlib.crc32(line) for line in odd))
    told = read(played.folder).snapshot(NOW)
    assert told["state"]["kind"] == "done"
    assert told["state"]["damaged"] >= 1
    assert told["maps"]["1-450.0"]["read"] == 9
