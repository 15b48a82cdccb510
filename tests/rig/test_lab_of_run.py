"""A run leaves its traces in the lab folder, and takes copies of what the lab knows."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from analysis import lab_folder, lab_records, run_folder
from analysis.lab_entries import LampEntry
from analysis.summary import summarise
from rig.lamp_records import not_seasoned
from tests.rig.bench_run import bench_of, do_run, plan_of


def test_hours_and_starts_of_the_lamp_are_added_after_a_run_of_two_installations(tmp_path):
    plan = plan_of(tmp_path, heights={"mounting_height_mm": [400.0, 500.0]})
    profile, bench = bench_of(tmp_path, scenario={"gantry": {"travel_z_mm": None}})
    folder = do_run(tmp_path, plan, profile, bench)
    events = run_folder.load(folder).events
    lit = events[events.event == "lamp-lit"].elapsed_s.to_numpy()
    off = events[events.event == "lamp-off"].elapsed_s.to_numpy()
    ended = float(events[events.event == "run-ended"].elapsed_s.iloc[0])
    age = lab_records.lamp_age(lab_records.read_lamps(tmp_path / "lab"), "L-07")
    assert age.starts == 2
    # Lit to off, and lit to the end: by hand from the events.
    assert age.hours == pytest.approx((off[0] - lit[0] + ended - lit[1]) / 3600.0, abs=0.002)


def test_a_run_stands_alone_with_the_lab_lines_about_its_lamp(tmp_path):
    lab = tmp_path / "lab"
    lab_folder.create(lab, name="test lab")
    for lamp in ("L-07", "L-99"):
        lab_records.add_lamp(
            lab,
            LampEntry(
                utc=datetime(2026, 1, 2, tzinfo=UTC),
                lamp=lamp,
                event="counted",
                hours_total=130.0,
                starts_total=21,
            ),
        )
    plan = plan_of(tmp_path)
    profile, bench = bench_of(tmp_path)
    folder = do_run(tmp_path, plan, profile, bench)
    copied = (folder / lab_records.LAMPS).read_text(encoding="utf-8")
    assert "L-07" in copied
    assert "L-99" not in copied
    hashed = {resource["path"] for resource in run_folder.load(folder).descriptor["resources"]}
    assert lab_records.LAMPS in hashed


def test_the_index_of_the_lab_lists_the_run(tmp_path):
    plan = plan_of(tmp_path)
    profile, bench = bench_of(tmp_path)
    folder = do_run(tmp_path, plan, profile, bench)
    assert folder.name in (tmp_path / "lab" / "index.csv").read_text(encoding="utf-8")


def test_a_run_with_an_unseasoned_lamp_says_so_among_what_happened(tmp_path):
    plan = plan_of(tmp_path, lamp={"hours": 12.0})
    profile, bench = bench_of(tmp_path)
    run = run_folder.load(do_run(tmp_path, plan, profile, bench))
    events = run.events
    (note,) = events[(events.event == "note") & (events.subject == "lamp")].detail
    assert note.startswith("L-07 is not seasoned: it has burned 12.0 of 100 h")
    assert f"{note}." in summarise(run).remarks


def test_what_the_lab_knows_of_a_lamp_goes_before_what_the_plan_says(tmp_path):
    lab = tmp_path / "lab"
    lab_folder.create(lab, name="test lab")
    plan = plan_of(tmp_path, lamp={"hours": 12.0})
    assert "12.0 of 100 h" in not_seasoned(lab, plan)
    for hours, told in ((99.0, "99.0 of 100 h"), (100.0, "")):
        entry = LampEntry(
            utc=datetime(2026, 1, 2, tzinfo=UTC), lamp="L-07", event="counted", hours_total=hours
        )
        lab_records.add_lamp(lab, entry)
        assert told in not_seasoned(lab, plan)
    assert not_seasoned(lab, plan) == ""
    assert "12.0 of 100 h" in not_seasoned(tmp_path / "no-lab", plan)
