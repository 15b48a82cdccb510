"""The virtual bench: what the simulated instruments measure, and what was true."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drivers.simulated import scenario as scenarios
from drivers.simulated.gantry_motion import GantryMotion
from drivers.simulated.noise import CorrelatedNoise, HashedNoise, stream
from drivers.simulated.scenario import Scenario
from drivers.simulated.sensor_errors import (
    ErringLightSensor,
    ErringPowerMeter,
    InstrumentErrors,
)
from drivers.simulated.timeline import Timeline

LIGHT_SENSOR = "light_sensor"
MONITOR_SENSOR = "monitor_sensor"


class VirtualBench:
    """A bench made of numbers: lamp, mains, light field, gantry, and instruments that err.

    Everything follows from the scenario and the seed; two benches asked the same give the
    same. Windows may lie some minutes back, not hours.

    Parameters
    ----------
    scenario : Scenario
        What the bench is made of.
    errors : InstrumentErrors
        What its instruments get wrong.
    device : str, optional
        Hung at the start; default as the scenario says.
    seed : int, optional
        In place of the scenario's.
    """

    def __init__(
        self,
        scenario: Scenario,
        errors: InstrumentErrors,
        *,
        device: str | None = None,
        seed: int | None = None,
    ) -> None:
        self.scenario = scenario
        self.devices = tuple(item.name for item in scenario.devices)
        self._seed = int(scenario.seed) if seed is None else seed
        self._timeline = Timeline(scenario, self._seed)
        self._ambient = CorrelatedNoise(
            scenario.ambient_wander_percent / 100.0, 600.0, stream(self._seed, "ambient")
        )
        self.gantry = GantryMotion(scenario.gantry, scenario.mounting_height_mm, self._seed)
        self._sensors = {
            name: ErringLightSensor(getattr(errors, name), self._seed, name)
            for name in (LIGHT_SENSOR, MONITOR_SENSOR)
        }
        self._meter = ErringPowerMeter(errors.power_meter, self._seed)
        self._hung = HashedNoise(stream(self._seed, "installation"))
        self._hangings = 0
        self.truth = Truth(self)
        self.hang(device or scenario.device or self.devices[0], scenario.mounting_height_mm)

    @classmethod
    def from_scenario(
        cls,
        source: Path | str | Mapping[str, Any],
        *,
        device: str | None = None,
        seed: int | None = None,
    ) -> VirtualBench:
        """Build a bench from a scenario file or its content.

        Raises
        ------
        ScenarioError
            With every fault of the file; or there is no such device.
        """
        scenario, errors = scenarios.load(source)
        return cls(scenario, errors, device=device, seed=seed)

    def hang(self, device: str, mounting_height_mm: float, at_s: float = 0.0) -> None:
        """Hang a device: a new installation, not quite like the one before."""
        self._device = scenarios.device_named(self.scenario, device)
        self._hangings += 1
        self.gantry.put_height(mounting_height_mm, at_s)
        self._timeline.set_power_effect(1.0 + self._device.lamp_power_effect_percent / 100.0, at_s)

    def switch_lamp(self, on: bool, at_s: float) -> None:
        """Close or open the lamp circuit. Whether the lamp strikes is for the lamp to say."""
        self._timeline.switch(on, at_s)

    def measured_ppfd(self, sensor: str, start_s: float, end_s: float) -> float:
        """Return what a light sensor says of a window, with all its errors. [µmol m⁻² s⁻¹]"""
        x, y, _ = (
            self.gantry.position(end_s)
            if sensor == LIGHT_SENSOR
            else (*self.scenario.monitor_at_mm, 0.0)
        )
        light = self._timeline.mean("light_umol_s", start_s, end_s)
        seen = light * float(self._per_flux(np.array([x]), np.array([y]), end_s)[0])
        seen += self.scenario.ambient_umol_m2_s * (1.0 + self._ambient.mean(start_s, end_s))
        return self._sensors[sensor].reading(seen, start_s, end_s)

    def measured_electrical(self, start_s: float, end_s: float) -> dict[str, float]:
        """Return what the wattmeter says of a window, with all its errors, by quantity."""
        start_s = max(0.0, min(start_s, end_s - self._meter.errors.averaging_s))
        shown = self._meter.reading(
            self._timeline.mean("wall_power_w", start_s, end_s),
            self._timeline.mean("line_voltage_v", start_s, end_s),
            self._timeline.mean("line_current_a", start_s, end_s),
            start_s,
            end_s,
        )
        frequency = self._timeline.mains.frequency_hz(0.5 * (start_s + end_s))
        return {**shown, "line_frequency_hz": round(frequency, 2)}

    def _per_flux(
        self, x_mm: NDArray[np.float64], y_mm: NDArray[np.float64], at_s: float
    ) -> NDArray[np.float64]:
        h = self.gantry.position(at_s)[2] / 1000.0
        area = self.scenario.area
        dx = (x_mm - area.width_mm / 2) / 1000.0
        dy = (y_mm - area.depth_mm / 2) / 1000.0
        return np.asarray(self._device.efficiency * h**2 / (h**2 + dx**2 + dy**2) ** 2 / np.pi)


class Truth:
    """What was true on the bench, for tests: no instrument, no error."""

    def __init__(self, bench: VirtualBench) -> None:
        self._bench = bench

    def ppfd_map(
        self, x_mm: ArrayLike, y_mm: ArrayLike, at_s: float, until_s: float | None = None
    ) -> NDArray[np.float64]:
        """Return PPFD of the lamp's light at points of the plane, ambient not counted.

        Parameters
        ----------
        x_mm, y_mm : array
            Points, of one shape. [mm]
        at_s, until_s : float
            A moment, or the window to average over. [s]

        Returns
        -------
        array of the same shape
            [µmol m⁻² s⁻¹]
        """
        x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
        light = self._light(at_s, until_s)
        return np.asarray(light * self._bench._per_flux(x.ravel(), y.ravel(), at_s)).reshape(
            x.shape
        )

    def delivered_flux_umol_s(self, at_s: float, until_s: float | None = None) -> float:
        """Return the flux that reaches the whole plane, integrated without a grid. [µmol/s]"""
        area = self._bench.scenario.area
        n = 60
        x = (np.arange(n) + 0.5) / n * area.width_mm
        y = (np.arange(n) + 0.5) / n * area.depth_mm
        values = self.ppfd_map(*np.meshgrid(x, y), at_s, until_s)
        return float(values.mean()) * area.width_mm * area.depth_mm / 1e6

    def wall_power_w(self, at_s: float, until_s: float | None = None) -> float:
        """Return active power of ballast and lamp. [W]"""
        end_s = at_s if until_s is None else until_s
        return self._bench._timeline.mean("wall_power_w", at_s, end_s)

    def plane_efficacy_umol_j(self, at_s: float, until_s: float | None = None) -> float:
        """Return delivered flux over wall power, of the same moments. [µmol/J]"""
        return self.delivered_flux_umol_s(at_s, until_s) / self.wall_power_w(at_s, until_s)

    def _light(self, at_s: float, until_s: float | None) -> float:
        end_s = at_s if until_s is None else until_s
        return self._bench._timeline.mean("light_umol_s", at_s, end_s)
