"""A hundred benches with a fixed seed: the intervals hold the truth as often as they claim.

The whole proof asks a thousand (`tests/coverage/campaign.py`); here a count must lie where a true
rate of 95 % puts it 999 times in 1000, by the exact binomial distribution.
"""

from __future__ import annotations

import pytest
from scipy.stats import binom

from tests.coverage.campaign import BENCHES_PER_ROOM, run

BENCHES = 100
SEEDS = [room * BENCHES_PER_ROOM + bench for room in range(10) for bench in range(10)]
COVERED = (
    "delivered flux",
    "mean PPFD",
    "plane efficacy",
    "coefficient of variation",
    "min/mean",
    "ratio",
    "ratio, three hangings",
)
AT_LEAST_COVERED = ("ratio, angles not known", "ratio 1, other spread")
"""These allow for angles that are not known; that they hold the truth too often is no fault."""
FALSE = tuple(
    f"false difference{which}" for which in ("", ", angles not known", ", three hangings")
)


@pytest.fixture(scope="module")
def asked():
    return run(SEEDS)


@pytest.mark.parametrize("question", COVERED)
def test_the_95_per_cent_interval_holds_the_truth_95_times_in_100(asked, question):
    low, high = binom.interval(0.999, BENCHES, 0.95)
    assert low <= asked[question].sum() <= high


@pytest.mark.parametrize("question", AT_LEAST_COVERED)
def test_where_angles_are_not_known_the_ratio_holds_the_truth_at_least_as_often(asked, question):
    assert asked[question].sum() >= binom.ppf(0.0005, BENCHES, 0.95)


@pytest.mark.parametrize("question", FALSE)
def test_equal_devices_are_seldom_called_different(asked, question):
    assert asked[question].sum() <= binom.ppf(0.9995, BENCHES, 0.05)


def test_a_difference_of_3_per_cent_is_found_by_an_interval_of_half_that(asked):
    assert 1.2 < asked["its half-width %"].mean() < 1.65
    assert asked["3 % found"].sum() >= binom.ppf(0.0005, BENCHES, 0.90)


def test_an_interval_that_is_too_short_would_fail_here(asked):
    # Half as wide holds a normal truth 67 times in 100: far below what is allowed above.
    low, _ = binom.interval(0.999, BENCHES, 0.95)
    assert binom.cdf(low - 1, BENCHES, 0.673) > 0.999
