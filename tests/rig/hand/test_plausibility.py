"""A slip of typing raises a question; a value that can be meant raises none."""

from __future__ import annotations

from itertools import islice

import numpy as np
import pytest

from analysis.grid import grid_from_plan, serpentine
from drivers.manual.number import typed_number
from rig.hand.known import Known
from rig.hand.plausibility import FAR_LIGHT, FAR_POWER, doubt, held
from rig.rows import Place


def asked(text: str, *near: float, far: float = FAR_LIGHT):
    value = typed_number(text)
    assert value is not None
    return doubt(text, value, near, far=far)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("612", 612.0),
        ("612.5", 612.5),
        ("612,5", 612.5),
        ("-0,3", -0.3),
        ("−1", -1.0),
        (" 7 ", 7.0),
    ],
)
def test_a_number_is_read_with_point_or_comma(text, value):
    assert typed_number(text) == value


@pytest.mark.parametrize("text", ["", "-", "6l2", "1.234,5", "612 W", "1e3", "nan", "inf", "6 12"])
def test_what_is_no_number_is_none(text):
    assert typed_number(text) is None


@pytest.mark.parametrize(
    ("text", "near", "meant"),
    [
        ("612", [61.0], "61.2"),
        ("6612", [612.0], "612"),  # a key that was hit twice
        ("4312", [369.3], "431.2"),
        ("6120", [612.0], "612"),  # a digit too many
        ("6125", [612.4, 600.0, 630.0], "612.5"),  # a forgotten decimal sign
        ("61.25", [6100.0], "6125"),  # one too many
        ("162", [612.0, 590.0], "612"),  # the first two exchanged
        ("261", [212.0, 214.0, 210.0], "216"),  # the last two, where the field is flat
    ],
)
def test_a_slip_is_asked_about_with_what_was_probably_meant(text, near, meant):
    found = asked(text, *near)
    assert found is not None
    assert found.meant == meant
    assert found.question.endswith(f"meant {meant}?")
    assert found.question.startswith(text)


def test_a_digit_too_few_is_asked_about_without_a_guess():
    found = asked("61", 612.0)
    assert found is not None
    assert found.meant is None
    assert found.question == "61 follows 612: a digit too few?"


def test_a_value_far_from_its_neighbours_is_asked_about():
    found = asked("1400", 612.0, 590.0, 630.0)
    assert found is not None
    assert found.meant is None
    assert "612, 590 and 630" in found.question


@pytest.mark.parametrize("text", ["612", "520", "733", "640,5", "605"])
def test_a_value_as_its_neighbours_is_not_asked_about(text):
    assert asked(text, 612.0, 590.0, 630.0) is None


#: Typed at a bench of ours without a slip: a low lamp over a small box, ± 0.2 % of noise.
ORDINARY = (
    (457, 600, 700, 605, 448),
    (620, 961, 1182, 963, 628),
    (726, 1219, 1522, 1210, 714),
    (617, 970, 1175, 969, 613),
    (450, 612, 696, 603, 447),
)


def ordinary_map():
    """Give the points of that map with what a person types there, reference point first."""
    area = {"width_mm": 1000.0, "depth_mm": 1000.0}
    grid = grid_from_plan({"area": area, "grid": {"rows": 5, "columns": 5}})
    known = Known(grid=grid, rated_w=600.0)
    known.begin_map(np.full(25, np.nan))
    known.read("reference", 12, 1520.0)
    for index in serpentine(grid):
        at = int(index)
        yield known, at, ORDINARY[grid.row[at]][grid.column[at]]
        known.read("grid", at, float(ORDINARY[grid.row[at]][grid.column[at]]))


def test_an_ordinary_map_typed_without_a_slip_raises_no_question():
    for known, at, typed in ordinary_map():
        place = Place(role="grid")
        assert known.doubt(str(typed), float(typed), place, at, is_power=False) is None
    assert known.far_off() == []


def test_a_digit_too_many_or_too_few_is_asked_about_at_every_point_but_the_first():
    for known, at, typed in islice(ordinary_map(), 1, None):
        place = Place(role="grid")
        for slip in (f"{typed}0", f"{typed}"[:-1]):
            assert known.doubt(slip, float(slip), place, at, is_power=False) is not None


def test_the_first_value_and_darkness_are_not_asked_about():
    assert asked("612") is None
    assert asked("0.4", 0.1, 0.2) is None
    assert asked("-0.2", 0.1) is None


def test_light_in_the_dark_is_asked_about():
    assert asked("61", 0.3, 0.2) is not None


def test_wall_power_is_expected_more_closely():
    assert asked("640", 612.0, far=FAR_POWER) is None
    found = asked("6120", 612.0, far=FAR_POWER)
    assert found is not None
    assert found.meant == "612"


def test_a_lamp_that_warms_up_may_draw_much_less_than_it_will():
    assert asked("369", 600.0, far=3.0) is None  # though 639 is nearer
    found = asked("5400", 600.0, far=3.0)
    assert found is not None
    assert found.meant == "540"


def test_the_first_wall_power_is_held_against_the_rating_of_the_lamp_and_says_so():
    area = {"width_mm": 1000.0, "depth_mm": 1000.0}
    known = Known(grid=grid_from_plan({"area": area}), rated_w=600.0)
    found = known.doubt("6120", 6120.0, Place(role="warm-up"), 0, is_power=True)
    assert found is not None
    assert found.question == "6120 W at a lamp rated 600 W: meant 612?"


def test_the_same_number_at_five_points_in_a_row_may_be_a_held_display():
    assert held("612", ["612"] * 3) is None
    assert held("612", ["612", "612", "613", "612"]) is None
    found = held("612", ["600", "612", "612", "612", "612"])
    assert found is not None
    assert "HOLD" in found.question
