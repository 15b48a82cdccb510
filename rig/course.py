"""Where a run goes, in which order: mounting heights, and hangings of the device."""

from __future__ import annotations

import random

from attrs import frozen

from rig.plan import Plan


@frozen
class Stay:
    """One mounting height under one hanging of the device. [mm]"""

    mounting_height_mm: float
    installation: int

    @property
    def tenths_mm(self) -> int:
        """The height as the run folder has it: to a tenth of a millimetre."""
        return round(10.0 * self.mounting_height_mm)

    @property
    def hanging(self) -> str:
        """The hanging as events name it."""
        return f"installation {self.installation}, "

    @property
    def words(self) -> str:
        """The stay as events name it."""
        return f"{self.hanging}mounting height {self.mounting_height_mm:g} mm"


def stays(plan: Plan, *, has_height_axis: bool) -> tuple[Stay, ...]:
    """Return the stays of a run in their order, each to be mapped.

    A height axis changes the height under one hanging; by hand, each height is a hanging of its
    own. A random order is another one for each round of installations, and follows from the seed.
    """
    heights = plan.heights
    dice = random.Random(heights.seed)
    found: list[Stay] = []
    for number in range(heights.installations):
        round_mm = list(heights.mounting_height_mm)
        if heights.order == "ascending":
            round_mm.sort()
        elif heights.order == "random":
            dice.shuffle(round_mm)
        for height_mm in round_mm:
            found.append(Stay(height_mm, number + 1 if has_height_axis else len(found) + 1))
    if heights.return_to_first and not has_height_axis:
        found.append(Stay(found[0].mounting_height_mm, len(found) + 1))
    return tuple(found)


def height_to_check(plan: Plan, course: tuple[Stay, ...], *, has_height_axis: bool) -> Stay | None:
    """Return the stay that a height axis drives back to at the end; None where there is none."""
    if not (plan.heights.return_to_first and has_height_axis):
        return None
    return next(stay for stay in course if stay.installation == course[-1].installation)
