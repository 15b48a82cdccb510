"""Lines of a controller are told apart; broken ones are none of them."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.contracts import Position
from drivers.gcode import travel
from drivers.gcode.dialect import STATUS_REPORT, Status, parse_status
from drivers.gcode.options import GantryOptions

KINDS = ("ok", "error", "alarm", "banner", "status", "message")


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        (b"ok", "ok"),
        (b"error:9", "error"),
        (b"error: Bad number format", "error"),
        (b"ALARM:1", "alarm"),
        (b"Motion 1.1 ['$' for help]", "banner"),
        (b"<Idle|MPos:0.000,0.000,0.000|FS:0,0>", "status"),
        (b"[MSG:'$H' to unlock]", "message"),
    ],
)
def test_each_line_is_of_one_kind(line, kind):
    assert [k for k in KINDS if getattr(STATUS_REPORT, k).fullmatch(line)] == [kind]


@pytest.mark.parametrize(
    "line", [b"okok", b"o", b"k", b"<Idle|MPos:0.0", b"Idle|MPos:0,0,0>", b"error", b"\xff\xfe"]
)
def test_a_broken_line_is_of_no_kind(line):
    assert not [k for k in KINDS if getattr(STATUS_REPORT, k).fullmatch(line)]


@pytest.mark.parametrize(
    ("line", "status"),
    [
        (
            b"<Idle|MPos:10.000,-20.500,0.000|FS:0,0>",
            Status("Idle", (10.0, -20.5, 0.0), None),
        ),
        (b"<Hold:0|MPos:1.0,2.0>", Status("Hold", (1.0, 2.0), None)),
        (
            b"<Run|WPos:1.0,2.0,3.0|WCO:10.0,0.0,-1.0>",
            Status("Run", (11.0, 2.0, 2.0), (10.0, 0.0, -1.0)),
        ),
        (b"<Run|WPos:1.0,2.0,3.0|FS:0,0>", Status("Run", None, None)),
        (b"<Idle>", Status("Idle", None, None)),
    ],
)
def test_status_gives_state_and_stage_position(line, status):
    assert parse_status(line, STATUS_REPORT) == status


def test_an_offset_told_earlier_serves_later_reports():
    offset = (10.0, 0.0, 0.0)
    assert parse_status(b"<Idle|WPos:1.0,2.0,3.0>", STATUS_REPORT, offset) == Status(
        "Idle", (11.0, 2.0, 3.0), offset
    )


@pytest.mark.parametrize("line", [b"<Idle|MPos:1.0,x>", b"<Idle|MPos:>", b"<|MPos:1,2>", b"ok"])
def test_a_status_with_a_broken_number_is_none(line):
    assert parse_status(line, STATUS_REPORT) is None


@given(data=st.binary(max_size=60))
@settings(deadline=None)
def test_no_bytes_at_all_break_the_parser(data):
    parse_status(data, STATUS_REPORT)
    parse_status(b"<Idle|MPos:" + data + b">", STATUS_REPORT)


def options(**more):
    return GantryOptions(port="p", travel_x_mm=(0.0, 1200.0), travel_y_mm=(-50.0, 900.0), **more)


def test_plane_and_stage_differ_by_the_origin():
    made = options(x_at_origin_mm=100.0, y_at_origin_mm=-20.0)
    assert travel.axis_words(made, Position(1.0, 2.5)) == "X101.000 Y-17.500"
    assert travel.from_stage(made, (101.0, -17.5, 0.0)) == Position(1.0, 2.5, None)


def test_height_axis_is_driven_where_there_is_one():
    made = options(travel_z_mm=(250.0, 900.0))
    assert travel.axis_words(made, Position(0.0, 0.0, 400.0)) == "X0.000 Y0.000 Z400.000"
    assert travel.from_stage(made, (0.0, 0.0, 400.0)) == Position(0.0, 0.0, 400.0)
    with pytest.raises(ValueError, match="reports 2 axes; 3 are needed"):
        travel.from_stage(made, (0.0, 0.0))


def test_outside_names_each_axis_with_what_is_allowed():
    made = options(x_at_origin_mm=100.0, travel_z_mm=(250.0, 900.0))
    assert travel.outside_travel(made, 1100.0, 900.0, 900.0) == []
    assert travel.outside_travel(made, 1100.5, -51.0, 200.0) == [
        "x 1200.5 mm (allowed: 0 to 1200 mm)",
        "y -51 mm (allowed: -50 to 900 mm)",
        "z 200 mm (allowed: 250 to 900 mm)",
    ]
    assert len(travel.outside_travel(made, float("nan"), 0.0, None)) == 1


@pytest.mark.parametrize(
    ("way_mm", "expected_s"),
    # By hand at 100 mm/s and 500 mm/s²: full speed after 0.2 s and 10 mm.
    [(0.0, 0.0), (5.0, 0.2), (20.0, 0.4), (120.0, 1.4)],
)
def test_travel_time_is_that_of_even_acceleration(way_mm, expected_s):
    assert travel.travel_s(options(), Position(0, 0), Position(way_mm, 0)) == pytest.approx(
        expected_s
    )
    assert travel.travel_s(
        options(), Position(0, 0), Position(0.6 * way_mm, 0.8 * way_mm)
    ) == pytest.approx(expected_s)
