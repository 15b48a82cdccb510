"""The person as a stage: carries the sensor, and says when it stands.

Where it stands is a person's word; nothing measures it. Tested with a desk in memory.
"""

from __future__ import annotations

import math

from drivers.clock import Clock
from drivers.contracts import Position
from drivers.errors import MotionRefused
from drivers.manual.desk import Carry, Desk
from drivers.manual.options import ManualStageOptions
from drivers.manual.served import ServedInstrument


class ManualStage(ServedInstrument):
    """A stage that is a person.

    Parameters
    ----------
    options : ManualStageOptions
    desk : Desk
    clock : Clock
    device : str
    """

    def __init__(
        self, options: ManualStageOptions, desk: Desk, clock: Clock, device: str = "stage"
    ) -> None:
        super().__init__(desk, clock, device, options.serial_number)
        self._target: Position | None = None
        self._at = Position(math.nan, math.nan)
        self._still_since_s: float | None = None

    @property
    def has_height_axis(self) -> bool:
        """Never: heights are changed by hand."""
        return False

    @property
    def is_homed(self) -> bool:
        """Always: a person sees where the walls are."""
        return True

    @property
    def still_since_s(self) -> float | None:
        """Elapsed time since which the sensor is said to stand, None while it is carried. [s]"""
        return self._still_since_s

    @property
    def remarks(self) -> tuple[str, ...]:
        """What a person should know of it."""
        return ("carried by hand: where the sensor stands is a person's word",)

    def start_home(self) -> float:
        """Begin homing, for which there is nothing to do. [s]"""
        self._refuse_second()
        self._target, self._needs_nobody = None, True
        return self._clock.elapsed_s()

    def start_move(self, x_mm: float, y_mm: float, z_mm: float | None = None) -> float:
        """Begin a move: have the sensor carried. [mm]

        Raises
        ------
        MotionRefused
            To another mounting height: that is no move of the sensor.
        """
        if z_mm is not None:
            raise MotionRefused(
                self.device,
                f"has no height axis to drive to {z_mm:g} mm.",
                remedy="Hang the device by hand.",
            )
        ready_s = self._put(Carry(x_mm, y_mm))
        self._target, self._still_since_s = Position(x_mm, y_mm), None
        return ready_s

    def poll(self) -> Position | None:
        """Return where the sensor is said to stand, or None while it is carried."""
        if self._target is None and self._needs_nobody:
            self._needs_nobody = False
            return self._at
        if self._reply() is None:
            return None
        assert self._target is not None
        self._at, self._still_since_s = self._target, self._clock.elapsed_s()
        return self._at

    def stop(self) -> None:
        """Stop nothing: people stop by themselves."""
