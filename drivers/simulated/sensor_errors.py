"""What the instruments of the virtual bench get wrong.

Read from a TOML file of their own. The analysis never sees that file: it has to find out
from the readings, as with real instruments.
"""

# `table` only describes a field to attrs; nothing mutable is shared.
# ruff: noqa: RUF009

from __future__ import annotations

from itertools import pairwise

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from drivers.simulated.noise import CorrelatedNoise, HashedNoise, stream
from drivers.simulated.spec import number, numbers, table


@frozen(kw_only=True)
class LightSensorErrors:
    """Of one quantum sensor. All zero by default."""

    calibration_percent: float = number("%", 0.0)
    cosine_theta_deg: tuple[float, ...] = numbers("deg", (0.0, 90.0), at_least=0, at_most=90)
    cosine_error_percent: tuple[float, ...] = numbers("%", (0.0, 0.0), at_least=-100)
    """Deviation of the response from the cosine of the angle of incidence, at those angles."""
    nonlinearity_percent: float = number("%", 0.0)
    """Deviation at `full_scale_umol_m2_s`; it grows with the square of the signal, so the
    relative error grows with the signal."""
    full_scale_umol_m2_s: float = number("µmol m⁻² s⁻¹", 2000.0, above=0)
    dark_offset_umol_m2_s: float = number("µmol m⁻² s⁻¹", 0.0)
    noise_percent: float = number("%", 0.0, at_least=0)
    noise_floor_umol_m2_s: float = number("µmol m⁻² s⁻¹", 0.0, at_least=0)
    tail_degrees: float = number("1", 4.0, above=2)
    """Degrees of freedom of the Student-t noise: small is heavy-tailed."""
    wander_percent: float = number("%", 0.0, at_least=0)
    wander_s: float = number("s", 60.0, above=0)
    step_umol_m2_s: float = number("µmol m⁻² s⁻¹", 0.0, at_least=0)
    time_constant_s: float = number("s", 0.0, at_least=0)

    def __attrs_post_init__(self) -> None:
        angles = self.cosine_theta_deg
        if len(angles) != len(self.cosine_error_percent):
            raise ValueError("cosine_theta_deg and cosine_error_percent differ in length")
        if any(b <= a for a, b in pairwise(angles)):
            raise ValueError("cosine_theta_deg must rise")

    @property
    def is_cosine_true(self) -> bool:
        """Whether the angular response is the cosine itself."""
        return not any(self.cosine_error_percent)

    def relative_response(self, cosine: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return response over cosine, 1 where there is no error. [1]

        Parameters
        ----------
        cosine : array
            Of the angle of incidence. [1]
        """
        theta = np.degrees(np.arccos(np.clip(cosine, 0.0, 1.0)))
        error = np.interp(theta, self.cosine_theta_deg, self.cosine_error_percent)
        return np.asarray(1.0 + error / 100.0)


@frozen(kw_only=True)
class PowerMeterErrors:
    """Of the wattmeter. All zero by default."""

    power_gain_percent: float = number("%", 0.0)
    power_offset_w: float = number("W", 0.0)
    power_noise_percent: float = number("%", 0.0, at_least=0)
    power_step_w: float = number("W", 0.0, at_least=0)
    voltage_gain_percent: float = number("%", 0.0)
    voltage_step_v: float = number("V", 0.0, at_least=0)
    current_gain_percent: float = number("%", 0.0)
    current_step_a: float = number("A", 0.0, at_least=0)
    averaging_s: float = number("s", 0.0, at_least=0)
    """The meter's own averaging; it lengthens a shorter window backwards."""


@frozen(kw_only=True)
class InstrumentErrors:
    """The whole file."""

    format: float = number("1", 1.0, at_least=1, at_most=1)
    light_sensor: LightSensorErrors = table(LightSensorErrors, LightSensorErrors())
    monitor_sensor: LightSensorErrors = table(LightSensorErrors, LightSensorErrors())
    power_meter: PowerMeterErrors = table(PowerMeterErrors, PowerMeterErrors())


class ErringLightSensor:
    """Turns what falls on the sensor into what it says."""

    def __init__(self, errors: LightSensorErrors, seed: int, name: str) -> None:
        self.errors = errors
        self._white = HashedNoise(stream(seed, f"{name} noise"))
        self._wander = CorrelatedNoise(
            errors.wander_percent / 100.0, errors.wander_s, stream(seed, f"{name} wander")
        )

    def reading(self, seen_umol_m2_s: float, start_s: float, end_s: float) -> float:
        """Return the value of one measurement. [µmol m⁻² s⁻¹]

        Parameters
        ----------
        seen_umol_m2_s : float
            Mean over the window, through the sensor's angular response and time constant.
        start_s, end_s : float
            The window. [s]
        """
        e = self.errors
        value = seen_umol_m2_s * (
            1.0 + e.nonlinearity_percent / 100.0 * seen_umol_m2_s / e.full_scale_umol_m2_s
        )
        value *= (1.0 + e.calibration_percent / 100.0) * (1.0 + self._wander.mean(start_s, end_s))
        value += e.dark_offset_umol_m2_s
        spread = np.hypot(e.noise_percent / 100.0 * seen_umol_m2_s, e.noise_floor_umol_m2_s)
        if spread:
            value += float(spread) * self._white.student_t(e.tail_degrees, start_s, end_s)
        return quantised(value, e.step_umol_m2_s)


class ErringPowerMeter:
    """Turns what flows into the ballast into what the meter says."""

    def __init__(self, errors: PowerMeterErrors, seed: int) -> None:
        self.errors = errors
        self._white = HashedNoise(stream(seed, "power meter noise"))

    def reading(
        self, power_w: float, voltage_v: float, current_a: float, start_s: float, end_s: float
    ) -> dict[str, float]:
        """Return power, voltage, current and power factor as displayed.

        Parameters
        ----------
        power_w, voltage_v, current_a : float
            True means over the window. [W], [V], [A]
        start_s, end_s : float
            The window. [s]
        """
        e = self.errors
        power = power_w * (1.0 + e.power_gain_percent / 100.0) + e.power_offset_w
        if e.power_noise_percent:
            power += power_w * e.power_noise_percent / 100.0 * self._white.normal(start_s, end_s)
        voltage = voltage_v * (1.0 + e.voltage_gain_percent / 100.0)
        current = current_a * (1.0 + e.current_gain_percent / 100.0)
        apparent = voltage * current
        return {
            "wall_power_w": quantised(power, e.power_step_w),
            "line_voltage_v": quantised(voltage, e.voltage_step_v),
            "line_current_a": quantised(current, e.current_step_a),
            "power_factor": round(min(max(power / apparent, -1.0), 1.0), 3) if apparent else 0.0,
        }


def quantised(value: float, step: float) -> float:
    """Round to a whole number of steps; a step of 0 leaves the value as it is."""
    # The second rounding takes the binary dust off: 0.3, not 0.30000000000000004.
    return round(round(value / step) * step, 9) if step else value
