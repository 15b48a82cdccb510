import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.efficacy import IncompleteGridError
from analysis.uniformity import uniformity, uniformity_of_draws

quickly = settings(deadline=None, derandomize=True, max_examples=60)
fields = st.lists(st.floats(1, 5000), min_size=2, max_size=30)


def test_four_cells_by_hand():
    even = uniformity([100, 200, 300, 400], np.full(4, 0.25), target=200)
    assert even.mean == 250
    assert even.min_to_mean == pytest.approx(0.4)
    assert even.min_to_max == pytest.approx(0.25)
    assert even.max_to_mean == pytest.approx(1.6)
    # Squares of −150, −50, 50, 150: mean 12500.
    assert even.coefficient_of_variation == pytest.approx(np.sqrt(12500) / 250)
    # Mean of 150, 50, 50, 150 is 100.
    assert even.christiansen == pytest.approx(0.6)
    assert even.low_quarter == pytest.approx(0.4)
    assert even.share_within_20pct == pytest.approx(0.5)
    assert even.share_within_10pct == 0
    assert even.share_above_target == pytest.approx(0.75)


def test_uniformity_is_one_for_equal_cells():
    even = uniformity(np.full(9, 321.0), np.full(9, 0.1))
    assert even.min_to_mean == pytest.approx(1)
    assert even.christiansen == pytest.approx(1)
    assert even.low_quarter == pytest.approx(1)
    assert even.coefficient_of_variation == pytest.approx(0, abs=1e-12)
    assert even.share_within_10pct == pytest.approx(1)
    assert even.share_above_target is None


def test_boundary_cell_of_the_low_quarter_is_shared_in_proportion():
    # A quarter of 5 equal cells is 1.25 cells: (100 + 0.25 × 200) / 1.25 = 120, over 300.
    even = uniformity([500, 400, 300, 200, 100], np.full(5, 1.0))
    assert even.low_quarter == pytest.approx(120 / 300)


def test_figures_are_weighted_by_area():
    # 3 m² of 100 and 1 m² of 200: mean 125, CV = √(0.75 × 25² + 0.25 × 75²) / 125.
    even = uniformity([100, 200], [3, 1])
    assert even.mean == pytest.approx(125)
    assert even.coefficient_of_variation == pytest.approx(np.sqrt(0.75 * 625 + 0.25 * 5625) / 125)
    assert even.low_quarter == pytest.approx(0.8)
    assert even.christiansen == pytest.approx(1 - (0.75 * 25 + 0.25 * 75) / 125)


def test_a_value_on_the_limit_of_the_band_counts():
    even = uniformity([90, 110, 80, 120], np.full(4, 1.0))
    assert even.share_within_10pct == pytest.approx(0.5)
    assert even.share_within_20pct == pytest.approx(1.0)


def test_a_missing_cell_is_refused():
    with pytest.raises(IncompleteGridError):
        uniformity([1, np.nan], [1, 1])


def test_a_point_of_no_area_is_left_out():
    assert uniformity([100, 200, 1], [1, 1, 0]).minimum == 100


def test_a_dark_map_has_no_uniformity():
    with pytest.raises(ValueError, match="the mean is 0"):
        uniformity([0, 0], [1, 1])


@quickly
@given(fields, st.floats(0.01, 100))
def test_ratios_do_not_change_with_the_level(values, factor):
    weights = np.linspace(1, 2, len(values))
    one, other = uniformity(values, weights), uniformity(np.array(values) * factor, weights)
    for name in ("min_to_mean", "coefficient_of_variation", "christiansen", "low_quarter"):
        assert getattr(other, name) == pytest.approx(getattr(one, name), rel=1e-9, abs=1e-9)


@quickly
@given(fields, st.randoms(use_true_random=False))
def test_the_order_of_points_does_not_matter(values, random):
    weights = np.linspace(1, 2, len(values))
    order = list(range(len(values)))
    random.shuffle(order)
    one = uniformity(values, weights, target=500)
    other = uniformity(np.array(values)[order], weights[order], target=500)
    assert other.to_dict() == pytest.approx(one.to_dict())


@quickly
@given(fields)
def test_splitting_every_cell_in_two_changes_nothing(values):
    weights = np.linspace(1, 2, len(values))
    one = uniformity(values, weights)
    other = uniformity(np.repeat(values, 2), np.repeat(weights / 2, 2))
    assert other.to_dict() == pytest.approx(one.to_dict())


@quickly
@given(fields)
def test_figures_are_ordered_as_they_must_be(values):
    even = uniformity(values, np.ones(len(values)))
    slack = 1e-9
    assert even.min_to_max <= even.min_to_mean + slack
    assert even.min_to_mean <= even.low_quarter + slack
    assert even.low_quarter <= 1 + slack
    # The mean deviation never exceeds the standard deviation.
    assert 1 - even.christiansen <= even.coefficient_of_variation + slack
    assert even.share_within_10pct <= even.share_within_20pct + slack


@quickly
@given(
    st.lists(st.lists(st.floats(1, 5000), min_size=6, max_size=6), min_size=1, max_size=4),
    st.lists(st.sampled_from([0.0, 0.5, 1.0, 2.0]), min_size=6, max_size=6).filter(any),
)
def test_many_maps_at_once_have_the_figures_of_each_alone(maps, weights):
    drawn = uniformity_of_draws(maps, weights, target=700.0)
    for at, map_ in enumerate(maps):
        alone = uniformity(map_, weights, target=700.0).to_dict()
        found = {name: values[at] for name, values in drawn.items()}
        assert found == pytest.approx({name: alone[name] for name in found})
        assert alone.keys() - found.keys() == {"mean", "coefficient_of_variation"}


def test_a_value_on_the_limit_of_the_band_counts_in_many_maps_too():
    # 91.8 / 102 is a little less than 0.9 in binary, so that it lies outside by rounding alone.
    drawn = uniformity_of_draws([[91.8, 112.2, 81.6, 122.4]], np.full(4, 1.0))
    assert drawn["share_within_10pct"] == pytest.approx([0.5])
    assert drawn["share_within_20pct"] == pytest.approx([1.0])
    assert "share_above_target" not in drawn
