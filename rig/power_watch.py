"""What wall power gives away about the lamp: out, too much, or changed without a reason."""

from __future__ import annotations

import math
from typing import Final

from rig import faults

#: Wall power below this share of its level when stable means that the lamp went out.
LAMP_OUT_SHARE: Final = 0.5
#: A change beyond this share of the level when stable, in so many readings one after the other,
#: is a step that no mains explains: a lamp or ballast that breaks (our own figures).
STEP_SHARE: Final = 0.2
STEP_READINGS: Final = 3
#: More than this times the rated lamp power is too much, where the plan gives no limit of its own:
#: ballast losses and a boosted ballast stay below it (common practice, no source).
MOST_SHARE: Final = 1.5


class PowerWatch:
    """Holds every reading of wall power against what is allowed and what is expected.

    Parameters
    ----------
    most_w : float
        More is a hazard at any time. [W]

    Attributes
    ----------
    level_w : float
        Level of the stable lamp; NaN while nothing is expected. [W]
    lost_level_w : float
        Level before it fell away last; NaN where it never did. [W]
    """

    def __init__(self, most_w: float) -> None:
        self._most_w = most_w
        self._steps = 0
        self.level_w = self.lost_level_w = math.nan

    def expect(self, level_w: float | None) -> None:
        """Expect this level from now on; None expects nothing. [W]"""
        self.level_w = math.nan if level_w is None else level_w
        self._steps = 0

    def see(self, power_w: float) -> None:
        """Look at one reading. [W]

        Raises
        ------
        RunStopped
            The lamp went out, or wall power is too high, or it has stepped.
        """
        if power_w > self._most_w:
            raise faults.stop_for(
                faults.Hazard(
                    f"wall power is {power_w:.1f} W, allowed up to {self._most_w:g} W "
                    "(trouble.wall_power_most_w, else 1.5 times lamp.rated_power_w). Switch the "
                    "lamp off, then look at lamp, ballast and meter."
                ),
                1,
            )
        level_w = self.level_w
        if power_w < LAMP_OUT_SHARE * level_w:
            self.expect(None)
            self.lost_level_w = level_w
            raise faults.stop_for(
                faults.LampOut(
                    f"wall power fell from {level_w:.1f} W to {power_w:.1f} W: the lamp went out, "
                    "or the meter lost it. Do not restrike a hot lamp; leave it off for its "
                    "minimum off time."
                ),
                1,
            )
        stepped = abs(power_w - level_w) > STEP_SHARE * level_w
        self._steps = self._steps + 1 if stepped else 0
        if self._steps >= STEP_READINGS:
            self.expect(None)
            raise faults.stop_for(
                faults.UnexplainedStep(
                    f"wall power went from {level_w:.1f} W to {power_w:.1f} W and stays there. A "
                    "lamp may be breaking: do not go near it while it is lit; switch off first."
                ),
                1,
            )
