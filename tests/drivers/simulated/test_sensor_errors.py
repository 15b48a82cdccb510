"""What the simulated instruments get wrong."""

import statistics

import attrs
import numpy as np
import pytest
from scipy import stats

from drivers.simulated.noise import CorrelatedNoise, HashedNoise
from drivers.simulated.sensor_errors import (
    ErringLightSensor,
    ErringPowerMeter,
    LightSensorErrors,
    PowerMeterErrors,
    quantised,
)

NONE = LightSensorErrors()


def reading(errors: LightSensorErrors, seen: float, at_s: float = 10.0) -> float:
    return ErringLightSensor(errors, 1, "light_sensor").reading(seen, at_s, at_s + 1.0)


def test_a_sensor_without_errors_says_what_it_sees():
    assert reading(NONE, 512.3) == 512.3


def test_calibration_scales_and_dark_offset_adds():
    errors = attrs.evolve(NONE, calibration_percent=2.0, dark_offset_umol_m2_s=0.5)
    assert reading(errors, 100.0) == pytest.approx(102.5)
    assert reading(errors, 0.0) == 0.5


def test_non_linearity_grows_with_the_signal_and_is_stated_at_full_scale():
    errors = attrs.evolve(NONE, nonlinearity_percent=-1.0, full_scale_umol_m2_s=2000.0)
    assert reading(errors, 2000.0) == pytest.approx(1980.0)
    assert reading(errors, 200.0) == pytest.approx(200.0 * 0.999)


def test_readings_come_in_whole_steps():
    assert quantised(123.456, 0.5) == 123.5
    assert quantised(0.3, 0.1) == 0.3
    assert quantised(123.456, 0.0) == 123.456


def test_response_is_the_curve_between_its_points():
    errors = LightSensorErrors(
        cosine_theta_deg=(0.0, 45.0, 75.0), cosine_error_percent=(0.0, -2.0, -5.0)
    )
    cosine = np.cos(np.radians([0.0, 45.0, 60.0, 75.0, 89.0]))
    assert errors.relative_response(cosine) == pytest.approx([1.0, 0.98, 0.965, 0.95, 0.95])
    assert not errors.is_cosine_true
    assert NONE.is_cosine_true


def test_white_noise_has_the_stated_spread_and_heavy_tails():
    # Against scipy's Student-t, scaled to unit spread.
    noise = HashedNoise(7)
    draws = [noise.student_t(4.0, float(n)) for n in range(20_000)]
    scaled = stats.t(4.0, scale=np.sqrt(0.5))
    assert stats.kstest(draws, scaled.cdf).pvalue > 0.01
    beyond = sum(abs(d) > 4.0 for d in draws) / len(draws)
    assert beyond > 10.0 * 2.0 * stats.norm.sf(4.0)
    normal = [noise.normal(float(n)) for n in range(20_000)]
    assert stats.kstest(normal, "norm").pvalue > 0.01


def test_noise_belongs_to_its_window_and_not_to_the_order_of_asking():
    errors = attrs.evolve(NONE, noise_percent=1.0)
    one, other = (ErringLightSensor(errors, 1, "light_sensor") for _ in range(2))
    forward = [one.reading(100.0, t, t + 1.0) for t in range(20)]
    backward = [other.reading(100.0, t, t + 1.0) for t in reversed(range(20))]
    assert forward == backward[::-1]
    assert len(set(forward)) == 20


def test_two_sensors_do_not_share_their_noise():
    errors = attrs.evolve(NONE, noise_percent=1.0)
    names = ("light_sensor", "monitor_sensor")
    assert len({ErringLightSensor(errors, 1, n).reading(100.0, 0.0, 1.0) for n in names}) == 2


def test_correlated_noise_has_its_spread_and_its_memory():
    noise = CorrelatedNoise(2.0, 40.0, seed=5)
    values = [noise.at(5.0 * n) for n in range(40_000)]
    assert statistics.pstdev(values) == pytest.approx(2.0, rel=0.05)
    after = statistics.correlation(values[:-8], values[8:])
    assert after == pytest.approx(np.exp(-1.0), abs=0.04)
    # Averaged over less than its memory it hardly shrinks: averaging does not remove it.
    means = [noise.mean(400.0 * n, 400.0 * n + 10.0) for n in range(500)]
    assert statistics.pstdev(means) > 1.6


def test_correlated_noise_is_the_same_in_any_order():
    one, other = CorrelatedNoise(1.0, 10.0, seed=5), CorrelatedNoise(1.0, 10.0, seed=5)
    far = other.at(9000.0)
    assert [one.at(t) for t in (3.0, 77.7, 9000.0)] == [other.at(3.0), other.at(77.7), far]


def test_power_meter_errs_in_gain_offset_and_steps():
    errors = PowerMeterErrors(
        power_gain_percent=1.0,
        power_offset_w=0.4,
        power_step_w=0.5,
        voltage_gain_percent=-0.5,
        voltage_step_v=0.1,
        current_step_a=0.01,
    )
    shown = ErringPowerMeter(errors, 1).reading(600.0, 230.0, 2.7, 0.0, 1.0)
    assert shown["wall_power_w"] == 606.5  # 606.4 in steps of 0.5
    assert shown["line_voltage_v"] == pytest.approx(228.8)  # 228.85, rounded half to even
    assert shown["line_current_a"] == 2.7
    assert shown["power_factor"] == round(606.4 / (228.85 * 2.7), 3)


def test_power_factor_of_nothing_is_zero():
    shown = ErringPowerMeter(PowerMeterErrors(), 1).reading(0.0, 230.0, 0.0, 0.0, 1.0)
    assert shown["power_factor"] == 0.0
