"""Where a person is in the work, as a view of it."""

from __future__ import annotations

import math
from typing import Final

from attrs import define, evolve, field

from analysis.grid import Grid
from rig.hand.order import PointOrder
from rig.hand.view import HandView, PointState
from rig.rows import Place

ALWAYS: Final = (("p", "pause"), ("x", "stop"))
_ROLES: Final = {
    "grid": "Point",
    "reference": "Reference point",
    "dark": "Dark reading, point",
    "quick-look": "Quick look, point",
    "warm-up": "Warm-up, reference point",
}


@define(kw_only=True)
class Moment:
    """The point at hand and the way through the points.

    Attributes
    ----------
    grid : Grid
    device : str
    place : Place
        What the point is read for.
    index, reference : int
        The point, and the reference point.
    order : PointOrder or None
        The way through the points; None where there is one point only.
    visit : int
        Which visit of the reference point this is.
    sample : str
        Which of several readings of the point this is; empty for the only one.
    last : str
        What was read last.
    left_s : float or None
        Time that the map will still take. [s]
    """

    grid: Grid
    device: str
    place: Place = field(factory=Place)
    index: int = 0
    reference: int = 0
    order: PointOrder | None = None
    visit: int = 1
    sample: str = ""
    last: str = ""
    left_s: float | None = None

    @property
    def ways(self) -> tuple[tuple[str, str], ...]:
        """The keys that lead elsewhere, those that have somewhere to lead."""
        order = self.order
        if order is None:
            return ALWAYS
        again = (("r", "redo last"),) if order.last is not None or self.visit > 1 else ()
        skip = (("s", "skip"),) if self.place.role in ("grid", "quick-look") else ()
        back = (("b", "back"),) if order.has_before else ()
        return (*again, *skip, *back, *ALWAYS)

    def at_point(self, instruction: str) -> HandView:
        """Return a view of the point, at which nothing is asked yet."""
        grid, index = self.grid, self.index
        return evolve(
            self.nowhere(self._headline(), instruction),
            row=int(grid.row[index]),
            column=int(grid.column[index]),
            from_left_mm=float(grid.x_mm[index]),
            from_front_mm=float(grid.y_mm[index]),
        )

    def nowhere(self, headline: str, instruction: str) -> HandView:
        """Return a view that is of no point."""
        grid = self.grid
        return HandView(
            headline=headline,
            device=self.device,
            mounting_height_mm=self.place.mounting_height_mm or math.nan,
            instruction=instruction,
            states=self._states(),
            reference=(int(grid.row[self.reference]), int(grid.column[self.reference])),
            asks="nothing",
            last=self.last,
            left_s=self.left_s,
        )

    def _headline(self) -> str:
        role, order = self.place.role, self.order
        name = _ROLES.get(role, role)
        if role == "reference":
            return f"{name}, visit {self.visit}{self.sample}"
        if order is not None:
            name = f"{name} {min(order.position + 1, order.count)} of {order.count}"
        return f"{name}{self.sample}"

    def _states(self) -> tuple[tuple[PointState, ...], ...]:
        grid, order = self.grid, self.order
        states: list[list[PointState]] = [["outside"] * grid.columns for _ in range(grid.rows)]
        done = frozenset() if order is None else order.done
        skipped = () if order is None else order.skipped
        for index in range(len(grid)):
            state: PointState = "open"
            if index == self.index:
                state = "next"
            elif index in done:
                state = "done"
            elif index in skipped:
                state = "skipped"
            states[int(grid.row[index])][int(grid.column[index])] = state
        return tuple(tuple(row) for row in states)
