"""Going to a point of the grid, settling there, and reading it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from attrs import evolve

from analysis.grid import Grid
from analysis.quantities import MEASURED
from rig import faults
from rig.attendant import Attendant
from rig.course import Stay
from rig.hand.lead import Lead
from rig.hand.order import PointOrder, Wish
from rig.hand.steady import steady_for_s
from rig.plan import Plan
from rig.rows import SKIPPED, Place


class Points:
    """The points of the plane, as the run visits them.

    Parameters
    ----------
    plan : Plan
    grid : Grid
    attendant : Attendant
    lead : Lead, optional
        Leads the person that is the stage; None where a stage moves.

    Attributes
    ----------
    lead : Lead or None
    stay : Stay
        The height and the installation that readings are filed under.
    reference : int
        Index of the reference point in the grid.
    """

    def __init__(
        self, plan: Plan, grid: Grid, attendant: Attendant, lead: Lead | None = None
    ) -> None:
        self.lead = lead
        self._plan = plan
        self._grid = grid
        self._attendant = attendant
        self._clock = attendant.clock
        self.stay = Stay(plan.heights.mounting_height_mm[0], 1)
        self.reference = first_reference(plan, grid)

    def visit(self, index: int, place: Place, order: PointOrder | None = None) -> np.ndarray:
        """Go to a point, settle, take the samples, and have them on disk before moving on.

        Parameters
        ----------
        order : PointOrder, optional
            The way on which it lies, shown to a person who is led along it.

        Raises
        ------
        Wish
            A person wants another point, or none.
        """
        lead = self.lead
        self._turn_to(place.role, index, order)
        x_mm, y_mm = self.xy(index)
        reached = self._attendant.move(x_mm, y_mm)
        here = evolve(self.place(place.role, index), x_mm=reached.x_mm, y_mm=reached.y_mm)
        if not self.is_keyed:
            still_s = self._attendant.instruments.stage.still_since_s
            begun_s = self._clock.elapsed_s() if still_s is None else still_s
            self._attendant.wait_until(begun_s + self._plan.sampling.settle_s)
            if lead is not None:
                self._await_steady(here, lead)
        count = self._plan.sampling.samples_per_point
        values = np.array([self._sample(here, number, count) for number in range(1, count + 1)])
        self._attendant.log.acknowledge()
        if lead is not None:
            lead.was_read(float(np.mean(values)))
        return values

    def visit_all(
        self, indices: Sequence[int], role: str, take: Callable[[int, np.ndarray], None]
    ) -> None:
        """Visit points one after another; `take` is given each with its samples.

        Where a person typed what cannot be true, the point is asked for again.
        """
        order = PointOrder(indices)
        while (index := order.at) is not None:
            try:
                values = self.visit(index, self.place(role), order)
            except Wish as wish:
                self.follow(order, role, wish)
                continue
            if not np.isnan(values).all():
                take(index, values)
                order.read()

    def follow(self, order: PointOrder, role: str, wish: Wish) -> None:
        """Go where the person wishes, and write it down."""
        left, is_skip = order.at, wish.way == "skip"
        order.follow(wish.way)
        index = left if is_skip else order.at
        if index is None or (is_skip and index in order.done):  # its value stands
            return
        event = SKIPPED if is_skip else f"point-{wish.way}"
        self._attendant.log.event(event, self.place(role, index).words, wish.reason)
        self._attendant.log.acknowledge()

    def _await_steady(self, place: Place, lead: Lead) -> None:
        """Wait until the value holds still after a person has let go of the sensor."""
        options, place = lead.options, evolve(place, role="background")
        until_s = self._clock.elapsed_s() + options.steady_within_s
        moments_s: list[float] = []
        values: list[float] = []
        while True:
            values.append(self._attendant.read_light(place, len(values) + 1))
            moments_s.append(self._clock.elapsed_s())
            held_s = steady_for_s(moments_s, values, percent=options.steady_percent)
            lead.tell(
                f"{values[-1]:.4g} µmol/m²/s   steady for {held_s:.0f} of "
                f"{options.steady_window_s:g} s"
            )
            if held_s >= options.steady_window_s:
                return
            if moments_s[-1] > until_s:
                self._attendant.log.event(
                    "note",
                    "light_sensor",
                    f"{place.words}: not steady after {options.steady_within_s:g} s, read as it is",
                )
                return

    def _sample(self, place: Place, number: int, count: int) -> float:
        """Take one sample; what cannot be true is kept, marked, and read again."""
        if self.lead is not None:
            self.lead.reads(number, count)
        tries = 0
        while True:
            value = self._attendant.read_light(place, number)
            fault = self._implausible(value, place)
            if fault is None:
                return value
            if self.is_keyed:  # a person's last word: on record, and no value of the point
                self._attendant.log.event("note", "light_sensor", str(fault))
                return math.nan
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
        self._turn_to("warm-up", self.reference)
        x_mm, y_mm = self.xy(self.reference)
        self._attendant.move(x_mm, y_mm, height_mm)

    def visit_reference(self, order: PointOrder | None = None) -> float:
        """Revisit the reference point; return the mean of its samples. [µmol m⁻² s⁻¹]

        Wall power that a person reads off is asked for here, too.

        Raises
        ------
        Wish
            A person goes back to a point first.
        """
        mean = math.nan
        while math.isnan(mean):  # a person typed what cannot be true
            mean = float(np.mean(self.visit(self.reference, self.place("reference"), order)))
        self._attendant.read_power()
        return mean

    @property
    def is_keyed(self) -> bool:
        """Whether light is read off and typed."""
        return self.lead is not None and self.lead.is_keyed

    def _turn_to(self, role: str, index: int, order: PointOrder | None = None) -> None:
        if self.lead is not None:
            self.lead.turn_to(self.place(role, index), index, self.reference, order)

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
        self._turn_to(role, self.reference)
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
