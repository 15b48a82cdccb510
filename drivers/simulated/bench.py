"""The virtual bench: what the simulated instruments measure, and what was true."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from attrs import evolve
from numpy.typing import ArrayLike, NDArray

from drivers.simulated import scenario as scenarios
from drivers.simulated.gantry_motion import GantryMotion
from drivers.simulated.hanging import Hanging, Hangings
from drivers.simulated.noise import CorrelatedNoise, HashedNoise, stream
from drivers.simulated.scenario import Scenario
from drivers.simulated.sensor_errors import (
    ErringLightSensor,
    ErringPowerMeter,
    InstrumentErrors,
    LightSensorErrors,
)
from drivers.simulated.sources import Floats, Response
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
        self._is_switched_on = self._is_isolated = False
        self._ambient = CorrelatedNoise(
            scenario.ambient_wander_percent / 100.0, 600.0, stream(self._seed, "ambient")
        )
        self.gantry = GantryMotion(scenario.gantry, scenario.mounting_height_mm, self._seed)
        self._sensors = {
            name: ErringLightSensor(getattr(errors, name), self._seed, name)
            for name in (LIGHT_SENSOR, MONITOR_SENSOR)
        }
        self._responses: dict[str, Response | None] = {
            name: _response_of(sensor.errors) for name, sensor in self._sensors.items()
        }
        x, y = scenario.monitor_at_mm
        self._monitor_at = (x, y)
        self._meter = ErringPowerMeter(errors.power_meter, self._seed)
        self.hangings = Hangings(scenario, HashedNoise(stream(self._seed, "installation")))
        self._seen: dict[str, tuple[object, float]] = {}
        self.truth = Truth(self)
        self.hang(device or scenario.device or self.devices[0], scenario.mounting_height_mm)

    @classmethod
    def from_scenario(
        cls,
        source: Path | str | Mapping[str, Any],
        *,
        device: str | None = None,
        seed: int | None = None,
        evening: int = 1,
        sags: Sequence[scenarios.Sag] = (),
    ) -> VirtualBench:
        """Build a bench from a scenario file or its content, with further dips of the mains.

        Each evening has a seed of its own; 1 is the first, 0 the one before it.

        Raises
        ------
        ScenarioError
            With every fault of the file; or there is no such device.
        """
        scenario, errors = scenarios.load(source)
        mains = evolve(scenario.mains, sags=(*scenario.mains.sags, *sags))
        scenario = evolve(scenario, mains=mains)
        first = int(scenario.seed) if seed is None else seed
        return cls(scenario, errors, device=device, seed=(first + evening - 1) % 2**32)

    def hang(self, device: str, mounting_height_mm: float, at_s: float = 0.0) -> None:
        """Hang a device: a new installation, not quite like the one before.

        Raises
        ------
        ScenarioError
            There is no such device.
        ValueError
            It cannot hang at that height.
        """
        hung = self.hangings.hang(device, at_s)
        self.gantry.put_height(mounting_height_mm, at_s)
        self.hangings.view(hung, mounting_height_mm, None)
        self._timeline.set_power_effect(1.0 + hung.device.lamp_power_effect_percent / 100.0, at_s)

    def switch_lamp(self, on: bool, at_s: float) -> None:
        """Close or open the lamp circuit. Whether the lamp strikes is for the lamp to say."""
        self._is_switched_on = on
        self._timeline.switch(on and not self._is_isolated, at_s)

    def isolate_lamp(self, isolated: bool, at_s: float) -> None:
        """Open or close the isolator in the lamp circuit, whatever its switch says. [s]"""
        self._is_isolated = isolated
        self.switch_lamp(self._is_switched_on, at_s)

    def measured_ppfd(self, sensor: str, start_s: float, end_s: float) -> float:
        """Return what a light sensor says of a window, with all its errors. [µmol m⁻² s⁻¹]

        Parameters
        ----------
        sensor : str
            ``"light_sensor"`` rides on the gantry, ``"monitor_sensor"`` lies on the plane.
        start_s, end_s : float
            The window that the sensor averages over. [s]
        """
        erring = self._sensors[sensor]
        lag_s = erring.errors.time_constant_s
        since_s = max(0.0, start_s - 8.0 * lag_s)
        if self.gantry.rests_over(since_s, end_s):
            share = self._resting_share(sensor, end_s)
            seen = share * self._timeline.lagged_mean("light_umol_s", start_s, end_s, lag_s)
        else:
            seen = self._seen_moving(sensor, since_s, start_s, end_s, lag_s)
        seen += self.scenario.ambient_umol_m2_s * (1.0 + self._ambient.mean(start_s, end_s))
        return erring.reading(seen, start_s, end_s)

    def measured_temperature(self, start_s: float, end_s: float) -> dict[str, float]:
        """Return the temperature at the reflector: it follows the wall power of some minutes."""
        power_w = self._timeline.mean("wall_power_w", max(0.0, end_s - 600.0), max(end_s, 0.25))
        return {"temperature_c": 25.0 + 0.06 * power_w}

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

    def _resting_share(self, sensor: str, at_s: float) -> float:
        """Return irradiance per lamp flux where the sensor rests, as it sees it. [m⁻²]"""
        hung = self.hangings.at(at_s)
        x, y, height = self.gantry.position(at_s)
        if sensor != LIGHT_SENSOR:
            x, y = self._monitor_at
        key = (hung.number, x, y, height)
        known = self._seen.get(sensor)
        if known is None or known[0] != key:
            response = self._responses[sensor]
            value = float(self.per_flux(np.array([x]), np.array([y]), height, hung, response)[0])
            known = self._seen[sensor] = (key, value)
        return known[1]

    def _seen_moving(
        self, sensor: str, since_s: float, start_s: float, end_s: float, lag_s: float
    ) -> float:
        """Return the mean over a window in which something moves; see `lagged_mean`."""
        finest_s = min(0.25 * lag_s, 0.05) if lag_s else 0.05
        count = min(max(2, math.ceil((end_s - since_s) / finest_s)), 400)
        width_s = max(end_s - since_s, 1e-6) / count
        middles_s: Floats = since_s + (np.arange(count, dtype=np.float64) + 0.5) * width_s
        falling = self._timeline.at("light_umol_s", middles_s) * self._moving_share(
            sensor, middles_s
        )
        if lag_s == 0.0:
            return float(falling.mean())
        begun = round((start_s - since_s) / width_s)
        signal = first = float(falling[0])
        for n, value in enumerate(falling.tolist()):
            if n == begun:
                first = signal
            signal = value + (signal - value) * math.exp(-width_s / lag_s)
        inside = falling[begun:]
        if len(inside) == 0:
            return signal
        return float(inside.mean()) - lag_s * (signal - first) / (len(inside) * width_s)

    def _moving_share(self, sensor: str, times_s: Floats) -> Floats:
        hung = self.hangings.at(float(times_s[-1]))
        response = self._responses[sensor]
        places = np.array([self.gantry.position(float(t)) for t in times_s])
        if sensor != LIGHT_SENSOR:
            places[:, :2] = self._monitor_at
        x, y = places[:, 0], places[:, 1]
        spans = [self.gantry.heights(float(t)) for t in times_s]
        total = np.zeros(len(times_s))
        for height in {h for span in spans for h in span[:2]}:
            # While the height changes the field is blended between those at both ends.
            weight = np.array(
                [
                    (1.0 - share) * (below == height) + share * (above == height)
                    for below, above, share in spans
                ]
            )
            used = weight > 0.0
            if used.any():
                values = self.per_flux(x[used], y[used], height, hung, response)
                total[used] += weight[used] * values
        return total

    def per_flux(
        self,
        x_mm: Floats,
        y_mm: Floats,
        height_mm: float,
        hung: Hanging,
        response: Response | None = None,
    ) -> Floats:
        """Return irradiance on the plane per flux of the bare lamp. [m⁻²]"""
        view = self.hangings.view(hung, height_mm, response)
        return hung.device.efficiency * hung.flux_factor * view.at(x_mm, y_mm)


@lru_cache(maxsize=64)
def _response_of(errors: LightSensorErrors) -> Response | None:
    """Return the angular response of a sensor: one object for equal errors, None for none."""
    return None if errors.is_cosine_true else errors.relative_response


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
        bench = self._bench
        height_mm = bench.gantry.position(at_s)[2]
        share = bench.per_flux(x.ravel(), y.ravel(), height_mm, bench.hangings.at(at_s))
        return self._light(at_s, until_s) * share.reshape(x.shape)

    def delivered_flux_umol_s(self, at_s: float, until_s: float | None = None) -> float:
        """Return the flux that reaches the whole plane, integrated without a grid. [µmol/s]"""
        hung = self._bench.hangings.at(at_s)
        height_mm = self._bench.gantry.position(at_s)[2]
        share = self._bench.hangings.flux_share(hung, height_mm)
        return self._light(at_s, until_s) * hung.device.efficiency * hung.flux_factor * share

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
