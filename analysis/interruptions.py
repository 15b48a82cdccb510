"""What interrupted a run, and what that does to its readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from analysis.samples import Flags, Sets

#: The event after which what was read of a map since the last reference reading is not trusted.
DOUBTED: Final = "readings-doubted"
#: Its subject where the reference point itself showed what is wrong.
REFERENCE: Final = "reference"
#: The event that says that the newest visit of the reference point is read again: it was a slip.
REPLACED: Final = "reference-replaced"


def in_doubt(sets: Sets, events: Sequence[Mapping[str, Any]], samples_per_point: int) -> Flags:
    """Find the sets of a map that were put in doubt: those since the last good reference reading.

    Where the reference point itself showed what is wrong, its newest visit is in doubt as well.

    Parameters
    ----------
    sets : Sets
        All sets of one light sensor in the order read, shape (k,).
    events : sequence of mapping
        Of the run.
    samples_per_point : int
        A visit of the reference point with fewer samples was cut short and proves nothing.

    Returns
    -------
    array of bool, shape (k,)
    """
    is_visit = (sets.role == "reference") & (sets.count >= samples_per_point)
    doubted = np.zeros(len(sets), dtype=bool)
    for event in events:
        if event["event"] == REPLACED:
            before = np.flatnonzero(is_visit & (sets.end_s <= float(event["elapsed_s"])))
            doubted[before[-1:]] = True
        if event["event"] != DOUBTED:
            continue
        at_s = float(event["elapsed_s"])
        visits = np.flatnonzero(is_visit & (sets.end_s <= at_s))
        if event["subject"] == REFERENCE and len(visits):
            doubted[visits[-1]] = True
            visits = visits[:-1]
        good_s = sets.end_s[visits].max(initial=-np.inf)
        doubted |= (sets.role == "grid") & (sets.end_s > good_s) & (sets.start_s <= at_s)
    return doubted


def remark_on_return(events: Sequence[Mapping[str, Any]], remarks: list[str]) -> None:
    """Say how the first height read when the run came back to it at the end."""
    for event in events:
        if event["event"] == "return-check":
            remarks.append(f"Check at the end of the run: {event['detail']}.")


def remark_on_interruptions(events: Sequence[Mapping[str, Any]], remarks: list[str]) -> None:
    """Say that a run was interrupted, and whether the light was the same afterwards."""
    times = sum(event["event"] in ("run-resumed", "paused") for event in events)
    if times:
        how_often = "once" if times == 1 else f"{times} times"
        remarks.append(f"The run was interrupted {how_often} and gone on with.")
    for event in events:
        if event["event"] == "reference-unlike":
            remarks.append(
                "After an interruption the reference point did not read as before "
                f"({event['detail']}): what was read before and after is joined by the drift "
                "correction alone."
            )
        elif event["event"] == DOUBTED:
            remarks.append(
                "Points read between a reference reading and a fault are left out, unless they "
                f"were read again: {event['detail']}"
            )
