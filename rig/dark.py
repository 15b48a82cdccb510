"""The dark reading: what the sensor shows with the lamp off."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from attrs import evolve

from analysis.grid import Grid, serpentine
from rig.attendant import Attendant
from rig.done import Done
from rig.plan import Plan
from rig.points import Points, spread_points
from rig.progress import RunProgress

#: Dark above this share of the smallest value expected is read at every point.
DARK_SHARE = 0.01
#: Share of a bare lamp's flux that reaches the weakest corner, per plane area, at the very
#: least; only used to judge the dark reading (common practice, no source).
WEAKEST_SHARE = 0.2


class DarkReading:
    """The points that are read with the lamp off, those left out that were read before.

    Parameters
    ----------
    plan : Plan
    grid : Grid
    attendant : Attendant
    progress : RunProgress
    points : Points
    """

    def __init__(
        self,
        plan: Plan,
        grid: Grid,
        attendant: Attendant,
        progress: RunProgress,
        points: Points,
    ) -> None:
        self._plan = plan
        self._grid = grid
        self._attendant = attendant
        self._progress = progress
        self._points = points

    def mean(self, done: Done) -> float:
        """Return the mean of what was read dark, 0 where nothing was. [µmol m⁻² s⁻¹]"""
        values = list(done.dark().values())
        return float(np.mean(values)) if values else 0.0

    def missing(self, done: Done) -> list[int]:
        """Return the points that are still to be read dark, in their order."""
        if self._plan.dark.points == 0:
            return []
        read = done.dark()
        few = self._planned()
        if all(index in read for index in few) and self._is_bright([read[i] for i in few]):
            few = self._everywhere()
        return [index for index in few if index not in read]

    def read(self, done: Done, make_sure: Callable[[], None]) -> float:
        """Read what is missing, the lamp off; return the mean of all. [µmol m⁻² s⁻¹]

        Parameters
        ----------
        make_sure : callable
            Sees that the lamp is off; called only if there is anything to read.
        """
        plan = self._plan.dark
        if plan.points == 0:
            if not done.dark_was_skipped:
                self._attendant.log.event("dark-skipped", "", plan.skip_reason)
            return 0.0
        missing = self.missing(done)
        if not missing:
            return self.mean(done)
        make_sure()
        self._attendant.log.event("dark-begun")
        self._progress.phase("Dark reading", f"{len(missing)} points")
        place = self._points.place("dark")
        self._attendant.power_goes_to(evolve(place, mounting_height_mm=None))
        values = done.dark()

        def take(index: int, read: np.ndarray) -> None:
            values[index] = float(np.nanmean(read))

        self._points.visit_all(missing, "dark", take)
        first = [values[index] for index in self._planned()]
        rest = [index for index in self._everywhere() if index not in values]
        if rest and self._is_bright(first):
            self._attendant.log.event(
                "note",
                "light_sensor",
                f"dark mean {np.mean(first):.2f} µmol/m²/s is above 1 % of the weakest value "
                f"expected ({self._limit():.2f}): the whole grid is read dark",
            )
            self._points.visit_all(rest, "dark", take)
        return float(np.mean(list(values.values())))

    def _planned(self) -> list[int]:
        points = self._plan.dark.points
        return self._everywhere() if points == "all" else spread_points(self._grid, int(points))

    def _everywhere(self) -> list[int]:
        return [int(index) for index in serpentine(self._grid)]

    def _is_bright(self, values: list[float]) -> bool:
        return not math.isnan(mean := float(np.mean(values))) and abs(mean) > self._limit()

    def _limit(self) -> float:
        flux = self._plan.lamp.rated_flux_umol_s
        if flux is None:
            # About 1.7 µmol/J for discharge lamps: common practice, no source.
            flux = 1.7 * self._plan.lamp.rated_power_w
        return DARK_SHARE * WEAKEST_SHARE * flux / self._grid.area_m2
