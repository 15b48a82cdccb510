"""Travel times, stops, homing and position errors of the simulated gantry."""

import statistics

import attrs
import pytest

from drivers.simulated.gantry_motion import GantryMotion, Travel
from drivers.simulated.scenario import Gantry

EXACT = Gantry(
    travel_x_mm=(0.0, 1200.0),
    travel_y_mm=(0.0, 1200.0),
    repeatable_error_mm=0.0,
    random_error_mm=0.0,
    scale_error_percent=0.0,
)


def homed(spec: Gantry = EXACT) -> tuple[GantryMotion, float]:
    gantry = GantryMotion(spec, 450.0, seed=1)
    return gantry, gantry.home(0.0)


@pytest.mark.parametrize(
    ("way_mm", "duration_s"),
    [
        (1000.0, 1000.0 / 200.0 + 200.0 / 500.0),  # trapezoid: s/v + v/a
        (20.0, 2.0 * (20.0 / 500.0) ** 0.5),  # triangle: 2 √(s/a)
        (0.0, 0.0),
    ],
)
def test_travel_time_is_that_of_trapezoidal_motion(way_mm, duration_s):
    assert Travel(way_mm, 200.0, 500.0).duration_s == pytest.approx(duration_s)


def test_way_is_the_integral_of_a_trapezoid():
    travel = Travel(1000.0, 200.0, 500.0)
    # 0.4 s of acceleration cover 40 mm; half of the time, half of the way.
    assert travel.way_mm(0.4) == pytest.approx(40.0)
    assert travel.way_mm(travel.duration_s / 2) == pytest.approx(500.0)
    assert travel.way_mm(travel.duration_s - 0.4) == pytest.approx(960.0)
    assert travel.way_mm(99.0) == 1000.0


def test_move_arrives_when_it_says_and_is_moving_until_then():
    gantry, ready = homed()
    arrival = gantry.move(ready, 600.0, 800.0)
    assert arrival - ready == pytest.approx(1000.0 / 200.0 + 0.4)
    assert gantry.is_moving(ready + 0.1)
    assert gantry.is_moving(arrival - 0.01)
    assert not gantry.is_moving(arrival)
    assert gantry.position(arrival) == gantry.reported(arrival) == (600.0, 800.0, 450.0)
    assert gantry.position((ready + arrival) / 2)[:2] == pytest.approx((300.0, 400.0))


def test_slower_speed_is_obeyed_and_a_faster_one_is_bounded():
    gantry, ready = homed()
    slow = gantry.move(ready, 500.0, 0.0, speed_mm_s=50.0)
    assert slow - ready == pytest.approx(500.0 / 50.0 + 50.0 / 500.0)
    back = gantry.move(slow, 0.0, 0.0, speed_mm_s=9999.0)
    assert back - slow == pytest.approx(500.0 / 200.0 + 200.0 / 500.0)


def test_a_move_ordered_while_moving_waits_for_its_turn():
    gantry, ready = homed()
    first = gantry.move(ready, 600.0, 0.0)
    second = gantry.move(ready + 0.5, 600.0, 600.0)
    assert second - first == pytest.approx(600.0 / 200.0 + 0.4)
    assert gantry.position(first)[:2] == (600.0, 0.0)


def test_before_homing_the_controller_believes_what_is_not_so():
    gantry = GantryMotion(EXACT, 450.0, seed=1)
    assert not gantry.is_homed(0.0)
    arrival = gantry.move(0.0, 100.0, 100.0)
    assert gantry.reported(arrival)[:2] == (100.0, 100.0)
    assert gantry.position(arrival)[:2] == (300.0, 250.0)  # it stood at 200, 150


def test_homing_makes_reported_and_true_agree():
    gantry = GantryMotion(EXACT, 450.0, seed=1)
    ready = gantry.home(2.0)
    assert not gantry.is_homed(ready - 0.1)
    assert gantry.is_homed(ready)
    assert gantry.position(ready) == gantry.reported(ready) == (0.0, 0.0, 450.0)
    # The longest way is 200 mm at 50 mm/s.
    assert ready - 2.0 > 200.0 / 50.0


def test_stop_brakes_within_the_distance_of_its_speed():
    gantry, ready = homed()
    gantry.move(ready, 1000.0, 0.0)
    before = gantry.position(ready + 1.5)
    stands = gantry.stop(ready + 2.0)
    # At 200 mm/s: 0.4 s and 40 mm of braking; 40 + 1.6 · 200 mm were covered.
    assert stands - (ready + 2.0) == pytest.approx(0.4, rel=1e-3)
    assert gantry.position(stands)[0] == pytest.approx(40.0 + 320.0 + 40.0, rel=1e-3)
    assert gantry.position(ready + 1.5) == before
    assert gantry.reported(stands) == pytest.approx(gantry.position(stands))
    assert gantry.is_homed(stands)
    assert gantry.move(stands, 0.0, 0.0) > stands


def test_stop_drops_what_is_queued():
    gantry, ready = homed()
    gantry.move(ready, 500.0, 0.0)
    gantry.move(ready, 500.0, 500.0)
    stands = gantry.stop(ready + 1.0)
    assert gantry.position(stands + 60.0)[1] == 0.0


def test_stop_while_standing_changes_nothing():
    gantry, ready = homed()
    assert gantry.stop(ready + 5.0) == ready + 5.0
    assert gantry.position(ready + 5.0)[:2] == (0.0, 0.0)


def test_homing_cut_short_leaves_the_position_unknown():
    gantry = GantryMotion(EXACT, 450.0, seed=1)
    ready = gantry.home(0.0)
    gantry.stop(ready / 2)
    assert not gantry.is_homed(ready + 60.0)


def test_steps_lost_against_the_end_stay_lost_until_the_next_homing():
    gantry = GantryMotion(EXACT, 450.0, seed=1)
    # Not homed at 200, 150: believed 1100 would be 1300, the end is at 1205.
    gantry.move(0.0, 1100.0, 0.0)
    arrival = gantry.move(0.0, 100.0, 0.0)
    assert gantry.position(arrival)[0] == pytest.approx(1205.0 - 1000.0)
    ready = gantry.home(arrival)
    arrival = gantry.move(ready, 100.0, 0.0)
    assert gantry.position(arrival)[0] == pytest.approx(100.0)


def test_position_error_repeats_in_part_and_varies_in_part():
    spec = attrs.evolve(EXACT, repeatable_error_mm=0.5, random_error_mm=0.1)
    gantry, at = homed(spec)
    found = []
    for _ in range(60):
        at = gantry.move(at, 400.0, 300.0)
        found.append(gantry.position(at)[0] - 400.0)
        at = gantry.move(at, 0.0, 0.0)
    assert statistics.stdev(found) == pytest.approx(0.1, rel=0.3)
    assert 0.05 < abs(statistics.fmean(found)) <= 0.55


def test_height_axis_carries_the_mounting_height():
    spec = attrs.evolve(EXACT, travel_z_mm=(250.0, 900.0))
    gantry = GantryMotion(spec, 450.0, seed=1)
    ready = gantry.home(0.0)
    assert gantry.position(ready)[2] == 900.0
    arrival = gantry.move(ready, z_mm=500.0)
    assert arrival - ready == pytest.approx(400.0 / 20.0 + 20.0 / 500.0)
    assert gantry.position(arrival) == (0.0, 0.0, 500.0)


def test_without_a_height_axis_z_is_left_alone():
    gantry, ready = homed()
    arrival = gantry.move(ready, 0.0, 0.0, 700.0)
    assert gantry.position(arrival)[2] == 450.0
