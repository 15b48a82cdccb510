"""The like-for-like guard: one fact is changed at a time, and each is named."""

from __future__ import annotations

from datetime import date

import pytest
from attrs import evolve

from analysis.corrections import Applied
from analysis.grid import grid_from_plan
from analysis.likeness import FACTS, NotAFactError, check_facts, mismatches, names_of, stamps
from analysis.results import Condition
from tests.analysis.comparable import INSTRUMENTS, map_with, run

NAMES = ("Reflector A", "Reflector B")

PLAN_CHANGES = {
    "lamp sample": {"lamp": {"sample": "L-08"}},
    "ballast sample": {"ballast": {"sample": "B-03"}},
    "ballast setting": {"ballast": {"setting": "400 W"}},
    "walls": {"area": {"walls_identity": "W-2"}},
    "wall state": {"area": {"walls_state_date": "2026-02-01"}},
    "floor": {"area": {"floor": "black cloth"}},
    "above": {"area": {"above": "lid"}},
    "height axis": {"heights": {"axis": "plane"}},
    "lamp hours": {"lamp": {"hours": 231.0}},
}


def _found(b, a=None):
    return {one.name: one.sentence for one in mismatches(a or run(), b, NAMES)}


def test_runs_that_differ_in_the_device_alone_are_alike():
    assert _found(run("Reflector B")) == {}


@pytest.mark.parametrize("fact", PLAN_CHANGES)
def test_each_fact_of_the_plan_that_differs_is_named_alone(fact):
    assert list(_found(run("Reflector B", **PLAN_CHANGES[fact]))) == [fact]


@pytest.mark.parametrize(("place", "fact"), [(0, "light sensor"), (1, "power meter")])
def test_another_instrument_is_named(place, fact):
    instruments = [dict(one) for one in INSTRUMENTS]
    instruments[place]["serial_number"] = "another"
    found = _found(evolve(run("Reflector B"), instruments=tuple(instruments)))
    assert list(found) == [fact]
    assert "serial number another for Reflector B" in found[fact]


def test_instruments_without_serial_numbers_are_told_by_their_port():
    on_port = ({"name": "light_sensor", "kind": "k", "port": "p1"}, INSTRUMENTS[1])
    a = evolve(run(), instruments=on_port)
    assert _found(evolve(run("Reflector B"), instruments=on_port), a) == {}
    other = ({"name": "light_sensor", "kind": "k", "port": "p2"}, INSTRUMENTS[1])
    assert list(_found(evolve(run("Reflector B"), instruments=other), a)) == ["light sensor"]


def test_another_grid_is_named_with_both_labels():
    area = {"shape": "rectangle", "width_mm": 1200.0, "depth_mm": 1200.0}
    other = grid_from_plan({"area": area, "grid": {"rows": 8, "columns": 8}})
    found = _found(evolve(run("Reflector B"), maps=(map_with(400.0, 1.2, grid=other),)))
    assert found == {"grid": "the grid differs: 5 × 5 points and 8 × 8 points"}


def test_the_same_points_over_another_area_are_another_grid():
    area = {"shape": "rectangle", "width_mm": 1000.0, "depth_mm": 1000.0}
    other = grid_from_plan({"area": area, "grid": {"rows": 5, "columns": 5}})
    found = _found(evolve(run("Reflector B"), maps=(map_with(400.0, 1.2, grid=other),)))
    assert "in other places or for other areas" in found["grid"]


@pytest.mark.parametrize(("hours", "alike"), [(230.0, True), (230.1, False), (30.0, True)])
def test_lamp_hours_may_lie_a_hundred_apart(hours, alike):
    # The base run has 130 h; the limit is common practice, no source.
    assert (_found(run("Reflector B", lamp={"hours": hours})) == {}) is alike


@pytest.mark.parametrize(("volts", "alike"), [(234.6, True), (234.7, False), (225.4, False)])
def test_mean_line_voltage_may_differ_by_two_per_cent(volts, alike):
    # 234.6 against 230: 4.6 / 232.3 = 1.98 %; 234.7: 2.02 %; 225.4: 4.6 / 227.7 = 2.02 %.
    condition = {"line_voltage_v": Condition(mean=volts, minimum=volts, maximum=volts)}
    found = _found(evolve(run("Reflector B"), conditions=condition))
    assert (found == {}) is alike
    assert set(found) <= {"line voltage"}


def test_ambient_is_checked_where_both_runs_logged_it():
    def at(celsius):
        condition = Condition(mean=celsius, minimum=celsius, maximum=celsius)
        both = {**run().conditions, "temperature_c": condition}
        return evolve(run("Reflector B"), conditions=both)

    assert _found(at(30.0)) == {}  # the other run has none
    assert _found(at(25.0), at(20.0)) == {}
    assert list(_found(at(25.1), at(20.0))) == ["ambient temperature"]


@pytest.mark.parametrize(
    ("table", "key", "fact"),
    [
        ("lamp", "sample", "lamp sample"),
        ("lamp", "hours", "lamp hours"),
        ("ballast", "sample", "ballast sample"),
        ("area", "walls_identity", "walls"),
        ("area", "walls_state_date", "wall state"),
        ("area", "floor", "floor"),
        ("area", "above", "above"),
    ],
)
def test_what_neither_run_states_is_a_mismatch_too(table, key, fact):
    a, b = run(), run("Reflector B")
    for one in (a, b):
        del one.plan[table][key]
    found = _found(b, a)
    assert list(found) == [fact]
    assert found[fact].endswith("is not stated for Reflector A and Reflector B")


def test_what_one_run_leaves_out_is_named_with_that_run():
    b = run("Reflector B")
    del b.plan["lamp"]["sample"]
    assert _found(b)["lamp sample"] == "the lamp sample is not stated for Reflector B"


def test_line_voltage_that_was_not_recorded_is_named():
    found = _found(evolve(run("Reflector B"), conditions={}))
    assert found == {"line voltage": "the line voltage is not stated for Reflector B"}


def test_burning_positions_have_to_be_the_same_and_stated_in_both_or_in_neither():
    up, down = ({"lamp": {"burning_position": f"base {way}"}} for way in ("up", "down"))
    assert _found(run("Reflector B", **up), run(**up)) == {}
    assert _found(run("Reflector B", **down), run(**up)) == {
        "burning position": "the burning position of the lamp differs: base up for Reflector A, "
        "base down for Reflector B"
    }
    silent = {"lamp": {"burning_position": "not stated"}}
    for other in (run("Reflector B"), run("Reflector B", **silent)):
        assert _found(other, run(**silent)) == {}
        assert _found(other, run(**up)) == {
            "burning position": "the burning position of the lamp is not stated for Reflector B"
        }


def test_two_ballasts_without_a_setting_are_alike():
    a, b = (run(name, ballast={"setting": ""}) for name in NAMES)
    assert _found(b, a) == {}


def test_dates_read_from_toml_compare_with_each_other():
    a, b = (run(name, area={"walls_state_date": date(2026, 1, 2)}) for name in NAMES)
    assert _found(b, a) == {}


def test_every_named_mismatch_is_a_fact_that_can_be_accepted():
    other = evolve(
        run("Reflector B", **{k: v for one in PLAN_CHANGES.values() for k, v in one.items()}),
        instruments=(),
        conditions={},
    )
    assert set(_found(other)) <= set(FACTS)
    check_facts(FACTS)
    with pytest.raises(NotAFactError, match=r"cannot accept 'lamp age'.*lamp hours"):
        check_facts(["lamp hours", "lamp age"])


def test_runs_of_one_device_are_named_by_specimen_or_folder():
    a, b = run("Reflector A"), run("Reflector B")
    assert names_of((a, b)) == NAMES
    same = evolve(b, device="Reflector A")
    assert names_of((a, same)) == ("Reflector A (A-1)", "Reflector A (B-1)")
    again = evolve(a, run_name="later")
    assert names_of((a, again)) == ("Reflector A (reflector-a)", "Reflector A (later)")


def test_a_stamp_says_briefly_what_differs_over_all_pairs():
    a, b = run("Reflector A"), run("Reflector B", lamp={"hours": 310.0})
    c = run("Reflector C", lamp={"hours": 450.0})
    found = [
        one
        for first, second in ((a, b), (a, c), (b, c))
        for one in mismatches(first, second, ("x", "y"))
    ]
    assert stamps(found) == ("Accepted: lamp hours differ (130 h, 310 h, 450 h)",)


def test_a_stamp_says_what_is_not_stated():
    a, b = run("Reflector A"), run("Reflector B", area={"floor": "", "walls_identity": ""})
    c = run("Reflector C", area={"walls_identity": ""})
    assert stamps(mismatches(a, b, ("a", "b"))) == (
        "Accepted: walls differ (W-1, not stated)",
        "Accepted: floor differs (white tray, not stated)",
    )
    assert stamps(mismatches(b, c, ("b", "c")))[0] == "Accepted: walls not stated"


def test_another_calibration_factor_is_named_and_the_same_is_not():
    def calibrated(name, factor):
        applied = Applied(
            name="sensor calibration",
            on="light",
            factor=factor,
            source="profile",
            setting=f"factor {factor:g}",
        )
        return evolve(run(name), maps=(map_with(400.0, 1.2, corrections=(applied,)),))

    a = calibrated("Reflector A", 1.02)
    assert _found(calibrated("Reflector B", 1.02), a) == {}
    assert _found(calibrated("Reflector B", 1.01), a) == {
        "corrections": "the corrections differ: sensor calibration factor 1.02 for Reflector A, "
        "factor 1.01 for Reflector B"
    }
    assert _found(run("Reflector B"), a) == {
        "corrections": "the corrections differ: sensor calibration factor 1.02 for Reflector A, "
        "not done for Reflector B"
    }


def test_a_dark_reading_taken_off_one_run_only_is_named():
    without = evolve(run("Reflector B").dark, status="skipped", mean=None, points=0, reason="x")
    found = _found(evolve(run("Reflector B"), dark=without))
    assert list(found) == ["corrections"]
    assert "dark reading subtracted for Reflector A, not done for Reflector B" in str(found)
