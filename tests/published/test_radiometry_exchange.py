"""Exchange between walls against closed forms and against brute-force integration.

Expected values: closed forms (names from memory: Howell C-11, C-14) checked by numerical
integration with scipy to 1e-12; the cubes by a linear solve and by closure. Status of all:
computed independently of this project. They treat each face as one patch.
"""

import numpy as np
import pytest

from drivers.simulated.light_field import LightField, Room
from drivers.simulated.radiosity import Box, parallel_exchange, perpendicular_exchange
from drivers.simulated.scenario import Area, Device, Distribution
from drivers.simulated.sources import Source


@pytest.mark.parametrize(
    ("sides", "gap", "factor"),
    [
        ((1.0, 1.0), 1.0, 0.199824895698),
        ((2.0, 2.0), 1.0, 0.415253283577),
        ((1.0, 2.0), 1.0, 0.285875384851),
    ],
)
def test_parallel_rectangles(sides, gap, factor):
    exchange = parallel_exchange((1, 1), sides, gap)[0, 0]
    assert exchange / (sides[0] * sides[1]) == pytest.approx(factor, abs=1e-11)


def test_perpendicular_squares_with_a_common_edge():
    exchange = perpendicular_exchange((1, 1, 1), (1.0, 1.0, 1.0))[0, 0, 0]
    assert exchange == pytest.approx(0.200043776075, abs=1e-11)


@pytest.mark.parametrize("counts", [(1, 1, 1), (3, 4, 5), (8, 8, 8)])
def test_each_patch_of_a_closed_box_sees_the_box_and_nothing_else(counts):
    box = Box((1.2, 0.9, 0.7), counts)
    assert box.exchange_m2.sum(axis=1) / box.area_m2 == pytest.approx(1.0, abs=1e-12)
    assert box.exchange_m2 == pytest.approx(box.exchange_m2.T, abs=0.0)


def test_patches_apart_exchange_what_integration_over_both_gives():
    # Independent route: four-fold Gauss-Legendre integration of cos·cos / (π r²).
    box = Box((1.2, 0.9, 0.7), (3, 3, 2))
    faces = {f.name: f for f in box.faces.values()}
    for first, second in (
        ("floor", "ceiling"),
        ("floor", "east"),
        ("ceiling", "north"),
        ("west", "south"),
        ("east", "north"),
        ("west", "east"),
    ):
        a, b = box.points(first, 20), box.points(second, 20)
        for i in range(len(a)):
            j = (5 * i + 2) % len(b)
            apart = b[j][None, :, :] - a[i][:, None, :]
            square = (apart**2).sum(axis=2)
            if square.min() < 0.02:
                continue  # touching patches: the plain rule does not converge there
            kernel = (apart @ faces[first].normal) * -(apart @ faces[second].normal) / square**2
            area_a = box.area_m2[faces[first].patches][i]
            area_b = box.area_m2[faces[second].patches][j]
            expected = kernel.mean() / np.pi * area_a * area_b
            got = box.exchange_m2[faces[first].patches, faces[second].patches][i, j]
            assert got == pytest.approx(expected, rel=2e-3), (first, second, i, j)


@pytest.mark.parametrize(
    ("rho", "floor"), [(0.5, 0.363491652), (0.8, 0.861938838), (0.9, 1.694789501)]
)
def test_cube_with_a_glowing_ceiling_and_all_faces_reflecting(rho, floor):
    coarse, total = _cube(1, dict.fromkeys(Box((1, 1, 1), (1, 1, 1)).faces, rho))
    assert coarse == pytest.approx(floor, abs=1e-9)
    assert total == pytest.approx(1.0 / (1.0 - rho), rel=1e-12)


@pytest.mark.parametrize(
    ("rho", "floor"),
    [
        (0.0, 0.199824896),
        (0.5, 0.314153495),
        (0.8, 0.446053344),
        (0.9, 0.512951789),
        (1.0, 0.599912448),
    ],
)
def test_cube_with_reflecting_walls_only(rho, floor):
    coarse, _ = _cube(1, dict.fromkeys(("west", "east", "south", "north"), rho))
    assert coarse == pytest.approx(floor, abs=1e-9)


def test_cube_settles_as_the_patches_become_smaller():
    # One patch a face is coarse: the cube's published value is of that model. Halving the
    # patches brings ever smaller changes, by about four each time.
    walls = dict.fromkeys(("west", "east", "south", "north"), 0.8)
    floors = [_cube(n, walls)[0] for n in (1, 2, 4, 8)]
    steps = np.abs(np.diff(floors))
    assert steps[1] < steps[0] / 2.0
    assert steps[2] < steps[1] / 2.0
    assert steps[2] < 0.01 * floors[-1]


def test_total_light_of_a_closed_box_is_kept_at_any_division():
    for n in (1, 3, 7):
        _, total = _cube(n, dict.fromkeys(Box((1, 1, 1), (1, 1, 1)).faces, 0.85))
        assert total == pytest.approx(1.0 / 0.15, rel=1e-12)


def test_plane_under_reflecting_walls_settles_as_the_patches_become_smaller():
    # The numbers that the docstring of light_field claims.
    area = Area(
        width_mm=1200.0,
        depth_mm=1200.0,
        wall_height_mm=1100.0,
        wall_reflectance=(0.85,) * 4,
        floor_reflectance=0.25,
    )
    device = Device(
        name="reflector",
        efficiency=1.0,
        aperture_x_mm=450.0,
        aperture_y_mm=350.0,
        distribution=Distribution(exponent_x=1.2, exponent_y=1.0),
    )
    x = np.array([600.0, 70.0, 70.0, 300.0, 70.0, 0.0, 0.0])
    y = np.array([600.0, 600.0, 70.0, 300.0, 300.0, 600.0, 200.0])

    def view(fineness: float):
        room = Room(area, device, 0.45, fineness=fineness)
        return LightField(room, Source(device), (0.6, 0.6, 0.45)).view()

    usual, fine = view(1.0), view(2.0)
    assert usual.flux_share() == pytest.approx(fine.flux_share(), rel=2e-3)
    assert usual.at(x[:5], y[:5]) == pytest.approx(fine.at(x[:5], y[:5]), rel=5e-3)
    assert usual.at(x[5:], y[5:]) == pytest.approx(fine.at(x[5:], y[5:]), rel=4e-2)


def _cube(count: int, reflectances: dict[str, float]) -> tuple[float, float]:
    """Return mean irradiance of the floor and of all faces summed, ceiling glowing with 1."""
    box = Box((1.0, 1.0, 1.0), (count, count, count))
    reflectance = np.zeros(len(box.area_m2))
    glow = np.zeros(len(box.area_m2))
    for name, rho in reflectances.items():
        reflectance[box.faces[name].patches] = rho
    glow[box.faces["ceiling"].patches] = 1.0
    settled = box.balance(reflectance, np.zeros(len(glow)), glow)
    floor = settled.irradiance[box.faces["floor"].patches].mean()
    return float(floor), float((settled.irradiance * box.area_m2).sum())
