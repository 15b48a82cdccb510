"""Hours, starts, seasoning and trend of lamps, worked by hand on small records."""

from datetime import UTC, datetime, timedelta

import pytest

from analysis.control_runs import control_history
from analysis.lab_entries import LampEntry
from analysis.lab_records import add_lamp, read_lamps
from analysis.lab_runs import lab_runs
from analysis.lamp_ledger import hours_at, ledger, trend_sentence
from analysis.seasoning import reminder, seasoning_h
from tests.analysis.control_lab import FIRST, add_run, new_lab


def note(lab, day, event, lamp="L-01", **figures):
    add_lamp(lab, LampEntry(utc=FIRST + timedelta(days=day), lamp=lamp, event=event, **figures))


def lines_of(lab):
    found = ledger(lab, control_history(lab))
    return {line.sample: line for line in found.lines}


def at(lab, day, lamp="L-01"):
    runs, _ = lab_runs(lab)
    return hours_at(read_lamps(lab), runs, lamp, FIRST + timedelta(days=day))


def test_hours_are_the_last_total_and_what_was_added_since(tmp_path):
    lab = new_lab(tmp_path / "lab")
    note(lab, 0, "burned", hours_added=2.0, starts_added=1)
    note(lab, 1, "counted", hours_total=130.0, starts_total=12)
    note(lab, 2, "burned", hours_added=1.5, starts_added=1)
    note(lab, 3, "burned", hours_added=2.5, starts_added=2)
    line = lines_of(lab)["L-01"]
    assert (line.hours, line.starts, line.is_total_known) == (134.0, 15, True)


def test_hours_at_a_moment_before_the_total_are_reckoned_back(tmp_path):
    lab = new_lab(tmp_path / "lab")
    for day in (0, 2, 4):
        note(lab, day, "burned", hours_added=2.0, starts_added=1)
    note(lab, 5, "counted", hours_total=136.0)
    note(lab, 6, "burned", hours_added=3.0, starts_added=1)
    # 136 at day 5; 2 h were burned by day 4 and 2 by day 2 that had not been at day 1.
    assert [at(lab, day) for day in (1, 3, 5, 7)] == [132.0, 134.0, 136.0, 139.0]


def test_without_a_total_the_hours_of_the_first_plan_are_one(tmp_path, monkeypatch):
    lab = new_lab(tmp_path / "lab")
    for day in (0.0, 10.0):
        # The second plan is a copy and says 130 h again.
        add_run(lab, day, 1.0, monkeypatch, lamp={"hours": 130.0})
        note(lab, day + 0.1, "burned", hours_added=2.0, starts_added=1)
    assert [at(lab, day) for day in (0.0, 9.0, 11.0)] == [130.0, 132.0, 134.0]
    assert lines_of(lab)["L-01"].hours == 134.0


def test_a_plan_that_says_more_than_the_one_before_counts_anew(tmp_path, monkeypatch):
    lab = new_lab(tmp_path / "lab")
    add_run(lab, 0.0, 1.0, monkeypatch, lamp={"hours": 130.0})
    add_run(lab, 10.0, 1.0, monkeypatch, lamp={"hours": 170.0})
    assert [at(lab, day) for day in (0.0, 9.0, 11.0)] == [130.0, 130.0, 170.0]


def test_without_any_total_the_hours_are_said_to_be_at_least_that(tmp_path):
    lab = new_lab(tmp_path / "lab")
    note(lab, 0, "burned", hours_added=2.0, starts_added=1)
    line = lines_of(lab)["L-01"]
    assert (line.hours, line.is_total_known) == (2.0, False)


def test_a_lab_without_lamps_has_none(tmp_path):
    assert lines_of(new_lab(tmp_path / "lab")) == {}


# --- seasoning -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lamp", "hours"),
    [
        # IES LM-54, from memory: 100 h for high-intensity discharge and fluorescent lamps.
        ({"kind": "high-pressure sodium"}, 100.0),
        ({"kind": "metal halide"}, 100.0),
        ({"kind": "fluorescent"}, 100.0),
        ({"kind": "LED"}, 0.0),
        ({"kind": "other"}, None),
        ({"kind": "metal halide", "seasoning_h": 50.0}, 50.0),
        ({"kind": "LED", "seasoning_h": 10}, 10.0),
    ],
)
def test_seasoning_goes_by_the_kind_unless_the_plan_says_otherwise(lamp, hours):
    assert seasoning_h(lamp) == hours


def test_an_unseasoned_lamp_is_named_with_its_hours():
    lamp = {"sample": "L-08", "kind": "metal halide"}
    assert reminder(lamp, 12.34).startswith("L-08 is not seasoned: it has burned 12.3 of 100 h")
    assert "is not known" in reminder(lamp, None)


@pytest.mark.parametrize(
    ("lamp", "hours", "noted"),
    [
        ({"kind": "metal halide"}, 100.0, False),
        ({"kind": "metal halide"}, 3.0, True),
        ({"kind": "LED"}, 0.0, False),
        ({"kind": "other"}, None, False),
    ],
)
def test_nothing_is_said_where_nothing_stands_against_it(lamp, hours, noted):
    assert reminder(lamp, hours, is_noted=noted) == ""


def test_the_record_can_note_a_lamp_as_seasoned_or_retired(tmp_path, monkeypatch):
    lab = new_lab(tmp_path / "lab")
    for lamp, event in (("L-1", "note"), ("L-2", "seasoned"), ("L-3", "retired")):
        add_run(
            lab,
            float(lamp[-1]),
            1.0,
            monkeypatch,
            lamp={"sample": lamp, "hours": 20.0},
            device={"name": lamp},
        )
        note(lab, 9, event, lamp=lamp)
    assert [bool(line.reminder) for line in lines_of(lab).values()] == [True, False, False]


def test_a_lamp_that_burned_long_enough_on_record_is_seasoned_whatever_came_before(
    tmp_path, monkeypatch
):
    lab = new_lab(tmp_path / "lab")
    add_run(lab, 0.0, 1.0, monkeypatch, lamp={"hours": 0.0})
    note(lab, 1, "burned", hours_added=99.0, starts_added=10)
    assert "99.0 of 100 h" in lines_of(lab)["L-01"].reminder
    note(lab, 2, "burned", hours_added=1.0, starts_added=1)
    assert lines_of(lab)["L-01"].reminder == ""


# --- trend -----------------------------------------------------------------------------------


def test_the_trend_is_that_of_the_light_over_the_hours_of_the_lamp(tmp_path, monkeypatch):
    # Each time 100 h older and 0.4 % of the first darker: −4 % per 1000 h.
    lab = new_lab(tmp_path / "lab")
    for n in range(6):
        level = 1 - 0.004 * n + (-1) ** n * 1e-5
        add_run(lab, 30.0 * n, level, monkeypatch, lamp={"hours": 130.0 + 100 * n})
    line = lines_of(lab)["L-01"]
    (trend,) = line.trends
    assert trend.hours == (130.0, 230.0, 330.0, 430.0, 530.0, 630.0)
    assert trend.per_1000_h == pytest.approx(-0.04, abs=0.0003)
    assert 0 < trend.half_width < 0.001
    said = trend_sentence(line, trend)
    assert "the light changes by \u22124.0\u202f% ± " in said
    assert "Walls and sensor are in it too." in said


def test_too_few_results_state_no_trend_and_say_so(tmp_path, monkeypatch):
    lab = new_lab(tmp_path / "lab")
    for n in range(3):
        add_run(lab, 30.0 * n, 1.0, monkeypatch, lamp={"hours": 130.0 + 100 * n})
    line = lines_of(lab)["L-01"]
    (trend,) = line.trends
    assert trend.per_1000_h is None
    assert "no trend is stated; it takes 4 results over 100 h or more." in trend_sentence(
        line, trend
    )


def test_a_few_hours_say_nothing_of_a_thousand(tmp_path, monkeypatch):
    lab = new_lab(tmp_path / "lab")
    for n in range(6):
        add_run(lab, 9.0 * n, 1 - 0.004 * n, monkeypatch, lamp={"hours": 130.0 + 19 * n})
    (trend,) = lines_of(lab)["L-01"].trends
    assert trend.hours[-1] - trend.hours[0] == 95.0
    assert trend.per_1000_h is None


def test_scatter_is_not_called_a_trend(tmp_path, monkeypatch):
    lab = new_lab(tmp_path / "lab")
    for n in range(6):
        level = 1 + (-1) ** n * 0.004
        add_run(lab, 30.0 * n, level, monkeypatch, lamp={"hours": 130.0 + 100 * n})
    line = lines_of(lab)["L-01"]
    (trend,) = line.trends
    assert abs(trend.per_1000_h) < trend.half_width
    assert "no change of the light is seen" in trend_sentence(line, trend)


def test_what_cannot_be_read_is_named(tmp_path):
    lab = new_lab(tmp_path / "lab")
    with (lab / "lamps.csv").open("a") as file:
        file.write("nonsense\n")
    assert ledger(lab, control_history(lab)).problems == ("lamps.csv line 2: 1 cells, expected 9",)


def test_the_moment_of_the_newest_line_is_kept(tmp_path):
    lab = new_lab(tmp_path / "lab")
    note(lab, 1, "burned", hours_added=1.0)
    assert lines_of(lab)["L-01"].last_utc == datetime(2026, 1, 6, 9, tzinfo=UTC)
