import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.windows import means_over_windows

quickly = settings(deadline=None, derandomize=True, max_examples=80)


def mean_of(window, readings):
    start, end, value = np.array(readings, dtype=float).T
    return means_over_windows([window[0]], [window[1]], start, end, value)[0]


def test_wall_power_is_averaged_over_the_light_reading_not_the_point():
    readings = [(0, 1, 100), (1, 2, 200), (2, 3, 300), (3, 4, 400)]
    # Window 0.5 to 2.5: half of the first, all of the second, half of the third.
    mean = mean_of((0.5, 2.5), readings)
    assert mean == pytest.approx((0.5 * 100 + 200 + 0.5 * 300) / 2)


def test_no_overlap_is_missing():
    assert np.isnan(mean_of((5, 6), [(0, 1, 100), (8, 9, 100)]))


def test_touching_at_an_edge_is_no_overlap():
    assert np.isnan(mean_of((1, 2), [(0, 1, 100), (2, 3, 100)]))


def test_no_readings_and_no_windows_are_allowed():
    nothing = np.empty(0)
    assert np.isnan(means_over_windows([0.0], [1.0], nothing, nothing, nothing)).all()
    assert len(means_over_windows(nothing, nothing, [0.0], [1.0], [5.0])) == 0


def test_an_unknown_window_has_no_mean():
    found = means_over_windows([np.nan, 0.0], [np.nan, 1.0], [0.0], [1.0], [5.0])
    assert np.isnan(found[0])
    assert found[1] == 5


def test_a_missing_reading_is_skipped():
    assert mean_of((0, 2), [(0, 1, np.nan), (1, 2, 300)]) == 300


def test_readings_of_no_duration_count_equally():
    assert mean_of((0, 3), [(1, 1, 100), (2, 2, 400), (5, 5, 9)]) == pytest.approx(250)


def test_a_momentary_light_reading_takes_the_power_around_it():
    assert mean_of((1.5, 1.5), [(0, 1, 100), (1, 2, 200), (2, 3, 300)]) == 200


def test_one_long_reading_covers_many_windows():
    found = means_over_windows([0.0, 5.0, 9.5], [1.0, 6.0, 10.5], [0.0], [10.0], [640.0])
    assert found.tolist() == [640.0] * 3


@quickly
@given(
    st.lists(st.tuples(st.floats(0, 50), st.floats(0, 5), st.floats(1, 900)), max_size=12),
    st.lists(st.tuples(st.floats(0, 50), st.floats(0.01, 9)), min_size=1, max_size=6),
)
def test_means_agree_with_a_plain_loop(readings, windows):
    start = [reading[0] for reading in readings]
    end = [reading[0] + reading[1] for reading in readings]
    value = [reading[2] for reading in readings]
    found = means_over_windows(
        [window[0] for window in windows], [sum(window) for window in windows], start, end, value
    )
    for (begins, length), mean in zip(windows, found, strict=True):
        shared = [
            max(0.0, min(begins + length, e) - max(begins, s))
            for s, e in zip(start, end, strict=True)
        ]
        if sum(shared) > 1e-9:
            expected = sum(a * b for a, b in zip(shared, value, strict=True)) / sum(shared)
            assert mean == pytest.approx(expected, rel=1e-6)
