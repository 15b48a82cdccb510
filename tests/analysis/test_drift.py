import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.drift import correct, reference_weights, repeatability, repeatability_freedom

quickly = settings(deadline=None, derandomize=True, max_examples=60)


def corrected(middle_s, visits_s, visits, **changes):
    middle_s = np.asarray(middle_s, dtype=float)
    options = {
        "source": "reference",
        "visits_s": visits_s,
        "visits": visits,
        "visit_segment": np.zeros(len(visits_s), dtype=int),
        **changes,
    }
    segment = options.pop("segment", np.zeros(len(middle_s), dtype=int))
    duration_s = options.pop("duration_s", np.ones(len(middle_s)))
    return correct(middle_s, duration_s, segment, **options)[0]


def test_readings_are_rescaled_to_the_mean_of_their_own_windows_not_to_the_start():
    # Reference 100 at 0 s and 110 at 10 s; readings at 0, 5 and 10 s see 100, 105 and 110,
    # whose mean is 105.
    drift = corrected([0, 5, 10], [0, 10], [100, 110])
    assert drift.factor == pytest.approx([105 / 100, 1, 105 / 110])
    assert drift.largest_correction == pytest.approx(0.05)
    assert drift.span == pytest.approx(10 / 105)


def test_longer_windows_weigh_more_in_the_mean():
    drift = corrected([0, 10], [0, 10], [100, 110], duration_s=np.array([3.0, 1.0]))
    assert drift.factor == pytest.approx([102.5 / 100, 102.5 / 110])


def test_a_missing_reading_takes_no_part():
    drift = corrected([0, np.nan, 10], [0, 10], [100, 110])
    assert drift.factor == pytest.approx([105 / 100, 1, 105 / 110])


def test_no_reference_corrects_nothing():
    drift = corrected([0, 5, 10], [], [])
    assert drift.source == "none"
    assert drift.factor.tolist() == [1, 1, 1]
    assert drift.span is None
    assert drift.accepted


def test_reference_is_held_beyond_its_visits():
    weights = reference_weights([-5, 0, 2.5, 10, 20], [0, 10])
    assert weights == pytest.approx(np.array([[1, 0], [1, 0], [0.75, 0.25], [0, 1], [0, 1]]))


def test_one_visit_is_the_reference_for_all():
    assert reference_weights([1, 2], [5]).tolist() == [[1], [1]]


def test_reference_is_never_joined_across_a_new_light():
    # The lamp comes back 20 % brighter; each stretch has one visit of its own.
    drift = corrected(
        [1, 2, 11, 12],
        [0, 10],
        [100, 120],
        segment=np.array([0, 0, 1, 1]),
        visit_segment=np.array([0, 1]),
    )
    assert drift.factor == pytest.approx([110 / 100, 110 / 100, 110 / 120, 110 / 120])


def test_span_beyond_the_limit_is_not_accepted():
    assert not corrected([5], [0, 10], [100, 104], limit=0.03).accepted
    assert corrected([5], [0, 10], [100, 102], limit=0.03).accepted


def test_noise_of_many_visits_does_not_pass_for_drift():
    random = np.random.default_rng(8)
    noisy = 500 * (1 + 0.004 * random.normal(size=240))
    drift = corrected([5.0], np.arange(240.0), noisy)
    # 240 values span some 2.3 %; twelve means of 20 some 3.3 × 0.4 % / √20.
    assert drift.span < 0.005
    rising = corrected([5.0], np.arange(240.0), np.linspace(500, 515, 240))
    # The outermost of twelve groups lie 11/12 of the rise apart.
    assert rising.span == pytest.approx(15 * 240 / 239 * 11 / 12 / 507.5, rel=1e-3)


def test_slope_is_per_hour_with_an_interval():
    # 1 % in 360 s of a mean of 100.5 is 10 an hour.
    drift = corrected([5], [0, 180, 360], [100, 100.5, 101])
    assert drift.slope_percent_per_hour == pytest.approx(10 / 100.5 * 100)
    assert drift.slope_interval == pytest.approx(0, abs=1e-9)


def test_steady_drift_leaves_no_trace_in_the_repeatability():
    at_s = np.array([0.0, 10, 30, 40, 70])
    assert repeatability(at_s, 100 + 0.3 * at_s, np.zeros(5)) == pytest.approx(0, abs=1e-12)


def test_repeatability_recovers_the_noise_of_a_visit():
    random = np.random.default_rng(5)
    at_s = np.cumsum(random.uniform(30, 90, 4000))
    values = 500 * (1 + 0.01 * np.sin(at_s / 20000)) * (1 + 0.004 * random.normal(size=4000))
    assert repeatability(at_s, values, np.zeros(4000)) == pytest.approx(0.004, rel=0.05)


def test_repeatability_needs_three_visits_of_one_burning():
    assert repeatability([0, 1], [1, 2], [0, 0]) is None
    assert repeatability([0, 1, 2], [1, 2, 3], [0, 0, 1]) is None


@quickly
@given(st.floats(-0.05, 0.05), st.integers(2, 20))
def test_straight_drift_is_taken_out_of_a_flat_field(slope, visits):
    middle_s = np.linspace(0, 3600, 81)
    visits_s = np.linspace(0, 3600, visits)
    light = lambda t: 500 * (1 + slope * t / 3600)  # noqa: E731
    drift = corrected(middle_s, visits_s, 0.8 * light(visits_s))
    flat = light(middle_s) * drift.factor
    assert flat == pytest.approx(np.full(81, 500 * (1 + slope / 2)), rel=1e-9)


@quickly
@given(st.floats(0.01, 100))
def test_level_of_the_reference_does_not_matter(factor):
    one = corrected([0, 3, 9], [0, 5, 10], [100, 104, 101])
    other = corrected([0, 3, 9], [0, 5, 10], np.array([100, 104, 101]) * factor)
    assert other.factor == pytest.approx(one.factor)
    assert other.span == pytest.approx(one.span)


@pytest.mark.parametrize("visits", [3, 4, 10, 30])
def test_repeatability_is_known_as_well_as_its_degrees_of_freedom_say(visits):
    # Of a chi-squared estimate the variance is 2 ÷ ν of its squared mean.
    random = np.random.default_rng(2)
    at_s, whole = np.arange(visits) * 60.0, np.zeros(visits, dtype=int)
    found = [
        repeatability(at_s, 500 * (1 + 0.002 * random.standard_normal(visits)), whole) ** 2
        for _ in range(8000)
    ]
    assert np.mean(found) == pytest.approx(0.002**2, rel=0.05)
    freedom = 2 * np.mean(found) ** 2 / np.var(found)
    assert repeatability_freedom(visits) == pytest.approx(freedom, rel=0.1)


def test_three_visits_have_one_degree_of_freedom_and_four_somewhat_more():
    # Two differences that correlate by −2/3: 2² / (2 + 2 × 4/9).
    assert repeatability_freedom(3) == pytest.approx(1.0)
    assert repeatability_freedom(4) == pytest.approx(4 / (2 + 8 / 9))
