import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.efficacy import (
    IncompleteGridError,
    daily_light_integral,
    delivered_flux,
    plane_efficacy,
)

quickly = settings(deadline=None, derandomize=True, max_examples=60)
ppfd = st.lists(st.floats(0.1, 5000), min_size=2, max_size=30)


def test_flux_and_efficacy_of_four_cells():
    # By hand: 0.25 × (100 + 200 + 300 + 400) = 250 µmol/s; 250 / 100 = 2.5 µmol/J.
    assert delivered_flux([100, 200, 300, 400], np.full(4, 0.25)) == pytest.approx(250)
    assert plane_efficacy([100, 200, 300, 400], np.full(4, 0.25), 100) == pytest.approx(2.5)


def test_each_point_is_divided_by_its_own_power():
    # By hand: 100/50 + 300/100 = 5 µmol/J, while the mean of the power would give 400/75.
    assert plane_efficacy([100, 300], [1, 1], [50, 100]) == pytest.approx(5)


def test_light_and_watts_rising_together_leave_the_efficacy():
    rise = np.linspace(1.0, 1.03, 81)
    field = np.linspace(300, 700, 81)
    weights = np.full(81, 1.44 / 81)
    steady = plane_efficacy(field, weights, np.full(81, 640.0))
    assert plane_efficacy(field * rise, weights, 640.0 * rise) == pytest.approx(steady, rel=1e-12)


def test_flux_of_a_grid_with_a_hole_is_refused():
    with pytest.raises(IncompleteGridError, match="1 of 3 points have no value"):
        delivered_flux([1, np.nan, 3], [1, 1, 1])


def test_efficacy_without_power_at_a_point_is_refused():
    with pytest.raises(IncompleteGridError, match="1 of 2 points have no wall power"):
        plane_efficacy([1, 2], [1, 1], [600, np.nan])


def test_efficacy_at_no_power_is_refused():
    with pytest.raises(ValueError, match="above 0 W"):
        plane_efficacy([1, 2], [1, 1], [600, 0])


def test_a_point_without_area_may_be_empty():
    assert delivered_flux([100, np.nan], [2, 0]) == pytest.approx(200)
    assert plane_efficacy([100, np.nan], [2, 0], [50, np.nan]) == pytest.approx(4)


def test_lengths_and_areas_are_checked():
    with pytest.raises(ValueError, match="2 values for 3 areas"):
        delivered_flux([1, 2], [1, 1, 1])
    with pytest.raises(ValueError, match="0 or more"):
        delivered_flux([1, 2], [1, -1])


@quickly
@given(ppfd, st.floats(0.01, 100))
def test_flux_scales_with_light_and_efficacy_inversely_with_power(values, factor):
    weights = np.linspace(0.1, 0.3, len(values))
    flux = delivered_flux(values, weights)
    assert delivered_flux(np.array(values) * factor, weights) == pytest.approx(flux * factor)
    assert plane_efficacy(values, weights, 600 * factor) == pytest.approx(flux / 600 / factor)


@pytest.mark.parametrize(
    ("ppfd", "hours", "expected"), [(500, 16, 28.8), (1000, 12, 43.2), (200, 18, 12.96)]
)
def test_daily_light_integral(ppfd, hours, expected):
    # PPFD × hours × 0.0036, by arithmetic.
    assert daily_light_integral(ppfd, hours) == pytest.approx(expected)


@pytest.mark.parametrize("hours", [-1, 24.1, float("nan")])
def test_a_day_has_24_hours(hours):
    with pytest.raises(ValueError, match="a day has 0 to 24"):
        daily_light_integral(500, hours)
