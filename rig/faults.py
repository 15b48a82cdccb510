"""The fault table: the only place that decides what happens when something goes wrong.

Hazards stop everything at once and are never gone on from unaided. Motion faults stop motion,
with no unlocking on our own: a person looks, and says when to go on; only after a lost port may
the plan let the stage home with nobody asked. Measurement faults are
retried a bounded number of times, every try on record; then the run pauses until the instrument
answers again. A pause is bounded too: when its time is over, the lamp goes off and the run ends.
Whatever happens, all that was read is kept, and the reason is one line.

After a pause the stage homes and the reference point is read before any other; where a fault
leaves doubt about what was read before it, that is read again from the last reference reading on.
"""

from __future__ import annotations

import math
from enum import Enum
from pathlib import Path
from typing import Final

from attrs import frozen

from drivers.errors import (
    DeviceFault,
    DriverError,
    GarbledReply,
    NoReply,
    PortLost,
    RelayError,
    StageError,
    WriteStalled,
)

#: Subject of a pause that a person wished for.
PERSON: Final = "operator"


class FaultClass(Enum):
    """What kind of trouble it is."""

    HAZARD = "hazard"
    MOTION = "motion fault"
    MEASUREMENT = "measurement fault"
    INTERRUPTION = "interruption"


class Then(Enum):
    """What happens when a fault is not retried any more."""

    #: Motion stops, the lamp circuit opens, the folder is closed.
    STOP = "stop"
    #: Motion stops, the lamp stays as it is, until the instrument answers again.
    AWAIT_INSTRUMENT = "await the instrument"
    #: Motion stops, the lamp stays as it is, until a person says that it is mended.
    AWAIT_PERSON = "await a person"
    #: As before; where the plan lets the stage home unasked, only until its port is back.
    AWAIT_STAGE_PORT = "await the port of the stage"
    #: The lamp circuit opens; an armed relay lights the lamp anew after its minimum off time.
    RELIGHT = "relight"
    #: Nothing failed, but time is missing: the stage homes and the reference is read anew.
    REJOIN = "rejoin"


class RunStopped(Exception):
    """The run ends here. The message is the one line that says why.

    Attributes
    ----------
    exit_code : int
        1 the measurement failed or was refused, 130 stopped by the operator.
    subject : str
        Whom it is about: a section of the profile, the reference point, or nobody.
    doubts : bool
        Whether what was read since the last reference reading is to be read again.
    folder : Path or None
        Where everything is that was read until then; set once there is such a folder.
    """

    def __init__(
        self, reason: str, *, exit_code: int = 1, subject: str = "", doubts: bool = False
    ) -> None:
        self.reason = reason
        self.exit_code = exit_code
        self.subject = subject
        self.doubts = doubts
        self.folder: Path | None = None
        super().__init__(reason)


class Interrupted(RunStopped):
    """The run cannot go on as it is; it pauses, or ends here where no pause is allowed.

    Attributes
    ----------
    row : Row
        What the table says.
    port_lost : bool
        The port is gone and has to be opened anew.
    least_power_w : float
        A wattmeter is back only once it shows so much. [W]
    """

    def __init__(
        self,
        reason: str,
        row: Row,
        subject: str,
        *,
        port_lost: bool = False,
        least_power_w: float = -math.inf,
    ) -> None:
        super().__init__(reason, subject=subject)
        self.row = row
        self.port_lost = port_lost
        self.least_power_w = least_power_w


def paused_by_person() -> Interrupted:
    """Return what interrupts a run where a person wishes to pause: nothing failed."""
    row = Row(fault_class=FaultClass.INTERRUPTION, tries=1, then=Then.AWAIT_PERSON)
    return Interrupted("Paused by the operator.", row, PERSON)


class Hazard(Exception):
    """Something that may hurt somebody or something: stop at once."""


class UnexplainedStep(Hazard):
    """Light or power is another from one moment to the next, and nothing says why."""


class LampOut(Exception):
    """The lamp went out, as wall power shows."""


class StagePortLost(Exception):
    """The port of the stage is gone: it can be told nothing, not even to stop."""


class ImplausibleLight(Exception):
    """The light sensor answers, but not with what the moment must bring."""


class StuckSensor(Exception):
    """The light sensor gives the very same value where a slope is due."""


class TimeMissing(Exception):
    """The computer was suspended, or held up for long."""


@frozen(kw_only=True)
class Row:
    """One row of the table.

    Attributes
    ----------
    fault_class : FaultClass
    tries : int
        How often the same thing is attempted in all.
    pause_s : float
        Time between tries. [s]
    then : Then
        What happens after the last try.
    doubts : bool
        Whether what was read since the last reference reading is read again.
    """

    fault_class: FaultClass
    tries: int
    pause_s: float = 0.0
    then: Then = Then.STOP
    doubts: bool = False


def _measurement(tries: int, pause_s: float = 0.0) -> Row:
    return Row(
        fault_class=FaultClass.MEASUREMENT,
        tries=tries,
        pause_s=pause_s,
        then=Then.AWAIT_INSTRUMENT,
    )


TABLE: Final[dict[type[Exception], Row]] = {
    Hazard: Row(fault_class=FaultClass.HAZARD, tries=1),
    UnexplainedStep: Row(fault_class=FaultClass.HAZARD, tries=1, doubts=True),
    LampOut: Row(fault_class=FaultClass.HAZARD, tries=1, then=Then.RELIGHT, doubts=True),
    RelayError: Row(fault_class=FaultClass.HAZARD, tries=1),
    StageError: Row(fault_class=FaultClass.MOTION, tries=1, then=Then.AWAIT_PERSON, doubts=True),
    StagePortLost: Row(
        fault_class=FaultClass.MOTION, tries=1, then=Then.AWAIT_STAGE_PORT, doubts=True
    ),
    NoReply: _measurement(4, 0.5),
    GarbledReply: _measurement(4, 0.2),
    DeviceFault: _measurement(3, 1.0),
    WriteStalled: _measurement(2, 1.0),
    PortLost: _measurement(1),
    ImplausibleLight: _measurement(3, 1.0),
    StuckSensor: Row(
        fault_class=FaultClass.MEASUREMENT, tries=1, then=Then.AWAIT_PERSON, doubts=True
    ),
    TimeMissing: Row(fault_class=FaultClass.INTERRUPTION, tries=1, then=Then.REJOIN, doubts=True),
    DriverError: _measurement(1),
}


def row_for(fault: Exception, *, of_stage: bool = False) -> Row:
    """Return the row of the nearest listed ancestor of the fault's type.

    Whatever fails at the stage, its port or its replies, is a motion fault: nobody knows then
    where it stands.
    """
    if of_stage and not isinstance(fault, Hazard):
        return TABLE[StagePortLost if isinstance(fault, PortLost) else StageError]
    for kind in type(fault).__mro__:
        if kind in TABLE:
            return TABLE[kind]
    raise fault


def retry_pause_s(fault: Exception, tries_made: int, *, of_stage: bool = False) -> float | None:
    """Decide whether to try again: the time to wait first, or None to stop. [s]"""
    row = row_for(fault, of_stage=of_stage)
    return row.pause_s if tries_made < row.tries else None


def stop_for(fault: Exception, tries_made: int, subject: str = "") -> RunStopped:
    """Return what ends the run, or interrupts it, for a fault that is not retried (any more).

    Parameters
    ----------
    fault : Exception
    tries_made : int
    subject : str
        Section of the profile of whoever failed, or the reference point.
    """
    row = row_for(fault, of_stage=subject == "stage")
    tried = f" ({tries_made} tries)" if tries_made > 1 else ""
    reason = f"{row.fault_class.value}: {fault}{tried}"
    # A thermometer watches a limit.
    if row.then is Then.STOP or subject == "thermometer":
        return RunStopped(reason, subject=subject, doubts=row.doubts)
    return Interrupted(reason, row, subject, port_lost=isinstance(fault, PortLost))
