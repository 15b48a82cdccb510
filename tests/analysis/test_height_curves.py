"""The light between measured planes, against fields known by hand or in closed form."""

import math

import numpy as np
import pytest

from analysis.grid import grid_from_plan
from analysis.height_curves import DECLARED_CURVATURE, Plane, height_curves, interpolate
from tests.synthetic_run import lambertian, plan

DRAWS = 400


def plane(grid, height_mm, ppfd, *, factor=None, between=1.0, power_w=600.0):
    """A plane whose draws are its own values times one factor for each draw."""
    drawn = ppfd * (np.ones(DRAWS) if factor is None else factor)[:, None]
    flux = drawn @ grid.weights_m2 * between
    return Plane(
        mounting_height_mm=height_mm,
        ppfd=ppfd,
        ppfd_draws=drawn,
        flux_draws=flux,
        plane_efficacy_umol_j=float(ppfd @ grid.weights_m2) / power_w,
        efficacy_draws=flux / power_w,
    )


def curves_of(grid, field, heights_mm, **given):
    planes = [plane(grid, h, field(grid.x_mm, grid.y_mm, h), **given) for h in heights_mm]
    return height_curves(grid, planes, seed=1)


def at(curves, along, height_mm):
    return float(np.interp(height_mm, curves.heights_mm, along))


def inverse_square(x_mm, y_mm, height_mm):
    """A far point source: 240 cd-like units, level over the plane. 1500 at 400 mm."""
    return np.full(len(x_mm), 240e6 / height_mm**2)


def cells(rows):
    return grid_from_plan(plan(grid={"rows": rows, "columns": rows}))


def test_inverse_square_light_is_interpolated_exactly():
    grid = cells(3)
    curves = curves_of(grid, inverse_square, [400.0, 500.0, 800.0])
    by_hand = 240e6 / curves.heights_mm**2
    assert curves.peak.value == pytest.approx(by_hand)
    assert curves.mean.value == pytest.approx(by_hand)
    assert curves.flux.value == pytest.approx(1.44 * by_hand)
    assert curves.efficacy.value == pytest.approx(1.44 * by_hand / 600)
    assert curves.min_to_mean.value == pytest.approx(np.ones(len(by_hand)))
    # It bends nowhere, so nothing is allowed for between the planes.
    assert curves.curvature == pytest.approx(0.0, abs=1e-9)
    assert np.ptp(curves.mean.draws, axis=0).max() == pytest.approx(0.0, abs=1e-6)


def test_no_cell_leaves_the_range_of_its_neighbouring_planes():
    grid = cells(3)
    rng = np.random.default_rng(5)
    ln_ppfd = rng.normal(6.0, 0.3, (5, len(grid)))
    ln_planes = np.log([300.0, 400.0, 450.0, 600.0, 700.0])
    for low, high, begin, end in zip(
        ln_planes[:-1], ln_planes[1:], ln_ppfd[:-1], ln_ppfd[1:], strict=True
    ):
        found = interpolate(ln_planes, ln_ppfd, np.linspace(low, high, 21))
        assert (found >= np.minimum(begin, end) - 1e-9).all()
        assert (found <= np.maximum(begin, end) + 1e-9).all()


def test_nothing_is_said_beyond_the_planes():
    ln_planes = np.log([400.0, 500.0])
    for beyond_mm in (399.0, 501.0):
        with pytest.raises(ValueError, match="beyond the lowest and the highest plane"):
            interpolate(ln_planes, np.zeros((2, 1)), np.log([beyond_mm]))


def test_the_curvature_of_a_lambertian_field_is_measured_from_a_third_plane():
    # −8 h² r² / (h² + r²)² is −2 where r = h; cells at r near 500 mm are there at 500 mm.
    curves = curves_of(cells(9), lambertian, [450.0, 500.0, 550.0])
    assert not curves.curvature_is_declared
    assert curves.curvature == pytest.approx(2.0, abs=0.05)


@pytest.mark.parametrize("heights_mm", [[600.0, 1200.0], [600.0, 800.0, 1200.0]])
def test_the_band_between_planes_holds_the_closed_form(heights_mm):
    # check-values section 6: shares of a Lambertian point source onto a centred square of 1.2 m,
    # closed form checked by quadrature (C). At 900 mm no plane was measured.
    grid = cells(16)
    curves = curves_of(grid, lambertian, heights_mm)
    assert curves.curvature_is_declared == (len(heights_mm) == 2)
    for height_mm, share in ((600.0, 0.554126423980), (1200.0, 0.239456470461)):
        assert at(curves, curves.flux.value, height_mm) == pytest.approx(1000 * share, rel=0.0011)
    low, high = (at(curves, curves.flux.quantile(p), 900.0) for p in (0.025, 0.975))
    assert low < 357.684746630 < high
    # The cell right below: 1000 / (π h²).
    low, high = (at(curves, curves.peak.quantile(p), 900.0) for p in (0.025, 0.975))
    assert low < 1000 / (math.pi * 0.9**2) < high


def test_two_planes_allow_for_the_declared_curvature():
    # By hand: the bow of curvature c between ln 400 and ln 800 is c (ln √2)² / 2 in the middle,
    # and the cells of level light move together by up to all of it.
    curves = curves_of(cells(3), inverse_square, [400.0, 800.0])
    most = DECLARED_CURVATURE * math.log(math.sqrt(2)) ** 2 / 2
    middle = at(curves, np.ptp(np.log(curves.mean.draws), axis=0), 400 * math.sqrt(2))
    assert 0.9 * 2 * most < middle <= 2 * most
    ends = np.ptp(curves.mean.draws, axis=0)[[0, -1]]
    assert ends == pytest.approx([0.0, 0.0], abs=1e-9)


def test_what_all_planes_share_stays_shared_between_them():
    factor = 1 + 0.03 * np.random.default_rng(2).standard_normal(DRAWS)
    curves = curves_of(cells(3), inverse_square, [400.0, 500.0, 600.0], factor=factor)
    assert curves.mean.draws == pytest.approx(factor[:, None] * curves.mean.value)
    ratio = curves.flux.draws[:, 10] / curves.flux.draws[:, 30]
    assert np.ptp(ratio) == pytest.approx(0.0, abs=1e-9)
    assert np.ptp(curves.min_to_mean.draws, axis=0).max() == pytest.approx(0.0, abs=1e-9)


def test_light_between_the_cells_goes_along_with_flux_and_efficacy():
    curves = curves_of(cells(3), inverse_square, [400.0, 500.0, 600.0], between=1.02)
    assert curves.flux.draws == pytest.approx(1.02 * np.tile(curves.flux.value, (DRAWS, 1)))
    assert curves.efficacy.draws == pytest.approx(1.02 * np.tile(curves.efficacy.value, (DRAWS, 1)))


def test_a_cell_without_light_stays_dark_between_planes():
    grid = cells(3)

    def one_dark(x_mm, y_mm, height_mm):
        return np.where((x_mm < 300) & (y_mm < 300), 0.0, 240e6 / height_mm**2)

    curves = curves_of(grid, one_dark, [400.0, 500.0])
    assert (curves.min_to_mean.value < 0.0012).all()
    assert curves.mean.value[0] == pytest.approx(1500 * 8 / 9, rel=2e-4)


def test_one_plane_gives_its_own_values_and_no_range():
    curves = curves_of(cells(3), inverse_square, [400.0])
    assert curves.heights_mm.tolist() == [400.0]
    assert curves.mean.value == pytest.approx([1500.0])


def test_without_wall_power_there_is_no_efficacy():
    grid = cells(3)
    ppfd = inverse_square(grid.x_mm, grid.y_mm, 400.0)
    drawn = np.tile(ppfd, (DRAWS, 1))
    dark = Plane(
        mounting_height_mm=400.0,
        ppfd=ppfd,
        ppfd_draws=drawn,
        flux_draws=drawn @ grid.weights_m2,
        plane_efficacy_umol_j=None,
        efficacy_draws=None,
    )
    assert height_curves(grid, [dark], seed=1).efficacy is None


def test_planes_that_do_not_rise_are_refused():
    with pytest.raises(ValueError, match="must rise"):
        curves_of(cells(3), inverse_square, [500.0, 400.0])
    with pytest.raises(ValueError, match="must rise"):
        height_curves(cells(3), [], seed=1)
