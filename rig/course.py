"""Where a run goes, in which order: mounting heights, hangings of the device, replicates."""

from __future__ import annotations

import random

from attrs import frozen

from analysis.replicates import replicate_words
from rig.plan import Plan


@frozen
class Stay:
    """One map: a mounting height [mm] under one hanging of the device, once or several times."""

    mounting_height_mm: float
    installation: int
    replicate: int | None = None

    @property
    def tenths_mm(self) -> int:
        """The height as the run folder has it: to a tenth of a millimetre."""
        return round(10.0 * self.mounting_height_mm)

    @property
    def hanging(self) -> str:
        """The hanging as events name it."""
        return f"installation {self.installation}, "

    @property
    def place_words(self) -> str:
        """Hanging and height as events name them."""
        return f"{self.hanging}mounting height {self.mounting_height_mm:g} mm"

    @property
    def words(self) -> str:
        """The stay as events name it."""
        return self.place_words + replicate_words(self.replicate)

    def is_where(self, other: Stay) -> bool:
        """Say whether the device hangs as in another stay, so that nothing is to be changed."""
        return self.place_words == other.place_words


def stays(plan: Plan, *, has_height_axis: bool) -> tuple[Stay, ...]:
    """Return the stays of a run in their order, each to be mapped.

    A height axis changes the height under one hanging; by hand, each height is a hanging of its
    own. A random order is another one for each round of installations, and follows from the seed.
    Replicates follow one another where the device hangs.
    """
    heights = plan.heights
    dice = random.Random(heights.seed)
    places: list[tuple[float, int]] = []
    for number in range(heights.installations):
        round_mm = list(heights.mounting_height_mm)
        if heights.order == "ascending":
            round_mm.sort()
        elif heights.order == "random":
            dice.shuffle(round_mm)
        for height_mm in round_mm:
            places.append((height_mm, number + 1 if has_height_axis else len(places) + 1))
    numbers = range(1, heights.replicates + 1) if heights.replicates > 1 else (None,)
    found = [Stay(*place, number) for place in places for number in numbers]
    if heights.return_to_first and not has_height_axis:
        found.append(Stay(places[0][0], len(places) + 1))
    return tuple(found)


def height_to_check(plan: Plan, course: tuple[Stay, ...], *, has_height_axis: bool) -> Stay | None:
    """Return the stay that a height axis drives back to at the end; None where there is none."""
    if not (plan.heights.return_to_first and has_height_axis):
        return None
    return next(stay for stay in course if stay.installation == course[-1].installation)
