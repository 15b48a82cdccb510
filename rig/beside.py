"""An instrument that is read beside whatever the run is waiting for.

The wattmeter is read at its deadlines all the time; the monitor sensor once for each light
reading. Both live in the attendant's loop and never hold it up.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Protocol

from attrs import define, field

from drivers.clock import Clock
from drivers.contracts import Instrument, TwoPhase
from drivers.errors import DriverError
from drivers.reading import Reading
from rig import faults
from rig.rows import Place

Take = Callable[[tuple[Reading, ...], Place, int | None], None]
Complain = Callable[[DriverError, Place, int], None]


def is_due(clock: Clock, instrument: TwoPhase) -> bool:
    """Say whether polling an instrument can bring anything: its time has come, or a byte."""
    return clock.elapsed_s() >= instrument.wake_s or any(
        line.readable() for line in instrument.lines
    )


class Attended(Protocol):
    """What the loop serves beside whatever the run is waiting for."""

    @property
    def instrument(self) -> TwoPhase:
        """Whom it speaks to."""
        ...

    @property
    def is_busy(self) -> bool:
        """Whether it is in the middle of a conversation."""
        ...

    @property
    def wake_s(self) -> float:
        """Elapsed time by which it wants to be served. [s]"""
        ...

    def serve(self) -> None:
        """Do what is due, without waiting."""
        ...


@define(kw_only=True)
class Beside:
    """One such instrument and its place in the loop.

    Attributes
    ----------
    name : str
        Section of the profile, for whoever asks who failed.
    clock : Clock
    instrument : Instrument
    take : callable
        Is given the readings, the place they belong to, and the number of the sample.
    complain : callable
        Is given what failed, the place, and how many tries that makes.
    interval_s : float
        Time between readings; infinity for one that is read on request only. [s]
    due_s : float
        Elapsed time at which the next reading is due. [s]
    place : Place
        What its readings are filed under.
    """

    name: str
    clock: Clock
    instrument: Instrument
    take: Take
    complain: Complain
    interval_s: float = math.inf
    due_s: float = math.inf
    place: Place = field(factory=Place)
    sample: int | None = None
    is_busy: bool = False
    tries: int = 0

    @property
    def wake_s(self) -> float:
        """Elapsed time by which `serve` wants to be called. [s]"""
        return self.instrument.wake_s if self.is_busy else self.due_s

    @property
    def is_wanted(self) -> bool:
        """Whether a reading is due or under way that was asked for once."""
        return self.is_busy or self.due_s < math.inf

    def ask_now(self) -> None:
        """Bring the next reading forward to now."""
        self.due_s = min(self.due_s, self.clock.elapsed_s())

    def forget(self) -> None:
        """Give up a reading that is under way, and the count of those that failed."""
        self.instrument.cancel()
        self.is_busy, self.tries = False, 0
        if self.interval_s == math.inf:
            self.due_s = math.inf
        else:
            self.due_s = self.clock.elapsed_s()

    def serve(self) -> None:
        """Begin a reading that is due, carry one forward, hand over one that is there.

        Raises
        ------
        RunStopped
            It has failed as often as the fault table allows.
        """
        try:
            if not self.is_busy:
                if self.clock.elapsed_s() < self.due_s:
                    return
                self.instrument.start()
                self.is_busy = True
                self._plan_next()
            if not is_due(self.clock, self.instrument):
                return
            readings = self.instrument.poll()
        except DriverError as fault:
            self.is_busy = False
            self.tries += 1
            self.complain(fault, self.place, self.tries)
            pause_s = faults.retry_pause_s(fault, self.tries)
            if pause_s is None:
                raise faults.stop_for(fault, self.tries, self.name) from fault
            self.due_s = self.clock.elapsed_s() + pause_s
            return
        if readings is not None:
            self.is_busy = False
            self.tries = 0
            self.take(readings, self.place, self.sample)

    def _plan_next(self) -> None:
        """To deadlines, so that the log does not drift; a late start skips, never crowds."""
        now_s, planned_s = self.clock.elapsed_s(), self.due_s + self.interval_s
        self.due_s = planned_s if planned_s > now_s else now_s + self.interval_s
