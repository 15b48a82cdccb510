"""What is looked at every few seconds beside the run: lamp time, disk, time itself.

None of them speaks to an instrument; the attendant's loop serves them, so a watch that is served
late has found out that the loop was held up.
"""

from __future__ import annotations

import math
import os
import shutil
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Final, NoReturn, Protocol

from drivers.clock import Clock, Watchdog
from rig import faults
from rig.logbook import Logbook
from rig.operator import LAST_ACTS
from rig.progress import duration

#: Free disk is looked at this often, and a run ends in good order below this much of it.
DISK_EVERY_S: Final = 30.0
DISK_LEAST_BYTES: Final = 20_000_000
#: Clock and loop are looked at this often. [s]
TIME_EVERY_S: Final = 5.0
#: A clock is corrected by less than this all the time. [s]
STEP_S: Final = 5.0
#: A loop that is this late was held up: the computer slept, or hung. [s]
LATE_S: Final = 30.0


#: A loop that has not come round for so long is stuck, and the program ends itself. [s]
STUCK_S: Final = 60.0


def end_stuck_program() -> NoReturn:
    """End a program whose loop is stuck: its ports close, and a lamp relay opens by itself."""
    message = (
        f"evenfall: stuck for {STUCK_S:.0f} s; the program ends itself. What was read is kept. A "
        "lamp relay opens by itself; a lamp lit by hand is still lit: switch it off. Then: "
        "evenfall resume RUN\n"
    )
    for act in LAST_ACTS:
        act()
    os.write(2, message.encode())
    os._exit(1)


class Watch(Protocol):
    """Something that is looked at."""

    @property
    def due_s(self) -> float:
        """Elapsed time of the next look. [s]"""
        ...

    def look(self) -> None:
        """Look.

        Raises
        ------
        RunStopped
            What is seen ends or interrupts the run.
        """
        ...


class LampOnLimit:
    """The longest that a lamp may stay lit without a break.

    Parameters
    ----------
    most_s : float
        [s]
    """

    def __init__(self, most_s: float) -> None:
        self._most_s = most_s
        self.due_s = math.inf

    def lit(self, since_s: float) -> None:
        """Count from here. [s]"""
        self.due_s = since_s + self._most_s

    def off(self) -> None:
        """Count no more."""
        self.due_s = math.inf

    def look(self) -> None:
        """Stop: it is called when the time is over only."""
        self.off()
        raise faults.stop_for(
            faults.Hazard(
                f"the lamp has been lit for {duration(self._most_s)}, the longest that the plan "
                "allows (trouble.lamp_on_most_h). Switch it off if it is still lit."
            ),
            1,
        )


class DiskWatch:
    """Ends the run in good order before the disk is full.

    Parameters
    ----------
    clock : Clock
    folder : Path
        The run folder.
    free_bytes : callable
        Says how much is free where a folder lies. [bytes]
    """

    def __init__(
        self,
        clock: Clock,
        folder: Path,
        free_bytes: Callable[[Path], int] = lambda folder: shutil.disk_usage(folder).free,
    ) -> None:
        self._clock = clock
        self._folder = folder
        self._free_bytes = free_bytes
        self.due_s = clock.elapsed_s()

    def look(self) -> None:
        """Look at the space left."""
        self.due_s = self._clock.elapsed_s() + DISK_EVERY_S
        free = self._free_bytes(self._folder)
        if free < DISK_LEAST_BYTES:
            raise faults.RunStopped(
                f"disk nearly full: {free / 1e6:.0f} MB are left at {self._folder}, and a run ends "
                f"below {DISK_LEAST_BYTES / 1e6:.0f} MB while it still can be closed. Free some "
                f"space, then: evenfall resume {self._folder}"
            )


class TimeWatch:
    """Sees a clock that was stepped, and a loop that was held up.

    Time of day is only written down, never counted with, so a step of it harms nothing; a loop
    that was held up has left the bench alone for that time.

    Parameters
    ----------
    log : Logbook

    Attributes
    ----------
    watchdog : Watchdog or None
        Fed here, so that it barks where the loop no longer comes round.
    """

    def __init__(self, log: Logbook) -> None:
        self._log = log
        self._clock = log.clock
        self.watchdog: Watchdog | None = None
        now = self._clock.stamp()
        self._utc, self._elapsed_s = now.utc, now.elapsed_s
        self.due_s = now.elapsed_s + TIME_EVERY_S

    def look(self) -> None:
        """Hold both clocks against each other, and the loop against its appointment."""
        now = self._clock.stamp()
        late_s = now.elapsed_s - self.due_s
        stepped_s = self._step(now.utc, now.elapsed_s)
        self._utc, self._elapsed_s = now.utc, now.elapsed_s
        self.due_s = now.elapsed_s + TIME_EVERY_S
        if self.watchdog is not None:
            self.watchdog.feed()
        if abs(stepped_s) > STEP_S:
            self._log.event(
                "clock-stepped",
                "",
                f"time of day moved by {stepped_s:+.0f} s against elapsed time; order and "
                "intervals are those of elapsed time",
            )
        if late_s > LATE_S:
            raise faults.stop_for(
                faults.TimeMissing(
                    f"nothing was done for {duration(late_s + TIME_EVERY_S)}: the computer was "
                    "suspended or held up. Switch its sleep off."
                ),
                1,
            )

    def _step(self, utc: datetime, elapsed_s: float) -> float:
        return (utc - self._utc).total_seconds() - (elapsed_s - self._elapsed_s)
