"""The direct light field against closed forms.

Expected values: closed forms (names from memory: Howell B-4, C-11, C-41; cosine-fourth law),
which were checked by numerical integration with scipy to 1e-12. Status of all: computed
independently of this project.
"""

import numpy as np
import pytest
from scipy import integrate

from drivers.simulated.light_field import LightField, Room
from drivers.simulated.scenario import Area, Device, Distribution, Lobe
from drivers.simulated.sources import Intensity, LobeIntensity, Source

SIDE_MM = 1200.0
BLACK = Area(
    width_mm=SIDE_MM,
    depth_mm=SIDE_MM,
    wall_height_mm=1300.0,
    wall_reflectance=(0.0,) * 4,
    floor_reflectance=0.0,
)


def point(exponent: float, **more: float) -> Device:
    return Device(
        name="point",
        efficiency=1.0,
        outline="point",
        distribution=Distribution(exponent_x=exponent),
        **more,
    )


def view(device: Device, height_m: float):
    place = (0.6 + device.offset_x_mm / 1000.0, 0.6 + device.offset_y_mm / 1000.0, height_m)
    return LightField(Room(BLACK, device, height_m), Source(device), place).view()


def cell_centres(count: int) -> tuple[np.ndarray, np.ndarray]:
    at = (np.arange(count) + 0.5) / count * SIDE_MM
    x, y = np.meshgrid(at, at)
    return x.ravel(), y.ravel()


@pytest.mark.parametrize(
    ("height_m", "fraction"),
    [(0.6, 0.554126423980), (0.9, 0.357684746630), (1.2, 0.239456470461)],
)
def test_share_of_a_lambertian_point_source_on_a_square(height_m, fraction):
    assert view(point(1.0), height_m).flux_share() == pytest.approx(fraction, abs=1e-9)


def test_share_of_an_offset_lambertian_point_source():
    device = point(1.0, offset_x_mm=200.0, offset_y_mm=100.0)
    assert view(device, 0.6).flux_share() == pytest.approx(0.523643317242, abs=1e-9)


def test_share_of_an_isotropic_source_is_the_solid_angle():
    # 1/6 of a full sphere; our source sends all of its light into the lower half: twice that.
    assert view(point(0.0), 0.6).flux_share() == pytest.approx(2.0 / 6.0, abs=1e-8)


@pytest.mark.parametrize(("exponent", "share"), [(1, 0.5), (2, 0.646446609407), (3, 0.75)])
def test_share_of_a_cosine_power_on_a_disc_as_wide_as_high(exponent, share):
    got = _share_on_disc(Source(point(float(exponent))), radius_m=1.0, height_m=1.0)
    assert got == pytest.approx(share, abs=1e-9)


def test_irradiance_follows_the_cosine_fourth_law():
    r_mm = np.array([0.0, 300.0, 600.0, 848.528137423857])
    # Along the diagonal, so that the last one is the corner.
    along = 600.0 + r_mm / np.sqrt(2.0)
    got = 1000.0 * view(point(1.0), 0.6).at(along, along)
    assert got == pytest.approx([884.194128, 565.884242, 221.048532, 98.243792], abs=2e-6)


@pytest.mark.parametrize(
    ("count", "error_percent"), [(4, 1.6161), (8, 0.41044), (16, 0.10279), (64, 0.00643)]
)
def test_cell_centre_sum_errs_as_the_midpoint_rule_does(count, error_percent):
    field = view(point(1.0), 0.6)
    mean = field.at(*cell_centres(count)).mean()
    exact = field.flux_share() / 1.44
    assert 100.0 * (mean / exact - 1.0) == pytest.approx(error_percent, abs=6e-5)


def test_eight_by_eight_mean_is_the_published_one():
    mean = 1000.0 * view(point(1.0), 0.6).at(*cell_centres(8)).mean()
    assert mean == pytest.approx(386.389448, abs=1e-6)


def test_edge_inclusive_plain_mean_reads_far_too_low():
    at = np.linspace(0.0, SIDE_MM, 8)
    x, y = np.meshgrid(at, at)
    values = 1000.0 * view(point(1.0), 0.6).at(x.ravel(), y.ravel()).reshape(8, 8)
    weights = np.ones(8)
    weights[[0, -1]] = 0.5
    assert values.mean() == pytest.approx(329.973809, abs=1e-6)
    assert weights @ values @ weights / 49.0 == pytest.approx(380.697365, abs=1e-6)


def test_a_rectangular_aperture_sees_a_parallel_rectangle_as_the_closed_form_says():
    # Howell C-11, 1 × 1 × 1. A Lambertian aperture is a diffuse rectangle.
    device = Device(
        name="panel",
        efficiency=1.0,
        aperture_x_mm=1000.0,
        aperture_y_mm=1000.0,
        distribution=Distribution(exponent_x=1.0),
    )
    nodes, weights = np.polynomial.legendre.leggauss(40)
    x, y = np.meshgrid(0.5 * nodes, 0.5 * nodes)
    points = np.stack([x.ravel(), y.ravel(), np.full(x.size, -1.0)], axis=1)
    values = Source(device).irradiance(points, (0.0, 0.0, 1.0)).reshape(x.shape)
    assert weights @ values @ weights / 4.0 == pytest.approx(0.199824895698, rel=1e-6)


@pytest.mark.parametrize(("aperture_m", "share"), [(2.0, 0.381966011250), (1.0, 0.468871125851)])
def test_a_round_aperture_sees_a_coaxial_disc_as_the_closed_form_says(aperture_m, share):
    # Howell C-41, distance 1, lower disc of radius 1.
    device = Device(
        name="disc",
        efficiency=1.0,
        outline="round",
        aperture_x_mm=1000.0 * aperture_m,
        distribution=Distribution(exponent_x=1.0),
    )
    got = _share_on_disc(Source(device), radius_m=1.0, height_m=1.0)
    assert got == pytest.approx(share, rel=2e-4)


@pytest.mark.parametrize(
    "distribution",
    [
        Distribution(exponent_x=1.7, exponent_y=0.6),
        Distribution(theta_deg=(0.0, 40.0, 90.0), intensity=(1.0, 1.4, 0.0)),
        Distribution(
            theta_deg=(0.0, 40.0, 90.0),
            phi_deg=(0.0, 90.0),
            intensity=(1.0, 1.4, 0.0, 1.0, 0.8, 0.1),
        ),
    ],
)
def test_a_distribution_integrates_to_unit_flux(distribution):
    # Independent route: adaptive integration over one quadrant with scipy.
    assert _sphere_integral(Intensity(distribution), quadrants=1) == pytest.approx(1.0, abs=2e-4)


def test_a_lobe_integrates_to_unit_flux_also_where_the_horizon_cuts_it():
    # The horizon is a step in the integrand, which costs the rule some 0.2 %.
    for theta, within in ((20.0, 1e-6), (75.0, 3e-3)):
        lobe = Lobe(share=0.1, theta_deg=theta, phi_deg=30.0, length_deg=12.0, width_deg=5.0)
        assert _sphere_integral(LobeIntensity(lobe), quadrants=4) == pytest.approx(1.0, abs=within)


def _sphere_integral(intensity, quadrants: int) -> float:
    def flux(theta: float, phi: float) -> float:
        direction = np.array([[np.cos(theta)], [np.sin(theta) * np.cos(phi)]])
        x, y = direction[1], np.array([np.sin(theta) * np.sin(phi)])
        return float(intensity.towards(direction[0], x, y)[0]) * np.sin(theta)

    theta, wt = np.polynomial.legendre.leggauss(120)
    edge = quadrants * np.pi / 2.0
    if quadrants == 1:
        value, _ = integrate.dblquad(flux, 0.0, edge, 0.0, np.pi / 2.0, epsabs=1e-5)
        return 4.0 * value
    # A narrow lobe would be missed by an adaptive rule: a dense fixed one instead.
    phi = (np.arange(720) + 0.5) / 720.0 * edge
    t, p = np.meshgrid(0.25 * np.pi * (theta + 1.0), phi)
    w = np.repeat(wt[None, :], 720, axis=0) * 0.25 * np.pi * edge / 720.0 * np.sin(t)
    values = intensity.towards(np.cos(t), np.sin(t) * np.cos(p), np.sin(t) * np.sin(p))
    return float((w * values).sum())


def _share_on_disc(source: Source, radius_m: float, height_m: float) -> float:
    nodes, weights = np.polynomial.legendre.leggauss(60)
    r = 0.5 * radius_m * (nodes + 1.0)
    turn = 2.0 * np.pi * (np.arange(36) + 0.5) / 36.0
    x, y = np.outer(r, np.cos(turn)), np.outer(r, np.sin(turn))
    points = np.stack([x.ravel(), y.ravel(), np.full(x.size, -height_m)], axis=1)
    values = source.irradiance(points, (0.0, 0.0, 1.0)).reshape(x.shape).mean(axis=1)
    return float(np.sum(weights * 0.5 * radius_m * values * 2.0 * np.pi * r))
