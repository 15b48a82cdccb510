"""Where a run goes, in which order: mounting heights, and hangings of the device."""

from __future__ import annotations

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
    """Return the stays of a run in their order.

    A height axis changes the height under one hanging; by hand, each height is a hanging of its
    own.
    """
    return tuple(
        Stay(height_mm, 1 if has_height_axis else number)
        for number, height_mm in enumerate(plan.heights.mounting_height_mm, start=1)
    )
