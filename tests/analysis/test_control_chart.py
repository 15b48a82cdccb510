"""The control tells a bench that changes from one that only scatters."""

import math
from collections import Counter
from functools import cache

import numpy as np
import pytest
from scipy import stats

from analysis.control_chart import broken_rules, control_chart


def rules_of(z):
    return {(signal.at, signal.rule.split(",")[0]) for signal in broken_rules(z)}


@cache
def rules_in_noise(count):
    """Count how often each rule is broken by so many results of the normal law."""
    z = np.random.default_rng(17).normal(size=count)
    return Counter(rule for _, rule in rules_of(z))


def test_centre_and_limits_are_worked_by_hand():
    # Values 10, 12, 11, 13, 12, 11, 13, 14: mean 12; ranges 2 1 2 1 1 2 1, mean 10/7;
    # σ = (10/7) / 1.128379 = 1.266033.
    chart = control_chart(range(8), [10, 12, 11, 13, 12, 11, 13, 14])
    assert chart.centre == pytest.approx(12.0)
    assert chart.sigma == pytest.approx(10 / 7 / 1.128379, rel=1e-6)
    low, high = chart.limits
    assert (low, high) == pytest.approx((12 - 3 * 1.266033, 12 + 3 * 1.266033), rel=1e-5)


def test_the_constant_of_two_values_is_the_published_one():
    # d2 for n = 2 is 1.128 in every table of control-chart constants (from memory); 2/√π.
    noise = np.random.default_rng(5).normal(100.0, 2.0, 20_000)
    assert control_chart(np.arange(20_000), noise).sigma == pytest.approx(2.0, rel=0.02)


def test_one_odd_result_does_not_hide_itself_in_the_scatter():
    # Two ranges of 38 and 14 of 2: mean 6.5, times 3.267 is 21.2, so those of 38 are set aside
    # and σ = 2 / 1.128.
    chart = control_chart(range(17), [100, 102, 100, 102, 100, 138, *[100, 102] * 5, 100])
    assert chart.sigma == pytest.approx(2 / 1.128379, rel=1e-6)
    # The others are nine of 100 and seven of 102.
    assert chart.centre == pytest.approx((9 * 100 + 7 * 102) / 16)
    assert [signal.at for signal in chart.signals if signal.rule == "one beyond 3 σ"] == [5]


def test_a_step_of_the_bench_keeps_all_its_results_in_the_centre():
    # One range of 20 among 2s: set aside from the scatter, and neither side is called odd.
    chart = control_chart(range(10), [100, 102] * 3 + [122, 120] * 2)
    assert chart.sigma == pytest.approx(2 / 1.128379, rel=1e-6)
    assert chart.centre == pytest.approx((3 * 202 + 2 * 242) / 10)


@pytest.mark.parametrize(
    ("z", "at", "rule"),
    [
        ([0, 0, 3.1], 2, "one beyond 3 σ"),
        ([0, 2.1, 0, 2.2], 3, "two of three beyond 2 σ on one side"),
        ([1.2, 1.1, 0.2, 1.3, 1.1], 4, "four of five beyond 1 σ on one side"),
        ([0.1] * 9, 8, "nine in a row on one side of the centre"),
        ([-1, -0.5, 0, 0.2, 0.4, 0.6], 5, "six in a row rise"),
    ],
)
def test_each_pattern_is_named_where_it_is_complete(z, at, rule):
    assert (at, rule) in rules_of(z)
    assert not [found for found in rules_of(z[:-1]) if found[1] == rule]


@pytest.mark.parametrize(
    "z",
    [
        [0, 0, 2.9],
        [0, 2.1, -2.2],  # on both sides of the centre
        [1.2, 1.1, 0.2, 0.3, 1.1],
        [0.1] * 8,
        [-1, -0.5, 0, 0, 0.4, 0.6],  # not rising all the time
    ],
)
def test_what_just_misses_a_pattern_is_no_signal(z):
    assert not broken_rules(z)


# Rates under the normal law, by closed form: p = P(z > k) on one side, the newest result being
# one of those beyond. Nelson 1984 gives the tests, not these rates (from memory).
P1, P2, P3 = (0.5 * math.erfc(k / math.sqrt(2)) for k in (1, 2, 3))


@pytest.mark.parametrize(
    ("rule", "rate"),
    [
        ("one beyond 3 σ", 2 * P3),
        ("two of three beyond 2 σ on one side", 2 * P2 * (1 - (1 - P2) ** 2)),
        ("four of five beyond 1 σ on one side", 2 * P1 * (4 * P1**3 * (1 - P1) + P1**4)),
        ("nine in a row on one side of the centre", 2 * 0.5**9),
        ("six in a row rise", 2 / 720),
    ],
)
def test_the_rate_of_false_alarms_is_that_of_the_normal_law(rule, rate):
    count = 100_000
    seen = rules_in_noise(count)[rule]
    # Runs overlap, so successes come in clusters of up to about ten: allow for √10.
    assert seen / count == pytest.approx(rate, abs=4 * math.sqrt(10 * rate / count))


def test_a_wall_that_greys_by_two_per_cent_a_night_is_seen():
    nights = np.arange(12.0)
    noise = np.random.default_rng(3).normal(0.0, 0.003, 12)
    chart = control_chart(nights, 1.25 * (1 - 0.02 * nights) * (1 + noise))
    assert chart.is_fading
    # 2 % of the first value a night, over the mean of the nights: 0.02 · 30.44 / 0.89 a month.
    assert chart.fading_per_month == pytest.approx(-0.02 * 30.44 / 0.89, rel=0.05)
    assert "no device may be credited" in chart.sentence


def test_a_steady_bench_is_called_steady():
    # Up and down in turn: no slope, no run, nothing beyond its usual scatter.
    chart = control_chart(np.arange(10.0), [1.25, 1.26] * 5)
    assert not chart.is_fading
    assert chart.sentence == "The bench is steady over 10 results of the control."


def test_a_steady_bench_is_called_fading_once_in_twenty():
    random = np.random.default_rng(8)
    called = sum(
        control_chart(np.arange(12.0), random.normal(1.25, 0.004, 12)).is_fading
        for _ in range(2000)
    )
    # 95 % confidence: 100 of 2000 expected; the exact 99.9 % binomial range of scipy.
    low, high = stats.binom.interval(0.999, 2000, 0.05)
    assert low <= called <= high


def test_few_results_state_no_limits():
    chart = control_chart([0, 1, 2], [1.0, 1.1, 5.0])
    assert chart.signals == ()
    assert chart.fading_per_month is None
    assert "from 8 on" in chart.sentence


@pytest.mark.parametrize(
    ("days", "values"), [([], []), ([0, 1], [1.0]), ([1, 0], [1.0, 1.0]), ([0, 1], [1.0, np.nan])]
)
def test_what_is_no_series_is_refused(days, values):
    with pytest.raises(ValueError, match=r"give two lists|have to rise"):
        control_chart(days, values)
