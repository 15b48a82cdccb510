"""Only run folders are reached, by name; a long history is opened page by page."""

from __future__ import annotations

import json
import os

import pytest

from analysis import lab_folder, run_folder
from analysis.lab_records import LabFolderError
from rig.live import shelf as shelves
from rig.live.shelf import PAGE, Shelf
from rig.live.tail import NotThere
from tests.synthetic_run import plan, to_toml


def add_run(lab, name, *, is_closed=True):
    folder = lab / "runs" / name
    folder.mkdir()
    (folder / run_folder.PLAN).write_text(to_toml(plan()), encoding="utf-8")
    descriptor = {
        "created": "2026-01-05T18:00:00+00:00",
        "evenfall": {"format": 1, "is_closed": is_closed},
    }
    (folder / run_folder.DESCRIPTOR).write_text(json.dumps(descriptor))
    (folder / run_folder.READINGS).write_bytes(run_folder.header(run_folder.READING_COLUMNS))
    return folder


@pytest.fixture
def lab(tmp_path):
    lab_folder.create(tmp_path / "lab", name="Light lab")
    return tmp_path / "lab"


@pytest.mark.parametrize(
    "name",
    [
        "..",
        ".",
        "",
        "../runs",
        "a/../a",
        "/etc",
        "a\0b",
        "..\\a",
        "a/",
        "~",
        "%2e%2e",
        "a\n",
        ".git",
    ],
)
def test_a_name_that_is_no_plain_name_finds_no_run(lab, name):
    add_run(lab, "a")
    with pytest.raises(NotThere):
        Shelf.of(lab).run(name)


def test_a_link_to_a_folder_elsewhere_is_no_run(lab, tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    (lab / "runs" / "b").symlink_to(outside)
    shelf = Shelf.of(lab)
    assert shelf.names() == []
    with pytest.raises(NotThere):
        shelf.run("b")


def test_a_report_that_is_a_link_is_not_given(lab, tmp_path):
    folder = add_run(lab, "a")
    (tmp_path / "secret").write_text("secret")
    (folder / run_folder.REPORT).symlink_to(tmp_path / "secret")
    with pytest.raises(NotThere):
        Shelf.of(lab).report("a")
    assert Shelf.of(lab).page()[0][0]["reports"] == []


def test_reports_are_given_by_their_three_names_only_and_a_new_one_is_noticed(lab):
    folder, shelf = add_run(lab, "a"), Shelf.of(lab)
    (folder / "report-lab.html").write_text("for the file")
    assert shelf.page()[0][0]["reports"] == ["report-lab.html"]
    (folder / "report-public.html").write_text("for all")
    assert shelf.page()[0][0]["reports"] == ["report-lab.html", "report-public.html"]
    assert shelf.report("a", "report-public.html") == b"for all"
    for page in ("report.html", "readings.csv", "../a/report-lab.html", "report-other.html"):
        with pytest.raises(NotThere):
            shelf.report("a", page)


def test_a_single_run_is_the_only_one_shown_whatever_its_name(tmp_path):
    (tmp_path / "runs").mkdir()
    one = add_run(tmp_path, "Über den Wolken")
    add_run(tmp_path, "other")
    shelf = Shelf.of(one)
    assert (shelf.names(), shelf.is_lab) == (["Über den Wolken"], False)
    assert shelf.run("Über den Wolken") == one
    with pytest.raises(NotThere):
        shelf.run("other")


def test_what_is_neither_run_nor_lab_is_refused_with_what_to_give(tmp_path):
    with pytest.raises(LabFolderError, match="neither a lab folder"):
        Shelf.of(tmp_path)


def test_the_history_comes_in_pages_the_newest_first_and_opens_only_its_page(lab, monkeypatch):
    names = [f"2026-01-{day:02d}T1800Z-a" for day in range(1, 29)]
    for name in names:
        add_run(lab, name)
    seen, whole = [], shelves.whole
    monkeypatch.setattr(
        shelves, "whole", lambda path, most: seen.append(path.parent.name) or whole(path, most)
    )
    shelf = Shelf.of(lab)
    first, has_older = shelf.page()
    assert [line["run"] for line in first] == names[::-1][:PAGE]
    assert has_older
    assert set(seen) == set(names[::-1][:PAGE])
    rest, has_older = shelf.page(first[-1]["run"])
    assert [line["run"] for line in rest] == names[::-1][PAGE:]
    assert not has_older
    seen.clear()
    shelf.page()
    assert seen == []  # nothing changed, nothing read


def test_the_current_run_is_the_open_one_written_last_else_the_newest(lab):
    for name in ("2026-01-01-a", "2026-01-02-b"):
        add_run(lab, name)
    going_on = add_run(lab, "2026-01-01-b", is_closed=False)
    os.utime(going_on / run_folder.READINGS, (1000.0, 1000.0))
    shelf = Shelf.of(lab)
    assert shelf.current(1010.0) == "2026-01-01-b"
    assert shelf.current(5000.0) == "2026-01-02-b"


def test_a_lab_without_runs_has_no_current_one(lab):
    assert Shelf.of(lab).current(0.0) == ""
    assert Shelf.of(lab).page() == ([], False)


def test_a_run_that_cannot_be_read_stands_in_the_history_with_the_reason(lab):
    folder = add_run(lab, "a")
    (folder / run_folder.DESCRIPTOR).write_text("[]")
    assert Shelf.of(lab).page()[0][0]["state"] == "cannot be read: TypeError"
    (folder / run_folder.PLAN).unlink()
    assert "plan.toml" in Shelf.of(lab).page()[0][0]["state"]
