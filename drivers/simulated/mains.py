"""The supply at the socket: slow drift, noise that has a memory, and sags."""

from __future__ import annotations

from typing import NamedTuple

from drivers.simulated import scenario
from drivers.simulated.noise import CorrelatedNoise, stream


class Supply(NamedTuple):
    """The line voltage over a short interval."""

    mean_v: float
    lowest_v: float
    low_s: float
    """How long the deepest sag within the interval lasts in all, beyond the interval too."""


class Mains:
    """Line voltage and frequency at any time.

    Parameters
    ----------
    spec : scenario.Mains
        Level, drift, noise and sags.
    seed : int
        The same seed gives the same supply.
    """

    def __init__(self, spec: scenario.Mains, seed: int) -> None:
        self.nominal_v = spec.nominal_v
        self._spec = spec
        self._slow = CorrelatedNoise(
            spec.slow_percent / 100.0, spec.slow_s, stream(seed, "mains slow")
        )
        self._fast = CorrelatedNoise(
            spec.fast_percent / 100.0, spec.fast_s, stream(seed, "mains fast")
        )
        self._frequency = CorrelatedNoise(
            spec.frequency_sd_hz, 30.0, stream(seed, "mains frequency")
        )
        self._last_sag_s = max((sag.at_s + sag.duration_s for sag in spec.sags), default=0.0)

    def frequency_hz(self, elapsed_s: float) -> float:
        """Return the frequency. [Hz]"""
        return self._spec.frequency_hz + self._frequency.at(elapsed_s)

    def over(self, start_s: float, end_s: float) -> Supply:
        """Return the voltage over a short interval. [s]"""
        middle_s = 0.5 * (start_s + end_s)
        ramp = self._spec.ramp_percent_per_hour / 100.0 * middle_s / 3600.0
        level_v = self._spec.mean_v * (
            1.0 + ramp + self._slow.at(middle_s) + self._fast.at(middle_s)
        )
        mean_v = lowest_v = level_v
        low_s = 0.0
        if start_s < self._last_sag_s:
            for sag in self._spec.sags:
                shared_s = min(end_s, sag.at_s + sag.duration_s) - max(start_s, sag.at_s)
                if shared_s <= 0.0:
                    continue
                mean_v -= level_v * sag.depth * shared_s / (end_s - start_s)
                if level_v * (1.0 - sag.depth) < lowest_v:
                    lowest_v, low_s = level_v * (1.0 - sag.depth), sag.duration_s
        return Supply(max(mean_v, 0.0), lowest_v, low_s)
