"""The virtual bench as peers and tests use it."""

import math
import subprocess
import sys
import tomllib

import numpy as np
import pytest
from scipy import integrate

from drivers.simulated import hanging
from drivers.simulated.bench import VirtualBench
from drivers.simulated.lamp import Lamp
from drivers.simulated.light_field import LightField, Room
from drivers.simulated.scenario import packaged
from drivers.simulated.sensor_errors import LightSensorErrors
from drivers.simulated.sources import Source
from drivers.simulated.spec import ScenarioError


def content(name: str = "demo", **tables):
    """Return a packaged scenario as a dictionary, some of its tables added to."""
    whole = tomllib.loads(packaged(name).read_text(encoding="utf-8")) | {"errors": ""}
    for key, value in tables.items():
        known = whole.get(key)
        whole[key] = known | value if isinstance(known, dict) else value
    return whole


STEADY = {
    "lamp": {
        "strike_light": 1.0,
        "strike_power": 1.0,
        "creep_light_percent": 0.0,
        "creep_power_percent": 0.0,
        "wander_light_percent": 0.0,
        "wander_power_percent": 0.0,
        "hours": 100.0,
    },
    "mains": {
        "mean_v": 230.0,
        "slow_percent": 0.0,
        "fast_percent": 0.0,
        "ramp_percent_per_hour": 0.0,
    },
    "gantry": {"repeatable_error_mm": 0.0, "random_error_mm": 0.0, "scale_error_percent": 0.0},
    "installation": {"position_sd_mm": 0.0, "height_sd_mm": 0.0, "flux_sd_percent": 0.0},
    "ambient_umol_m2_s": 0.0,
}


def steady(**more) -> VirtualBench:
    bench = VirtualBench.from_scenario(content(**(STEADY | more)))
    bench.gantry.home(0.0)
    bench.switch_lamp(True, 0.0)
    return bench


def at_point(bench: VirtualBench, x_mm: float, y_mm: float) -> float:
    arrival = bench.gantry.move(bench.gantry.home(0.0), x_mm, y_mm)
    return math.ceil(arrival) + 60.0


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
    dark = VirtualBench.from_scenario(content(**(STEADY | {"ambient_umol_m2_s": 2.0})))
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


def test_cosine_error_changes_what_is_seen_as_the_light_comes_in():
    curve = {"cosine_theta_deg": [0.0, 90.0], "cosine_error_percent": [0.0, -18.0]}
    bench = steady(errors={"light_sensor": curve})
    loss = {}
    for x in (600.0, 60.0):
        t = at_point(bench, x, 600.0)
        true = bench.truth.ppfd_map([x], [600.0], t)[0]
        loss[x] = 1.0 - bench.measured_ppfd("light_sensor", t, t + 1.0) / true
    assert 0.0 < loss[600.0] < 0.09
    assert loss[60.0] > 1.5 * loss[600.0]


def test_response_over_a_uniform_hemisphere_is_its_cosine_weighted_mean():
    # Independent route: ∫ response · 2 sin cos over the hemisphere, by scipy.
    bench = steady()
    errors = LightSensorErrors(
        cosine_theta_deg=(0.0, 30.0, 60.0, 90.0), cosine_error_percent=(1.0, -1.0, -4.0, -20.0)
    )

    def weighted(theta: float) -> float:
        response = float(errors.relative_response(np.array([math.cos(theta)]))[0])
        return 2.0 * math.sin(theta) * math.cos(theta) * response

    expected, _ = integrate.quad(weighted, 0.0, math.pi / 2.0, limit=200)
    room = Room(bench.scenario.area, bench.scenario.devices[0], 0.45)
    glow = np.ones(len(room.box.area_m2))
    seen = room.indirect(glow, errors.relative_response)
    true = room.indirect(glow, None)
    middle = np.polynomial.chebyshev.chebval2d(0.0, 0.0, seen)
    assert np.polynomial.chebyshev.chebval2d(0.0, 0.0, true) == pytest.approx(1.0, abs=1e-3)
    assert middle == pytest.approx(expected, abs=2e-3)


def test_a_flat_error_of_response_scales_direct_and_indirect_alike():
    curve = {"cosine_theta_deg": [0.0, 90.0], "cosine_error_percent": [-5.0, -5.0]}
    bench = steady(errors={"light_sensor": curve})
    t = at_point(bench, 200.0, 300.0)
    true = bench.truth.ppfd_map([200.0], [300.0], t, t + 1.0)[0]
    assert bench.measured_ppfd("light_sensor", t, t + 1.0) == pytest.approx(0.95 * true, rel=1e-9)


def test_gathered_irradiance_agrees_with_that_of_the_floors_patches():
    # Two routes to the same: closed forms to points, and exchange between patches.
    bench = steady()
    area, device = bench.scenario.area, bench.scenario.devices[0]
    room = Room(area, device, 0.45)
    rng = np.random.default_rng(3)
    first = np.zeros(len(room.box.area_m2))
    for name in ("west", "east", "south", "north"):
        face = room.box.faces[name]
        up = np.tile(np.linspace(1.0, 0.2, face.shape[1]), face.shape[0])
        first[face.patches] = up * rng.uniform(0.5, 1.0)
    settled = room.box.balance(room.reflectance, first)
    floor = room.box.faces["floor"]
    by_patch = settled.irradiance[floor.patches]
    view = LightField(room, Source(device), (0.6, 0.6, 0.45)).view()
    view._coefficients = room.indirect(settled.radiosity, None)
    points = room.box.points("floor", 4) * 1000.0
    gathered = view.indirect(points[..., 0].ravel(), points[..., 1].ravel())
    gathered = gathered.reshape(by_patch.shape[0], -1).mean(axis=1)
    assert gathered.mean() == pytest.approx(by_patch.mean(), rel=3e-3)
    assert gathered == pytest.approx(by_patch, rel=2e-2)


@pytest.mark.parametrize(("above", "more"), [("lid", 0.8), ("reflector", 0.8)])
def test_what_lies_above_sends_light_back(above, more):
    def flux(area: dict) -> float:
        return steady(area=area).truth.delivered_flux_umol_s(3600.0)

    open_top = flux({"above": "open"})
    assert flux({"above": above, "above_reflectance": more}) > 1.01 * open_top
    if above == "lid":
        assert flux({"above": above}) == pytest.approx(open_top)


def test_black_walls_lose_the_spill():
    def flux(walls: float) -> float:
        area = {"wall_reflectance": [walls] * 4, "floor_reflectance": 0.0}
        return steady(area=area).truth.delivered_flux_umol_s(3600.0)

    assert flux(0.0) < 0.85 * flux(0.85)


def test_a_facet_throws_a_hot_spot_of_two_cells():
    smooth, faceted = (
        VirtualBench.from_scenario(content(**STEADY), device="Terrace") for _ in range(2)
    )
    plain = content(**STEADY)
    for device in plain["devices"]:
        device["lobes"] = []
    smooth = VirtualBench.from_scenario(plain, device="Terrace")
    at = (np.arange(9) + 0.5) / 9 * 1200.0
    maps = []
    for bench in (smooth, faceted):
        bench.switch_lamp(True, 0.0)
        maps.append(bench.truth.ppfd_map(*np.meshgrid(at, at), 3600.0))
    excess = maps[1] / maps[0] - 1.0
    assert 0.08 < excess.max() < 0.3
    assert 2 <= (excess > 0.05).sum() <= 5
    # The light of the facet is taken from the rest, not added.
    assert excess.min() == pytest.approx(-0.01, abs=0.002)
    shares = [b.truth.delivered_flux_umol_s(3600.0) for b in (smooth, faceted)]
    assert shares[1] == pytest.approx(shares[0], rel=0.006)


@pytest.mark.parametrize("height_mm", [400.0, 500.0])
def test_demo_devices_differ_as_the_demo_says(height_mm):
    flux, spread = {}, {}
    at = (np.arange(9) + 0.5) / 9 * 1200.0
    for name in ("Meadow", "Orchard", "Terrace"):
        bench = VirtualBench.from_scenario(packaged("demo"), device=name)
        bench.hang(name, height_mm)
        bench.switch_lamp(True, 0.0)
        flux[name] = bench.truth.delivered_flux_umol_s(3000.0, 3600.0)
        values = bench.truth.ppfd_map(*np.meshgrid(at, at), 3000.0)
        spread[name] = values.std() / values.mean()
    assert flux["Orchard"] / flux["Meadow"] == pytest.approx(1.07, abs=0.005)
    assert flux["Terrace"] / flux["Meadow"] == pytest.approx(1.0, abs=0.003)
    assert abs(spread["Terrace"] / spread["Meadow"] - 1.0) > 0.02


def test_lower_is_brighter_in_the_middle_and_less_even():
    bench = steady()
    at = (np.arange(9) + 0.5) / 9 * 1200.0
    found = {}
    for height in (400.0, 600.0):
        bench.hang("Meadow", height, 10.0 * height)
        values = bench.truth.ppfd_map(*np.meshgrid(at, at), 10.0 * height)
        found[height] = values.max(), values.min() / values.mean()
    assert found[400.0][0] > found[600.0][0]
    assert found[400.0][1] < found[600.0][1]


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
    bench = VirtualBench.from_scenario(packaged("demo"))
    bench.switch_lamp(True, 0.0)
    for n in range(3):
        bench.hang("Meadow", 400.0 + 50.0 * n, 100.0 * n)
        for t in range(100 * n + 10, 100 * n + 60):
            bench.measured_ppfd("light_sensor", t, t + 1.0)
            bench.measured_ppfd("monitor_sensor", t, t + 1.0)
    # The room under an open top is one for all; one field at the start and one a hanging.
    assert made == {"room": 1, "field": 4}


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


def test_a_streak_is_narrow_across_and_long_along():
    whole = content(**STEADY)
    whole["devices"][0]["lobes"] = [
        {"share": 0.03, "theta_deg": 0.0, "length_deg": 30.0, "width_deg": 3.0, "turn_deg": 90.0}
    ]
    plain, streaked = steady(), VirtualBench.from_scenario(whole)
    streaked.switch_lamp(True, 0.0)
    x = np.array([600.0, 600.0, 500.0, 700.0])
    y = np.array([600.0, 900.0, 600.0, 600.0])
    excess = streaked.truth.ppfd_map(x, y, 3600.0) / plain.truth.ppfd_map(x, y, 3600.0)
    # Along y, from which it is turned 90° out of x; beside it only what was taken is missing.
    assert excess[:2].min() > 1.05
    assert excess[2:].max() < 1.0


def test_what_is_no_longer_kept_is_refused_and_not_invented():
    bench = steady()
    bench.truth.wall_power_w(14 * 3600.0)
    with pytest.raises(ValueError, match="no longer kept"):
        bench.truth.wall_power_w(10.0)
    with pytest.raises(ValueError, match="before the newest time"):
        bench.switch_lamp(False, 10.0)
