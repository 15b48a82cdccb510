"""The supply: level, drift, noise and sags."""

import statistics

import attrs
import pytest

from drivers.simulated.mains import Mains
from drivers.simulated.scenario import Mains as Spec
from drivers.simulated.scenario import Sag

STEADY = Spec(nominal_v=230.0, mean_v=232.0, slow_percent=0.0, fast_percent=0.0)


def test_ramp_moves_the_level_by_its_percent_in_an_hour():
    mains = Mains(attrs.evolve(STEADY, ramp_percent_per_hour=-1.0), 1)
    assert mains.over(0.0, 0.25).mean_v == pytest.approx(232.0, rel=1e-4)
    assert mains.over(3600.0, 3600.25).mean_v == pytest.approx(232.0 * 0.99, rel=1e-4)


def test_a_sag_takes_its_share_of_the_interval_it_falls_into():
    mains = Mains(attrs.evolve(STEADY, sags=(Sag(at_s=10.05, depth=0.4, duration_s=0.1),)), 1)
    before, during, after = (mains.over(t, t + 0.25) for t in (9.75, 10.0, 10.25))
    assert before.mean_v == before.lowest_v == pytest.approx(232.0)
    # 0.1 s of 0.25 s at 40 % less: 232 · (1 − 0.4 · 0.4)
    assert during.mean_v == pytest.approx(232.0 * 0.84)
    assert during.lowest_v == pytest.approx(232.0 * 0.6)
    assert during.low_s == 0.1
    assert after.mean_v == pytest.approx(232.0)


def test_a_sag_over_several_intervals_knows_its_whole_length():
    mains = Mains(attrs.evolve(STEADY, sags=(Sag(at_s=10.0, depth=1.0, duration_s=2.0),)), 1)
    assert mains.over(11.0, 11.25).low_s == 2.0
    assert mains.over(11.0, 11.25).mean_v == 0.0


def test_noise_has_the_stated_spread_and_a_memory():
    mains = Mains(attrs.evolve(STEADY, fast_percent=0.5, fast_s=10.0), 3)
    volts = [mains.over(t, t + 0.25).mean_v for t in range(0, 40_000, 10)]
    level = statistics.fmean(volts)
    spread = statistics.pstdev(volts)
    assert level == pytest.approx(232.0, abs=0.15)
    assert spread == pytest.approx(0.005 * 232.0, rel=0.08)
    apart = statistics.correlation(volts[:-1], volts[1:])
    assert apart == pytest.approx(0.368, abs=0.06)  # 1/e after one correlation time


def test_frequency_stays_near_nominal():
    mains = Mains(STEADY, 1)
    values = [mains.frequency_hz(t) for t in range(0, 3600, 10)]
    assert max(abs(v - 50.0) for v in values) < 0.1
    assert len(set(values)) > 100
