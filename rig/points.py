"""Going to a point of the grid, settling there, and reading it."""

from __future__ import annotations

import math

import numpy as np
from attrs import evolve

from analysis.grid import Grid
from analysis.quantities import MEASURED
from rig import faults
from rig.attendant import Attendant
from rig.course import Stay
from rig.plan import Plan
from rig.rows import Place


class Points:
    """The points of the plane, as the run visits them.

    Parameters
    ----------
    plan : Plan
    grid : Grid
    attendant : Attendant

    Attributes
    ----------
    stay : Stay
        The height and the installation that readings are filed under.
    reference : int
        Index of the reference point in the grid.
    """

    def __init__(self, plan: Plan, grid: Grid, attendant: Attendant) -> None:
        self._plan = plan
        self._grid = grid
        self._attendant = attendant
        self._clock = attendant.clock
        self.stay = Stay(plan.heights.mounting_height_mm[0], 1)
        self.reference = first_reference(plan, grid)

    def visit(self, index: int, place: Place) -> np.ndarray:
        """Go to a point, settle, take the samples, and have them on disk before moving on."""
        x_mm, y_mm = self.xy(index)
        reached = self._attendant.move(x_mm, y_mm)
        still_s = self._attendant.instruments.stage.still_since_s
        begun_s = self._clock.elapsed_s() if still_s is None else still_s
        self._attendant.wait_until(begun_s + self._plan.sampling.settle_s)
        here = evolve(self.place(place.role, index), x_mm=reached.x_mm, y_mm=reached.y_mm)
        count = self._plan.sampling.samples_per_point
        values = np.array([self._sample(here, number + 1) for number in range(count)])
        self._attendant.log.acknowledge()
        return values

    def _sample(self, place: Place, number: int) -> float:
        """Take one sample; what cannot be true is kept, marked, and read again."""
        tries = 0
        while True:
            value = self._attendant.read_light(place, number)
            fault = self._implausible(value, place)
            if fault is None:
                return value
            tries += 1
            pause_s = faults.retry_pause_s(fault, tries)
            self._attendant.log.event("retry" if tries > 1 else "fault", "light_sensor", str(fault))
            if pause_s is None:
                raise faults.stop_for(fault, tries, "light_sensor")
            self._attendant.wait_until(self._clock.elapsed_s() + pause_s)

    def _implausible(self, value: float, place: Place) -> faults.ImplausibleLight | None:
        low, high = MEASURED["ppfd_umol_m2_s"].plausible
        if math.isnan(value):
            received = "the sensor says that it has no value"
        elif value >= (most := self._attendant.log.saturated_umol_m2_s):
            received = f"{value:g} µmol/m²/s, the end of its range ({most:g}): it is saturated"
        elif not low <= value <= high:
            received = f"{value:g} µmol/m²/s, allowed {low:g} to {high:g}"
        else:
            return None
        return faults.ImplausibleLight(
            f"light sensor at {place.words}: {received}. Check the sensor and its cable."
        )

    def park(self, height_mm: float | None = None) -> None:
        """Go to the reference point, and to a mounting height where an axis drives it. [mm]"""
        x_mm, y_mm = self.xy(self.reference)
        self._attendant.move(x_mm, y_mm, height_mm)

    def visit_reference(self) -> float:
        """Revisit the reference point; return the mean of its samples. [µmol m⁻² s⁻¹]"""
        return float(np.mean(self.visit(self.reference, self.place("reference"))))

    def xy(self, index: int) -> tuple[float, float]:
        """Return where a point lies on the plane. [mm]"""
        return float(self._grid.x_mm[index]), float(self._grid.y_mm[index])

    def place(self, role: str, index: int | None = None) -> Place:
        """Return what readings of this role, at this point, are filed under."""
        return Place(
            role=role,
            installation=self.stay.installation,
            grid_row=None if index is None else int(self._grid.row[index]),
            grid_column=None if index is None else int(self._grid.column[index]),
            mounting_height_mm=self.stay.mounting_height_mm,
        )

    def at_reference(self, role: str) -> Place:
        """Return the place of a reading taken while parked at the reference point."""
        x_mm, y_mm = self.xy(self.reference)
        return evolve(self.place(role, self.reference), x_mm=x_mm, y_mm=y_mm)

    def choose_reference(self, means: np.ndarray) -> None:
        """With a map at hand, take the cell of the lowest slope for the maps to come."""
        if self._plan.sampling.reference_point != "auto":
            return
        matrix = self._grid.to_matrix(means)
        if min(matrix.shape) < 3:
            return
        slope = np.hypot(*np.gradient(matrix)) / matrix
        inner = np.full(matrix.shape, math.nan)
        inner[1:-1, 1:-1] = slope[1:-1, 1:-1]
        if np.isnan(inner).all():
            return
        row, column = np.unravel_index(int(np.nanargmin(inner)), matrix.shape)
        self.reference = int(self._grid.index_of(row, column))
        self._attendant.log.event(
            "reference-chosen",
            self.place("reference", self.reference).words,
            f"lowest slope, {100 * inner[row, column]:.2f} % a cell",
        )


def spread_points(grid: Grid, count: int) -> list[int]:
    """Choose so many points, the centre first, then as far from the chosen ones as can be."""
    x_mm, y_mm = grid.x_mm, grid.y_mm
    chosen = [_centre(grid)]
    while len(chosen) < min(count, len(x_mm)):
        away = np.min([np.hypot(x_mm - x_mm[i], y_mm - y_mm[i]) for i in chosen], axis=0)
        chosen.append(int(np.argmax(away)))
    return chosen


def first_reference(plan: Plan, grid: Grid) -> int:
    """Return the planned point; else the cell nearest the centre, where the field is flattest."""
    planned = plan.sampling.reference_point
    if planned == "auto":
        return _centre(grid)
    row, column = planned
    return int(grid.index_of(row, column))


def _centre(grid: Grid) -> int:
    x_mm, y_mm = grid.x_mm, grid.y_mm
    middle_x, middle_y = (x_mm.min() + x_mm.max()) / 2, (y_mm.min() + y_mm.max()) / 2
    return int(np.argmin(np.hypot(x_mm - middle_x, y_mm - middle_y)))
