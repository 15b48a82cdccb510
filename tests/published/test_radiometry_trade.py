"""Facts of the trade in which the virtual bench must land.

The facts: plane efficacy of about 1.2 to 1.35 µmol/J for a conventional 600 W high-pressure
sodium lamp in a good reflector, 40 to 50 cm above some 1.2 m × 1.2 m between reflective
walls; a round reflector over a square loses light into the corners. Common practice, no
source. The inputs are those first chosen from the table's sources. They were not blind: a reflector
efficiency of 0.80 was tried as well, gave 1.17 µmol/J at 50 cm, and was put back to 0.85.

=====================  ==============  =====================================================
input                  value           source
=====================  ==============  =====================================================
lamp flux              1097.6 µmol/s   90 000 lm (common practice, no source) ÷ 82 lx per
                                       µmol m⁻² s⁻¹ (Thimijan & Heins 1983, from memory)
lamp power             600 W           its rating
electronic ballast     6.5 % of lamp   common practice, no source
reflector efficiency   0.85            common practice, no source
aperture               450 × 350 mm    common practice, no source
distribution           near-Lambert    common practice, no source
walls                  0.825           flat white 75 to 90 %: trade magazine, low; the middle
floor                  0.20            plants and tray; common practice, no source
above                  open            lamp hangs free
=====================  ==============  =====================================================
"""

import attrs
import numpy as np
import pytest

from drivers.simulated.light_field import FloorView, LightField, Room
from drivers.simulated.scenario import Area, Device, Distribution
from drivers.simulated.sources import Source

LAMP_UMOL_S = 90_000.0 / 82.0
WALL_POWER_W = 600.0 * 1.065
GOOD = Device(
    name="good",
    efficiency=0.85,
    aperture_x_mm=450.0,
    aperture_y_mm=350.0,
    distribution=Distribution(exponent_x=1.2, exponent_y=1.0),
)
WHITE = Area(
    width_mm=1200.0,
    depth_mm=1200.0,
    wall_height_mm=1100.0,
    wall_reflectance=(0.825,) * 4,
    floor_reflectance=0.20,
)
BLACK = attrs.evolve(WHITE, wall_reflectance=(0.03,) * 4)


def plane(device: Device, area: Area, height_m: float) -> FloorView:
    room = Room(area, device, height_m)
    return LightField(room, Source(device), (0.6, 0.6, height_m)).view()


def plane_efficacy(device: Device, area: Area, height_m: float) -> float:
    share = plane(device, area, height_m).flux_share()
    return share * device.efficiency * LAMP_UMOL_S / WALL_POWER_W


@pytest.mark.parametrize("height_m", [0.40, 0.45, 0.50])
def test_plane_efficacy_lands_where_the_trade_finds_it(height_m):
    assert 1.20 <= plane_efficacy(GOOD, WHITE, height_m) <= 1.35


def test_black_walls_and_twenty_centimetres_more_cost_what_they_must():
    usual = plane_efficacy(GOOD, WHITE, 0.45)
    black = plane_efficacy(GOOD, BLACK, 0.45)
    black_high = plane_efficacy(GOOD, BLACK, 0.65)
    assert black_high < black < usual
    # With walls that return next to nothing, what arrives is what goes straight. A Lambertian
    # point source sends these shares onto the square (closed form of the first test of
    # test_radiometry_point_source, worked by hand for these heights): 0.687 and 0.515.
    bare = GOOD.efficiency * LAMP_UMOL_S / WALL_POWER_W
    assert black / bare == pytest.approx(0.687, rel=0.03)
    assert black_high / bare == pytest.approx(0.515, rel=0.03)


def test_a_large_square_hood_hangs_lower_than_a_large_round_one():
    # The trade says 5 to 10 cm (common practice, no source). With equal light by angle the larger
    # opening alone gives 2.6 to 3.8 cm for the same highest PPFD; that square hoods also throw
    # their light wider is not modelled here, so only the direction is held, and no more claimed.
    both = Device(
        name="round",
        efficiency=0.8,
        aperture_x_mm=600.0,
        outline="round",
        distribution=Distribution(exponent_x=1.0, exponent_y=1.0),
    )
    round_one, square_one = both, attrs.evolve(both, outline="rectangle", aperture_y_mm=600.0)
    at = (np.arange(9) + 0.5) / 9 * 1200.0
    x, y = (v.ravel() for v in np.meshgrid(at, at))
    for height_m in (0.4, 0.6):
        allowed = plane(round_one, WHITE, height_m).at(x, y).max()
        assert plane(square_one, WHITE, height_m - 0.02).at(x, y).max() < allowed
        assert plane(square_one, WHITE, height_m - 0.10).at(x, y).max() > allowed


def test_walls_matter_more_the_higher_the_lamp():
    # A rough calculation made beforehand (computed, no published source, not checked) found the
    # plane's mean from 0.4 to 0.8 m down to 56 % between black walls and to 88 % between
    # mirror-like ones of 0.8; diffuse walls send part of it back up, so they keep less. Only
    # the order is certain.
    kept = {
        rho: plane_efficacy(GOOD, attrs.evolve(WHITE, wall_reflectance=(rho,) * 4), 0.8)
        / plane_efficacy(GOOD, attrs.evolve(WHITE, wall_reflectance=(rho,) * 4), 0.4)
        for rho in (0.0, 0.6, 0.8, 0.9)
    }
    values = list(kept.values())
    assert values == sorted(values)
    assert kept[0.0] == pytest.approx(0.56, abs=0.05)
    assert 0.70 < kept[0.8] < 0.90


def test_a_round_reflector_over_a_square_loses_light_into_the_corners():
    # The same light by angle, once round, once squared to the plane: 25 % more intensity
    # towards the corners and as much less towards the sides.
    theta = (0.0, 30.0, 45.0, 60.0, 75.0, 90.0)
    by_angle = np.array([1.0, 1.05, 0.9, 0.45, 0.12, 0.0])
    towards = {0.0: 0.8, 45.0: 1.25, 90.0: 0.8}
    squared = np.concatenate(
        [by_angle * np.where(np.array(theta) > 35.0, f, 1.0) for f in towards.values()]
    )
    round_one = Device(
        name="round",
        efficiency=0.8,
        outline="round",
        aperture_x_mm=420.0,
        distribution=Distribution(theta_deg=theta, intensity=tuple(by_angle)),
    )
    square_one = Device(
        name="square",
        efficiency=0.8,
        aperture_x_mm=372.0,
        aperture_y_mm=372.0,
        distribution=Distribution(
            theta_deg=theta, phi_deg=tuple(towards), intensity=tuple(squared)
        ),
    )
    at = (np.arange(9) + 0.5) / 9 * 1200.0
    x, y = (v.ravel() for v in np.meshgrid(at, at))
    relative, delivered = {}, {}
    for device in (round_one, square_one):
        field = plane(device, BLACK, 0.5)
        values = field.at(x, y).reshape(9, 9)
        corners = values[[0, 0, -1, -1], [0, -1, 0, -1]].mean()
        relative[device.name] = corners / values.mean()
        delivered[device.name] = field.flux_share()
    assert relative["round"] < 0.4
    assert relative["round"] < 0.9 * relative["square"]
    assert delivered["round"] < delivered["square"]
