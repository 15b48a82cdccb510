"""The fault table: the only place that decides what happens when something goes wrong.

Hazards stop everything at once. Motion faults stop motion, with no unlocking on our own.
Measurement faults are retried a bounded number of times, every try on record. Whatever
happens, all that was read is kept, and the reason is one line.
"""

from __future__ import annotations

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
    StageError,
    WriteStalled,
)


class FaultClass(Enum):
    """What kind of trouble it is."""

    HAZARD = "hazard"
    MOTION = "motion fault"
    MEASUREMENT = "measurement fault"


class RunStopped(Exception):
    """The run ends here. The message is the one line that says why.

    Attributes
    ----------
    exit_code : int
        1 the measurement failed or was refused, 130 stopped by the operator.
    folder : Path or None
        Where everything is that was read until then; set once there is such a folder.
    """

    def __init__(self, reason: str, *, exit_code: int = 1) -> None:
        self.reason = reason
        self.exit_code = exit_code
        self.folder: Path | None = None
        super().__init__(reason)


class Hazard(Exception):
    """Something that may hurt somebody or something: stop at once."""


class ImplausibleLight(Exception):
    """The light sensor answers, but not with what the moment must bring."""


@frozen(kw_only=True)
class Row:
    """One row of the table.

    Attributes
    ----------
    fault_class : FaultClass
    tries : int
        How often the same thing is attempted in all before the run stops.
    pause_s : float
        Time between tries. [s]
    """

    fault_class: FaultClass
    tries: int
    pause_s: float = 0.0


TABLE: Final[dict[type[Exception], Row]] = {
    Hazard: Row(fault_class=FaultClass.HAZARD, tries=1),
    StageError: Row(fault_class=FaultClass.MOTION, tries=1),
    NoReply: Row(fault_class=FaultClass.MEASUREMENT, tries=4, pause_s=0.5),
    GarbledReply: Row(fault_class=FaultClass.MEASUREMENT, tries=4, pause_s=0.2),
    DeviceFault: Row(fault_class=FaultClass.MEASUREMENT, tries=3, pause_s=1.0),
    WriteStalled: Row(fault_class=FaultClass.MEASUREMENT, tries=2, pause_s=1.0),
    PortLost: Row(fault_class=FaultClass.MEASUREMENT, tries=1),
    ImplausibleLight: Row(fault_class=FaultClass.MEASUREMENT, tries=3, pause_s=1.0),
    DriverError: Row(fault_class=FaultClass.MEASUREMENT, tries=1),
}


def row_for(fault: Exception, *, of_stage: bool = False) -> Row:
    """Return the row of the nearest listed ancestor of the fault's type.

    Whatever fails at the stage, its port or its replies, is a motion fault: nobody knows then
    where it stands.
    """
    if of_stage and not isinstance(fault, Hazard):
        return TABLE[StageError]
    for kind in type(fault).__mro__:
        if kind in TABLE:
            return TABLE[kind]
    raise fault


def retry_pause_s(fault: Exception, tries_made: int, *, of_stage: bool = False) -> float | None:
    """Decide whether to try again: the time to wait first, or None to stop. [s]"""
    row = row_for(fault, of_stage=of_stage)
    return row.pause_s if tries_made < row.tries else None


def stop_for(fault: Exception, tries_made: int, *, of_stage: bool = False) -> RunStopped:
    """Return the end of the run for a fault that is not retried (any more)."""
    row = row_for(fault, of_stage=of_stage)
    tried = f" ({tries_made} tries)" if tries_made > 1 else ""
    return RunStopped(f"{row.fault_class.value}: {fault}{tried}")
