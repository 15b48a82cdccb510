"""The fitted exponent against scipy, against its own claim, and where readings go together."""

import math

import numpy as np
import pytest
from scipy.stats import linregress

from analysis.line_voltage import fit_exponent

ONE_LEVEL = np.zeros(41, dtype=np.int64)
AT_S = np.arange(41) * 60.0
# Even about the middle of the time, so that time and voltage share nothing.
VOLTS = 230.0 * np.exp(0.02 * np.cos(np.linspace(-np.pi, np.pi, 41)))


def test_exponent_and_uncertainty_are_those_of_a_straight_line_where_time_shows_nothing():
    random = np.random.default_rng(4)
    noise = random.normal(0, 0.002, 41)
    noise = (noise + noise[::-1]) / 2  # even, too: no slope with time
    noise -= np.roll(noise, 1) * 0.9  # neighbours against each other, so that none is discounted
    noise = (noise + noise[::-1]) / 2
    values = 640 * (VOLTS / 230) ** 1.4 * np.exp(noise)
    found = fit_exponent(AT_S, VOLTS, values, ONE_LEVEL)
    other = linregress(np.log(VOLTS), np.log(values))
    assert found.value == pytest.approx(other.slope, rel=1e-9)
    # One term more, the time, takes one degree of freedom of the 39.
    assert found.degrees_of_freedom == 38
    assert found.standard == pytest.approx(other.stderr * math.sqrt(39 / 38), rel=1e-9)


def test_a_fading_lamp_and_two_heights_do_not_pass_for_the_voltage():
    level = (np.arange(41) > 20).astype(np.int64)
    swing = 230.0 * np.exp(0.02 * np.sin(np.arange(41) / 3))
    values = np.where(level == 1, 300.0, 500.0) * np.exp(-1e-4 * AT_S) * (swing / 230) ** 1.7
    found = fit_exponent(AT_S, swing, values, level)
    assert found.value == pytest.approx(1.7, rel=1e-9)
    assert found.doubt < 1e-6


def test_the_interval_of_the_exponent_covers_what_the_noise_was_put_on():
    random = np.random.default_rng(7)
    swing = 230.0 * np.exp(0.01 * random.normal(size=41))
    truth = 640 * (swing / 230) ** 1.4
    covered = 0
    for _ in range(400):
        values = truth * np.exp(random.normal(0, 0.003, 41))
        found = fit_exponent(AT_S, swing, values, ONE_LEVEL)
        covered += abs(found.value - 1.4) <= found.half_width
    # 95 % of 400; 364 to 393 holds 99.9 % of such counts (binomial), and neighbours that go
    # together by chance only ever widen an interval.
    assert 364 <= covered <= 397


def test_residuals_that_go_together_widen_the_interval():
    random = np.random.default_rng(3)
    wander = np.zeros(41)
    for at in range(1, 41):
        wander[at] = 0.9 * wander[at - 1] + random.normal(0, 0.001)
    shuffled = random.permutation(wander)
    swing = 230.0 * np.exp(0.02 * random.normal(size=41))
    together, apart = (
        fit_exponent(AT_S, swing, 640 * (swing / 230) ** 1.4 * np.exp(rest), ONE_LEVEL)
        for rest in (wander, shuffled)
    )
    assert together.half_width > 1.5 * apart.half_width


@pytest.mark.parametrize(("readings", "swing"), [(3, 0.02), (41, 0.0)])
def test_too_few_readings_or_a_voltage_at_rest_give_no_exponent(readings, swing):
    volts = 230.0 * np.exp(swing * np.sin(np.arange(readings)))
    found = fit_exponent(AT_S[:readings], volts, volts, ONE_LEVEL[:readings])
    assert math.isinf(found.half_width)
    assert not found.doubt <= 0.2
