"""Walls, facets, heights and the angular response of the sensor, seen on the plane."""

import math

import numpy as np
import pytest
from scipy import integrate

from drivers.simulated.bench import VirtualBench
from drivers.simulated.light_field import LightField, Room
from drivers.simulated.scenario import packaged
from drivers.simulated.sensor_errors import LightSensorErrors
from drivers.simulated.sources import Source
from tests.drivers.simulated.steady_bench import STEADY, at_point, content, steady


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
