"""What mains, ballast and lamp did, on a lattice of equal steps, and what they do next.

The lattice does not depend on when somebody asks, so a run is the same whatever is read from
it. What was asked for is kept: outputs for `KEPT_S`, and the lamp's full state for a shorter
time, so that a switch a little in the past can still be thrown.
"""

from __future__ import annotations

import math
from array import array
from collections import deque
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from drivers.simulated import scenario
from drivers.simulated.lamp import Lamp, LampState
from drivers.simulated.mains import Mains

STEP_S = 0.25
KEPT_S = 4 * 3600.0
_REWIND_STEPS = 2400


class _Moment(NamedTuple):
    lamp: LampState
    is_switched_on: bool
    power_effect: float


class Timeline:
    """Light, power, voltage and current since the bench was switched on.

    Parameters
    ----------
    spec : scenario.Scenario
        Lamp, ballast and mains.
    seed : int
        The same seed gives the same timeline.
    """

    def __init__(self, spec: scenario.Scenario, seed: int) -> None:
        self.mains = Mains(spec.mains, seed)
        self.lamp = Lamp(
            spec.lamp, spec.ballast, nominal_v=spec.mains.nominal_v, step_s=STEP_S, seed=seed
        )
        self._now = _Moment(self.lamp.first_state(), False, 1.0)
        self._before: deque[_Moment] = deque(maxlen=_REWIND_STEPS)
        self._done = 0
        self._dropped = 0
        self._series = {
            name: array("d")
            for name in ("light_umol_s", "wall_power_w", "line_voltage_v", "line_current_a")
        }

    def switch(self, on: bool, at_s: float) -> None:
        """Close or open the lamp circuit. [s]"""
        self._go_to(at_s)
        self._now = self._now._replace(is_switched_on=on)

    def set_power_effect(self, factor: float, at_s: float) -> None:
        """Set the factor on lamp power that belongs to the hung device. [1]"""
        self._go_to(at_s)
        self._now = self._now._replace(power_effect=factor)

    def lamp_state(self, at_s: float) -> LampState:
        """Return the lamp's state, at most ten minutes back. [s]"""
        step = int(at_s / STEP_S) + 1
        self._extend(step)
        back = self._done - step
        return self._now.lamp if back <= 0 else self._moment(back).lamp

    def mean(self, name: str, start_s: float, end_s: float) -> float:
        """Return the mean of one series over a window, or its value where that has no length.

        Parameters
        ----------
        name : str
            ``"light_umol_s"``, ``"wall_power_w"``, ``"line_voltage_v"`` or
            ``"line_current_a"``.
        start_s, end_s : float
            The window. [s]
        """
        # Before the bench was switched on there was nothing: such a window begins at 0.
        start_s = max(start_s, 0.0)
        first, last = int(start_s / STEP_S), max(math.ceil(end_s / STEP_S), 1)
        if end_s - start_s < 1e-9:
            return float(self._steps(name, first, first + 1)[0])
        values = self._steps(name, first, last)
        if last - first == 1:
            return float(values[0])
        inner = float(sum(values[1:-1]))
        head = values[0] * (STEP_S * (first + 1) - start_s)
        tail = values[-1] * (end_s - STEP_S * (last - 1))
        return float(head + inner * STEP_S + tail) / (end_s - start_s)

    def lagged_mean(self, name: str, start_s: float, end_s: float, lag_s: float) -> float:
        """Return the mean over a window of one series as a slow instrument follows it.

        The signal y follows the series x by lag · dy/dt = x − y; so the mean of y over a
        window is the mean of x, less lag · (y at the end − y at the start) / length.
        """
        if lag_s <= 0.0:
            return self.mean(name, start_s, end_s)
        ended = self._lagged(name, end_s, lag_s)
        if end_s - start_s < 1e-9:
            return ended
        gain = ended - self._lagged(name, start_s, lag_s)
        return self.mean(name, start_s, end_s) - lag_s * gain / (end_s - start_s)

    def _lagged(self, name: str, at_s: float, lag_s: float) -> float:
        first = int(max(0.0, at_s - 9.0 * lag_s) / STEP_S)
        values = self._steps(name, first, int(at_s / STEP_S) + 1)
        signal = values[0]
        for value in values[:-1]:
            signal = value + (signal - value) * math.exp(-STEP_S / lag_s)
        last_s = at_s - (first + len(values) - 1) * STEP_S
        return values[-1] + (signal - values[-1]) * math.exp(-last_s / lag_s)

    def at(self, name: str, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return one series at several moments, all close together. [s]"""
        steps = (np.maximum(times_s, 0.0) / STEP_S).astype(np.int64)
        first = int(steps.min())
        values = np.asarray(self._steps(name, first, int(steps.max()) + 1))
        return np.asarray(values[steps - first])

    def _steps(self, name: str, first: int, end: int) -> array[float]:
        self._extend(end)
        if first < self._dropped:
            raise ValueError(
                f"{first * STEP_S:g} s is no longer kept: the virtual bench keeps "
                f"{KEPT_S / 3600:g} h"
            )
        return self._series[name][first - self._dropped : end - self._dropped]

    def _moment(self, back: int) -> _Moment:
        if back > len(self._before):
            raise ValueError(
                f"more than {_REWIND_STEPS * STEP_S:g} s before the newest time asked for"
            )
        return self._before[-back]

    def _go_to(self, at_s: float) -> None:
        """Stand at the first step that begins at `at_s` or later, forgetting later ones."""
        step = math.ceil(at_s / STEP_S - 1e-9)
        self._extend(step)
        back = self._done - step
        if back <= 0:
            return
        self._now = self._moment(back)
        for _ in range(back):
            self._before.pop()
        self._done = step
        for series in self._series.values():
            del series[step - self._dropped :]

    def _extend(self, end: int) -> None:
        light, power = self._series["light_umol_s"], self._series["wall_power_w"]
        voltage, current = self._series["line_voltage_v"], self._series["line_current_a"]
        while self._done < end:
            now = self._now
            at_s = self._done * STEP_S
            supply = self.mains.over(at_s, at_s + STEP_S)
            lamp, output = self.lamp.step(
                now.lamp,
                supply,
                at_s=at_s,
                is_switched_on=now.is_switched_on,
                power_effect=now.power_effect,
            )
            light.append(output.light_umol_s)
            power.append(output.wall_power_w)
            voltage.append(supply.mean_v)
            current.append(output.line_current_a)
            self._before.append(now)
            self._now = _Moment(lamp, now.is_switched_on, now.power_effect)
            self._done += 1
        if self._done - self._dropped > 2 * KEPT_S / STEP_S:
            surplus = self._done - self._dropped - int(KEPT_S / STEP_S)
            for series in self._series.values():
                del series[:surplus]
            self._dropped += surplus
