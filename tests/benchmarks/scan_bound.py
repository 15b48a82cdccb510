"""The shortest time in which a map can be read, by arithmetic of its own.

For every visit of a point, the reference visits included: the travel at the configured speed and
acceleration, the longer of settling and arrival confirmation, and for each sample what the
sensor itself and its line need. Nothing here is taken from the sequence.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from analysis.run_folder import Run
from rig.plan import Plan
from rig.profile import Profile

#: A motion controller answers a status request in a few milliseconds; two agreeing reports
#: 0.2 s apart (status is asked at most five times a second) confirm an arrival. [s]
CONFIRMATION_S = 0.2
SDI12_CHARACTER_S = 10 / 1200
#: Break and marking before the command after an idle line. SDI-12 v1.4 section 7
#: (break at least 12 ms, marking at least 8.33 ms); from two instrument manuals, second-hand.
SDI12_WAKE_S = 0.012 + 0.00833
#: The simulated sensor: marking before each reply, and its measuring time. Our own data.
SENSOR_MARKING_S, SENSOR_MEASURES_S = 0.009, 0.9


def travel_s(distance_mm: float, speed_mm_s: float, acceleration_mm_s2: float) -> float:
    """Time of one straight move with equal acceleration and braking. [s]

    Full speed is reached if the way is at least v²/a long; else the move is a triangle.
    """
    if distance_mm <= 0:
        return 0.0
    if distance_mm >= speed_mm_s**2 / acceleration_mm_s2:
        return distance_mm / speed_mm_s + speed_mm_s / acceleration_mm_s2
    return 2.0 * math.sqrt(distance_mm / acceleration_mm_s2)


def samples_s(count: int, value_characters: int) -> float:
    """Time so many light readings in a row take if nobody loses a moment. [s]

    aMC!, the measuring (its first answer atttn comes meanwhile), the service request with its
    line end, aD0! and its answer: address, value, three characters of check sum, line end.
    Only the first needs the line woken; the others follow within 87 ms.
    """
    characters = 4 + 3 + 4 + (1 + value_characters + 3 + 2)
    one_s = characters * SDI12_CHARACTER_S + SENSOR_MARKING_S + SENSOR_MEASURES_S
    return SDI12_WAKE_S + count * one_s


def visits(run: Run, roles: tuple[str, ...], begun_s: float, ended_s: float) -> Any:
    """Return the visits of points in time order: x, y, and how many samples."""
    table = run.readings
    rows = table[
        table.role.isin(roles)
        & (table.instrument == "light_sensor")
        & table.elapsed_s.between(begun_s, ended_s)
    ]
    # A visit begins where the sample number starts again.
    begins = (rows["sample"].to_numpy() == 1).cumsum()
    return rows.groupby(begins).agg(
        x_mm=("x_mm", "first"), y_mm=("y_mm", "first"), samples=("sample", "size")
    )


def visits_bound_s(found: Any, plan: Plan, profile: Profile) -> float:
    """Return the shortest time for so many visits, one after the other. [s]"""
    stage = profile.stage.options
    x, y = found.x_mm.to_numpy(), found.y_mm.to_numpy()
    ways = np.hypot(np.diff(x, prepend=x[0]), np.diff(y, prepend=y[0]))
    return sum(
        travel_s(way, stage.speed_mm_s, stage.acceleration_mm_s2)
        + max(plan.sampling.settle_s, CONFIRMATION_S)
        + samples_s(count, value_characters=len("+612.3"))
        for way, count in zip(ways, found.samples, strict=True)
    )


def _spans(run: Run, first: str, last: str) -> list[tuple[float, float]]:
    """Pair the moments of two events that follow each other. [s]"""
    begun, ended = (run.events[run.events.event == name].elapsed_s for name in (first, last))
    return list(zip(begun, ended, strict=True))


def scan_ratio(run: Run, plan: Plan, profile: Profile) -> float:
    """Return the time that the maps of a run took, divided by their physical bound."""
    maps = _spans(run, "map-begun", "map-ended")
    bound_s = sum(
        visits_bound_s(visits(run, ("grid", "reference"), *span), plan, profile) for span in maps
    )
    return sum(ended_s - begun_s for begun_s, ended_s in maps) / bound_s


def night_ratio(run: Run, plan: Plan, profile: Profile) -> float:
    """Return the time of a whole run with a height axis, divided by its physical bound.

    The bound: what a person took to answer; the drive from the upper end of the height axis, where
    homing leaves it, to each height in turn; every visit of a point, dark, quick look and maps;
    and of each warm-up the whole blocks that lamp and rule took. Nothing is allowed for homing,
    for asking the instruments who they are, and for the lamp to show that it is lit.
    """
    stage = profile.stage.options
    heights_mm = [stage.travel_z_mm[1], *plan.heights.mounting_height_mm]
    block_s = plan.warm_up.block_s or math.nan
    roles = (("dark",), ("quick-look",), ("grid", "reference"))
    bound_s = (
        sum(ended_s - begun_s for begun_s, ended_s in _spans(run, "prompt", "answer"))
        + sum(
            travel_s(abs(way_mm), stage.height_speed_mm_s, stage.acceleration_mm_s2)
            for way_mm in np.diff(heights_mm)
        )
        + sum(visits_bound_s(visits(run, role, 0.0, math.inf), plan, profile) for role in roles)
        + sum(
            block_s * ((ended_s - begun_s) // block_s)
            for begun_s, ended_s in _spans(run, "warm-up-begun", "lamp-stable")
        )
    )
    (whole,) = _spans(run, "run-begun", "run-ended")
    return (whole[1] - whole[0]) / bound_s
