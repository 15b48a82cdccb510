import math

import numpy as np
import pytest

from analysis.wall_power import wall_power


def described(power_w, every_s=1.0, window_s=1.0):
    end_s = every_s * np.arange(1, len(power_w) + 1)
    return wall_power(end_s - window_s, end_s, np.asarray(power_w, dtype=float))


def test_mean_span_and_spread_by_hand():
    power = described([600, 610, 605, 605])
    assert power.mean_w == 605
    assert power.span_w == 10
    assert power.span == pytest.approx(10 / 605)
    assert power.sd_w == pytest.approx(math.sqrt(50 / 3))
    assert power.count == 4


def test_trend_is_per_hour_of_the_mean():
    # 600 to 606 W in an hour is 1 % of 603 W, less a trifle.
    power = described(600 + 6 * np.arange(1, 3601) / 3600)
    assert power.trend_percent_per_hour == pytest.approx(6 / 603 * 100, rel=1e-3)
    assert power.trend_interval == pytest.approx(0, abs=1e-3)


def test_trend_interval_holds_the_truth_about_95_times_in_100():
    held = 0
    for seed in range(200):
        noise = np.random.default_rng(seed).normal(0, 2, 1800)
        power = described(600 + 3 * np.arange(1800) / 3600 + noise)
        held += abs(power.trend_percent_per_hour - 3 / 600.75 * 100) < power.trend_interval
    # Binomial(200, 0.95): 190 ± 3.1; four standard deviations either way.
    assert 177 <= held <= 200


def test_a_short_series_has_no_trend():
    assert math.isnan(described([600] * 100).trend_percent_per_hour)


def test_a_dip_is_found_with_its_start_length_and_depth():
    values = np.full(100, 600.0)
    values[40:43] = [560, 300, 540]
    power = described(values)
    assert len(power.dips) == 1
    dip = power.dips[0]
    assert (dip.start_s, dip.duration_s, dip.lowest_w) == (40, 3, 300)
    assert "1 dip in wall power longer than 2.0 s" in power.dips_sentence


def test_a_dip_at_either_end_is_found():
    values = np.full(50, 600.0)
    values[0] = values[-1] = 100
    assert [dip.start_s for dip in described(values).dips] == [0, 49]


def test_no_dip_is_claimed_only_beyond_what_the_meter_sees():
    # Polled every 5 s with an average of 2 s: a dip shorter than 7 s can pass unseen.
    power = described(np.full(30, 600.0), every_s=5.0, window_s=2.0)
    assert power.dips == ()
    assert power.shortest_dip_seen_s == pytest.approx(7)
    assert power.dips_sentence.startswith("No dips in wall power longer than 7.0 s")


def test_longest_gap_is_told():
    start_s = np.array([0.0, 1, 2, 12, 13])
    assert wall_power(start_s, start_s + 1, np.full(5, 600.0)).longest_gap_s == 10


def test_readings_without_windows_have_a_mean_and_nothing_on_dips():
    power = wall_power([np.nan, np.nan], [np.nan, np.nan], [600, 620])
    assert power.mean_w == 610
    assert power.dips == ()
    assert "not stated" in power.dips_sentence


def test_missing_readings_are_skipped_and_none_is_none():
    assert described([600, math.nan, 620]).mean_w == 610
    assert described([math.nan]) is None
    assert described([]) is None
