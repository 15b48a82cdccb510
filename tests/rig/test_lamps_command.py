"""`evenfall lamps`: what needs attention first, then every lamp of the lab."""

from __future__ import annotations

from datetime import timedelta

from analysis.lab_entries import LampEntry
from analysis.lab_records import add_lamp
from rig import cli
from tests.analysis.control_lab import FIRST, add_run, new_lab


def test_lamps_are_listed_and_the_unseasoned_one_stands_first(tmp_path, capsys, monkeypatch):
    lab = new_lab(tmp_path / "lab")
    add_run(lab, 0.0, 1.0, monkeypatch, lamp={"hours": 130.0})
    add_run(lab, 1.0, 1.0, monkeypatch, lamp={"sample": "L-02", "hours": 12.0})
    burned = LampEntry(
        utc=FIRST + timedelta(days=2),
        lamp="L-02",
        event="burned",
        hours_added=1.5,
        starts_added=1,
    )
    add_lamp(lab, burned)
    assert cli.main(["lamps", str(lab)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith(
        "Not seasoned, or not known to be: L-02, of 2 lamps on record. L-02 is not seasoned: it "
        "has burned 13.5 of 100 h"
    )
    assert "L-01 high-pressure sodium 130.0 – 1 yes, 100 h –" in said
    assert "L-02 high-pressure sodium 13.5 1 1 no 2026-01-07" in said
    assert "no trend is stated; it takes 4 results over 100 h or more." in said


def test_hours_without_a_total_are_marked_and_it_is_said_how_to_state_one(tmp_path, capsys):
    lab = new_lab(tmp_path / "lab")
    add_lamp(lab, LampEntry(utc=FIRST, lamp="L-05", event="burned", hours_added=3.0))
    assert cli.main(["lamps", str(lab)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "≥ 3.0" in said
    assert "2026-01-05,L-07,counted,,,130,12,your name" in said


def test_the_line_that_is_shown_as_an_example_can_be_added_as_it_is(tmp_path, capsys):
    lab = new_lab(tmp_path / "lab")
    with (lab / "lamps.csv").open("a") as file:
        file.write("2026-01-05,L-07,counted,,,130,12,your name,read off its label\n")
    assert cli.main(["lamps", str(lab)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "L-07 – 130.0 12 0 kind not known 2026-01-05" in said


def test_a_lab_without_lamps_is_told_so(tmp_path, capsys):
    assert cli.main(["lamps", str(new_lab(tmp_path / "lab"))]) == 0
    assert capsys.readouterr().out.startswith("No lamp is on record")
