"""The virtual bench as peers and tests use it."""

import math
import subprocess
import sys

import numpy as np
import pytest
from attrs import evolve

from drivers.simulated import hanging
from drivers.simulated.bench import VirtualBench
from drivers.simulated.lamp import Lamp
from drivers.simulated.scenario import load, packaged
from drivers.simulated.spec import ScenarioError
from tests.drivers.simulated.steady_bench import STEADY, at_point, steady


def everything(bench: VirtualBench) -> list:
    ready = bench.gantry.home(0.0)
    bench.switch_lamp(True, 3.0)
    arrival = bench.gantry.move(ready, 620.0, 480.0)
    said = []
    for t in (arrival, 60.0, 61.0, 600.0, 1800.0):
        said.append(bench.measured_ppfd("light_sensor", t, t + 1.0))
        said.append(bench.measured_ppfd("monitor_sensor", t, t + 1.0))
        said.extend(bench.measured_electrical(t, t + 0.5).values())
    return said


def test_same_seed_same_bench_and_another_seed_another():
    one, same = (VirtualBench.from_scenario(packaged("demo")) for _ in range(2))
    other = VirtualBench.from_scenario(packaged("demo"), seed=99)
    first = everything(one)
    assert first == everything(same)
    assert first != everything(other)


def test_what_is_measured_does_not_depend_on_what_else_is_asked():
    quiet, asked = (VirtualBench.from_scenario(packaged("demo")) for _ in range(2))
    for bench in (quiet, asked):
        bench.switch_lamp(True, 0.0)
    for t in range(0, 400, 3):
        asked.measured_ppfd("monitor_sensor", t, t + 1.0)
        asked.measured_electrical(t, t + 0.2)
        asked.truth.wall_power_w(t + 2.0)
    for t in (400.0, 350.0):
        assert quiet.measured_ppfd("light_sensor", t, t + 1.0) == asked.measured_ppfd(
            "light_sensor", t, t + 1.0
        )
        assert quiet.measured_electrical(t, t + 1.0) == asked.measured_electrical(t, t + 1.0)


def test_a_sensor_without_errors_reads_the_true_map():
    bench = steady()
    t = at_point(bench, 400.0, 700.0)
    true = bench.truth.ppfd_map([400.0], [700.0], t, t + 1.0)
    assert bench.measured_ppfd("light_sensor", t, t + 1.0) == pytest.approx(true[0], rel=1e-12)
    place = bench.scenario.monitor_at_mm
    true = bench.truth.ppfd_map([place[0]], [place[1]], t, t + 1.0)
    assert bench.measured_ppfd("monitor_sensor", t, t + 1.0) == pytest.approx(true[0], rel=1e-12)


def test_delivered_flux_is_the_map_summed_over_a_fine_grid():
    bench = steady()
    at = (np.arange(120) + 0.5) * 10.0
    values = bench.truth.ppfd_map(*np.meshgrid(at, at), 3600.0)
    assert values.shape == (120, 120)
    assert bench.truth.delivered_flux_umol_s(3600.0) == pytest.approx(
        values.mean() * 1.44, rel=1e-4
    )


def test_plane_efficacy_is_delivered_flux_over_wall_power():
    bench = steady()
    assert bench.truth.wall_power_w(3600.0) == pytest.approx(639.0)
    assert bench.truth.plane_efficacy_umol_j(3600.0, 3660.0) == pytest.approx(
        bench.truth.delivered_flux_umol_s(3600.0) / 639.0
    )


def test_ambient_light_is_measured_lamp_on_or_off_and_is_not_in_the_truth():
    dark = steady(ambient_umol_m2_s=2.0)
    dark.switch_lamp(False, 0.0)
    dark.gantry.home(0.0)
    said = dark.measured_ppfd("light_sensor", 30.0, 31.0)
    assert said == pytest.approx(2.0, rel=0.15)
    assert dark.truth.ppfd_map([600.0], [600.0], 30.0)[0] == 0.0


def test_a_slow_sensor_follows_a_step_of_light_with_its_time_constant():
    bench = steady(errors={"light_sensor": {"time_constant_s": 2.0}})
    t = at_point(bench, 600.0, 600.0)
    full = bench.measured_ppfd("light_sensor", t, t)
    bench.switch_lamp(False, t)
    assert bench.measured_ppfd("light_sensor", t + 2.0, t + 2.0) / full == pytest.approx(
        math.exp(-1.0), rel=1e-6
    )
    # Mean of exp(-t/2) over the second from 2 s to 3 s.
    mean = 2.0 * (math.exp(-1.0) - math.exp(-1.5))
    assert bench.measured_ppfd("light_sensor", t + 2.0, t + 3.0) / full == pytest.approx(
        mean, rel=1e-3
    )


def test_a_slow_sensor_read_too_soon_after_a_move_still_says_part_of_the_old_place():
    errors = {"light_sensor": {"time_constant_s": 1.0}}
    bench = steady(errors=errors)
    t = at_point(bench, 100.0, 100.0)
    corner = bench.measured_ppfd("light_sensor", t, t + 1.0)
    arrival = bench.gantry.move(t + 1.0, 600.0, 600.0)
    soon = bench.measured_ppfd("light_sensor", arrival, arrival + 0.5)
    later = bench.measured_ppfd("light_sensor", arrival + 20.0, arrival + 20.5)
    assert corner < soon < 0.95 * later
    assert later == pytest.approx(
        bench.truth.ppfd_map([600.0], [600.0], arrival + 20.0)[0], rel=1e-6
    )


def test_a_reading_while_moving_averages_the_way():
    bench = steady()
    t = at_point(bench, 0.0, 600.0)
    arrival = bench.gantry.move(t, 1200.0, 600.0)
    times = np.linspace(t, arrival, 4001)
    way = np.array([bench.gantry.position(s)[0] for s in times])
    expected = np.mean(bench.truth.ppfd_map(way, np.full_like(way, 600.0), arrival))
    assert bench.measured_ppfd("light_sensor", t, arrival) == pytest.approx(expected, rel=2e-3)


def test_each_hanging_is_a_new_installation_that_repeats_only_nearly():
    spread = {"position_sd_mm": 3.0, "height_sd_mm": 2.0, "flux_sd_percent": 0.5}
    bench = steady(installation=spread)
    flux = []
    for n in range(12):
        bench.hang("Meadow", 450.0, 100.0 * n)
        flux.append(bench.truth.delivered_flux_umol_s(100.0 * n + 50.0))
    assert len(set(flux)) == 12
    assert 0.002 < np.std(flux) / np.mean(flux) < 0.01


@pytest.mark.parametrize(
    ("spread", "middle", "tilt"),
    [
        # 2 mm of 450 mm move the light in the middle by about 2 · 2/450 of its direct part.
        ({"height_sd_mm": 2.0}, (0.003, 0.015), (0.0, 1e-9)),
        # Moved sideways, one side gains what the other loses; the middle, being flat, hardly.
        ({"position_sd_mm": 3.0}, (0.0, 0.0005), (0.004, 0.05)),
    ],
)
def test_what_a_hanging_does_not_repeat_shows_where_it_must(spread, middle, tilt):
    bench = steady(
        installation=STEADY["installation"] | spread, area={"wall_reflectance": [0.5] * 4}
    )
    values = []
    for n in range(12):
        bench.hang("Meadow", 450.0, 100.0 * n)
        x, y = np.array([600.0, 300.0, 900.0]), np.full(3, 600.0)
        values.append(bench.truth.ppfd_map(x, y, 100.0 * n + 50.0))
    centre, west, east = np.array(values).T
    assert middle[0] <= centre.std() / centre.mean() <= middle[1]
    assert tilt[0] <= (west / east).std() <= tilt[1]


def test_a_window_before_a_rehang_still_belongs_to_the_device_that_hung_then():
    bench = steady()
    t = at_point(bench, 600.0, 600.0)
    before = bench.measured_ppfd("light_sensor", t, t + 1.0)
    bench.hang("Terrace", 600.0, t + 30.0)
    assert bench.measured_ppfd("light_sensor", t, t + 1.0) == before
    assert bench.measured_ppfd("light_sensor", t + 40.0, t + 41.0) < 0.95 * before


def test_mounting_height_follows_the_height_axis():
    gantry = STEADY["gantry"] | {"travel_z_mm": [250.0, 900.0]}
    bench = steady(gantry=gantry)
    arrival = bench.gantry.move(bench.gantry.home(0.0), 600.0, 600.0, 400.0)
    low = bench.truth.ppfd_map([600.0], [600.0], arrival)[0]
    up = bench.gantry.move(arrival, 600.0, 600.0, 600.0)
    high = bench.truth.ppfd_map([600.0], [600.0], up)[0]
    under_way = bench.measured_ppfd("light_sensor", (arrival + up) / 2, (arrival + up) / 2 + 0.2)
    assert high < under_way < low
    hung = steady()
    hung.hang("Meadow", 600.0, 1.0)
    assert high == pytest.approx(hung.truth.ppfd_map([600.0], [600.0], 3600.0)[0], rel=1e-3)


def test_hanging_where_a_lid_is_in_the_way_is_refused():
    bench = steady(area={"above": "lid", "above_reflectance": 0.5})
    with pytest.raises(ValueError, match="at most 1100 mm"):
        bench.hang("Meadow", 1150.0)
    with pytest.raises(ScenarioError, match="no device 'Nobody'"):
        bench.hang("Nobody", 400.0)


def test_the_meter_lengthens_a_short_window_to_its_own_averaging():
    bench = steady(errors={"power_meter": {"averaging_s": 2.0}})
    bench.switch_lamp(False, 100.0)
    assert bench.measured_electrical(100.5, 101.0)["wall_power_w"] == pytest.approx(
        639.0 / 2.0, rel=1e-6
    )


def test_lamp_is_stepped_once_however_often_it_is_asked(monkeypatch):
    steps = 0
    step = Lamp.step

    def counted(self, *args, **kwargs):
        nonlocal steps
        steps += 1
        return step(self, *args, **kwargs)

    monkeypatch.setattr(Lamp, "step", counted)
    bench = steady()
    for _ in range(5):
        for t in range(600):
            bench.measured_electrical(t, t + 1.0)
    assert steps <= 4 * 600 + 4


def test_light_fields_are_computed_once_for_each_hanging_and_height(monkeypatch):
    made = {"room": 0, "field": 0}
    room, field = hanging.Room, hanging.LightField

    def counted_room(*args, **kwargs):
        made["room"] += 1
        return room(*args, **kwargs)

    def counted_field(*args, **kwargs):
        made["field"] += 1
        return field(*args, **kwargs)

    monkeypatch.setattr(hanging, "Room", counted_room)
    monkeypatch.setattr(hanging, "LightField", counted_field)
    for kept in (hanging._room, hanging._light_field):
        kept.cache_clear()
    bench = VirtualBench.from_scenario(packaged("demo"))
    bench.switch_lamp(True, 0.0)
    for n in range(3):
        bench.hang("Meadow", 400.0 + 50.0 * n, 100.0 * n)
        for t in range(100 * n + 10, 100 * n + 60):
            bench.measured_ppfd("light_sensor", t, t + 1.0)
            bench.measured_ppfd("monitor_sensor", t, t + 1.0)
    # The room under an open top is one for all; one field at the start and one a hanging.
    assert made == {"room": 1, "field": 4}
    # Built again, it finds its light computed; over another floor it is another light.
    made_of, errors = load(packaged("demo"))
    area = evolve(made_of.area, floor_reflectance=0.0)
    same, other = VirtualBench(made_of, errors), VirtualBench(evolve(made_of, area=area), errors)
    assert made == {"room": 2, "field": 5}
    for lit in (same, other):
        lit.switch_lamp(True, 0.0)
    assert other.truth.delivered_flux_umol_s(900.0) < same.truth.delivered_flux_umol_s(900.0)


def test_importing_the_bench_loads_nothing_heavier_than_numpy():
    code = (
        "import sys, drivers.simulated.bench\n"
        "print(sorted({'scipy', 'pandas', 'matplotlib', 'cattrs'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"


def test_a_window_that_begins_before_the_bench_counts_from_its_beginning():
    bench = steady()
    assert bench.measured_electrical(-1.0, 1.0)["wall_power_w"] == pytest.approx(639.0)
    bench.measured_ppfd("monitor_sensor", -1.0, 1.0)


def test_what_is_no_longer_kept_is_refused_and_not_invented():
    bench = steady()
    bench.truth.wall_power_w(14 * 3600.0)
    with pytest.raises(ValueError, match="no longer kept"):
        bench.truth.wall_power_w(10.0)
    with pytest.raises(ValueError, match="before the newest time"):
        bench.switch_lamp(False, 10.0)
