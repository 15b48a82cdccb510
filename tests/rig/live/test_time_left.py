"""Time left, by hand: 100 s of warm-up, a map of 10 points in 200 s, 30 s of cooling and again."""

from __future__ import annotations

import pytest

from rig.estimate import Step
from rig.live.time_left import Course, Left, course_of
from tests.rig.bench_run import bench_of, plan_of

STEPS = (
    Step(what="cautions", duration_s=20.0),
    Step(what="warm-up, rule 'bench'", duration_s=100.0, lamp_is_lit=True, at_least=True),
    Step(what="map of 10 points at 400 mm", duration_s=200.0, lamp_is_lit=True),
    Step(what="steady again, rule 'bench'", duration_s=30.0, lamp_is_lit=True, at_least=True),
    Step(what="map of 10 points at 500 mm", duration_s=200.0, lamp_is_lit=True),
    Step(what="park", duration_s=5.0),
)


@pytest.mark.parametrize(
    ("course", "now_s", "left"),
    [
        (Course(STEPS), 0.0, Left(555.0, at_least=True)),
        (Course(STEPS, warm_up_begun_s=20.0), 60.0, Left(60.0 + 435.0, at_least=True)),
        (Course(STEPS, warm_up_begun_s=20.0), 900.0, Left(435.0, at_least=True)),
        # Before the pace is known, as planned; then 4 points in 100 s leave 6 points of 25 s.
        (Course(STEPS, map_begun_s=120.0, read=1, expected=10), 150.0, Left(405.0, at_least=True)),
        (
            Course(STEPS, map_begun_s=120.0, read=4, expected=10),
            220.0,
            Left(150.0 + 235.0, at_least=True),
        ),
        # Gone on with at 4 points: only what was read since tells the pace.
        (
            Course(STEPS, maps_ended=1, map_begun_s=0.0, read_then=4, read=8, expected=10),
            100.0,
            Left(50.0 + 5.0, at_least=False),
        ),
        (Course(STEPS, maps_ended=2), 900.0, Left(5.0, at_least=False)),
        # Nothing is known of what comes after, and that is said.
        (
            Course((), map_begun_s=0.0, read=5, expected=10),
            50.0,
            Left(50.0, at_least=False, of_map_only=True),
        ),
        (Course(()), 0.0, None),
    ],
)
def test_time_left_is_the_rest_of_this_step_and_all_later_ones(course, now_s, left):
    assert course.left(now_s) == left


def test_the_planned_course_of_a_run_folder_has_its_maps_and_warm_ups(tmp_path):
    plan_of(tmp_path, heights={"mounting_height_mm": [450.0, 550.0]})
    bench_of(tmp_path)
    steps = course_of(tmp_path).steps
    assert sum(step.what.startswith("map of") for step in steps) == 2
    assert sum(step.at_least for step in steps) == 2


def test_a_folder_whose_profile_cannot_be_read_has_no_planned_course(tmp_path):
    plan_of(tmp_path)
    assert course_of(tmp_path).steps == ()
