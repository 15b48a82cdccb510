"""Sensitivities of sums by hand, and of the spread against a change of each cell."""

import numpy as np
import pytest

from analysis.causes import Budget, Cause, Influence
from analysis.uniformity import uniformity

CAUSE = Cause(key="one", name="one", kind="B", distribution="normal", source="by hand")
LIGHT = np.array([100.0, 200.0, 300.0, 400.0])
AREA = np.array([1.0, 1.0, 1.0, 2.0])


def influence(light, **given):
    return Influence(cause=CAUSE, light=np.asarray(light, dtype=float), **given)


def budget(ppfd=LIGHT, weights=AREA, *influences):
    return Budget(
        influences=influences,
        ppfd=np.asarray(ppfd, dtype=float),
        weights_m2=np.asarray(weights, dtype=float),
        plane_efficacy_umol_j=None,
        continuous_variation=None,
        variation_left=0.0,
        reinstallation=0.0,
        reinstallation_source="",
    )


def test_a_cell_has_the_share_of_the_flux_that_its_light_and_area_give_it():
    # 100, 200, 300 and 2 × 400 of 1400.
    assert budget().shares == pytest.approx(np.array([1, 2, 3, 8]) / 14)


def test_a_common_cause_adds_up_with_its_sign_over_the_cells():
    # (1 × 0.02 + 2 × 0.01 − 8 × 0.01) / 14, and what no cell shows comes on top.
    shares = budget().shares
    assert influence([0.02, 0.01, 0, -0.01]).on_sum(shares) == pytest.approx(-0.04 / 14)
    assert influence([0.02, 0.01, 0, -0.01], total=0.1).on_flux(shares) == pytest.approx(
        0.1 - 0.04 / 14
    )


def test_what_each_cell_has_for_itself_adds_up_in_squares():
    # √(1² × 0.02² + 2² × 0.01² + 8² × 0.01²) / 14 = √0.0072 / 14.
    own = influence([0.02, 0.01, 0, -0.01], is_per_cell=True)
    assert own.on_sum(budget().shares) == pytest.approx(np.sqrt(0.0072) / 14)


def test_the_plane_efficacy_is_light_over_power():
    shares = np.full(4, 0.25)
    same = influence(np.full(4, 0.03), power=0.01, total=0.002, efficacy=0.0005)
    assert same.on_efficacy(shares) == pytest.approx(0.03 - 0.01 + 0.002 + 0.0005)
    # What drift correction does to the map is not in light and power of the same moments.
    apart = influence(np.full(4, 0.03), efficacy=0.0005, is_in_efficacy=False)
    assert apart.on_efficacy(shares) == pytest.approx(0.0005)
    assert apart.on_flux(shares) == pytest.approx(0.03)


@pytest.mark.parametrize("weights", [np.ones(4), AREA])
def test_the_spread_moves_as_a_change_of_one_cell_moves_it(weights):
    found = budget(LIGHT, weights).variation_shares
    before = uniformity(LIGHT, weights).coefficient_of_variation
    for at in range(4):
        more = LIGHT.copy()
        more[at] *= 1 + 1e-6
        after = uniformity(more, weights).coefficient_of_variation
        assert found[at] == pytest.approx((after / before - 1) / 1e-6, rel=1e-4, abs=2e-6)


def test_the_spread_does_not_move_with_the_level():
    assert budget().variation_shares.sum() == pytest.approx(0.0, abs=1e-12)
    assert budget(np.full(4, 7.0)).variation_shares == pytest.approx(np.zeros(4))
