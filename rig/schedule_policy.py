"""When a planned run may start: the whole policy, in one function without a clock.

`decide` is given the planned run, the time of day, its time zone and what is on record of all
planned runs, and answers: start, wait, or missed and why. Whoever asks may ask late, twice, or
not at all for hours; the answer depends on nothing but what it is given.

Local times are those of the run's time zone. A start that falls into the hour that is left out
in spring is an hour later on the clock on the wall, which is the same moment as if the clock had
not been changed; one in the hour that comes twice in autumn is the first of the two (PEP 495,
fold 0). Each planned run starts at most once, so the second does not start it again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime, time, timedelta, tzinfo
from enum import StrEnum
from typing import Final

from attrs import frozen

#: A checklist that was acknowledged is good for so long: common practice, no source.
CHECKLIST_LASTS: Final = timedelta(days=7)
#: By so much later than the latest moment it is too late.
MOMENT: Final = timedelta(seconds=1)
#: The clock may be so much behind the moment of planning before it is not believed.
CLOCK_BEHIND: Final = timedelta(minutes=5)


class State(StrEnum):
    """What is on record of a planned run."""

    PLANNED = "planned"
    CLAIMED = "claimed"
    STARTED = "started"
    FINISHED = "finished"
    MISSED = "missed"
    REMOVED = "removed"


#: The states that end it.
ENDED: Final = frozenset({State.FINISHED, State.MISSED, State.REMOVED})
#: The states in which somebody has the bench for it.
BUSY: Final = frozenset({State.CLAIMED, State.STARTED})


@frozen
class Hours:
    """Hours of the day within which a run may start; they may go over midnight."""

    opens: time
    closes: time

    def __str__(self) -> str:
        return f"{self.opens:%H:%M}-{self.closes:%H:%M}"

    def hold(self, local: time) -> bool:
        """Say whether a time of day lies within them."""
        if self.opens <= self.closes:
            return self.opens <= local < self.closes
        return local >= self.opens or local < self.closes


@frozen(kw_only=True)
class PlannedRun:
    """A run that is to be started by itself.

    Attributes
    ----------
    name : str
        Its number in the schedule.
    planned_utc : datetime
        When it was planned and its checklist acknowledged.
    start : datetime or None
        Local time of its start, without a zone; None where it follows another run.
    after : str
        Number of the run that it follows; empty where it has a start.
    hours : Hours or None
        Within which it may start.
    late_by_s : float
        How late it may still be started; infinite: however late. [s]
    """

    name: str
    planned_utc: datetime
    start: datetime | None = None
    after: str = ""
    hours: Hours | None = None
    late_by_s: float = 3600.0


@frozen(kw_only=True)
class OnRecord:
    """The newest that is on record of one planned run."""

    state: State
    utc: datetime
    exit_code: int | None = None
    reason: str = ""


@frozen
class Start:
    """It is to be started now."""


@frozen
class Wait:
    """It is not to be started now; ask again at `until_utc`, or when something has changed."""

    until_utc: datetime | None
    why: str


@frozen
class Missed:
    """It will not be started any more."""

    reason: str


def decide(
    run: PlannedRun, now_utc: datetime, zone: tzinfo, records: Mapping[str, OnRecord]
) -> Start | Wait | Missed:
    """Decide about a run that is planned and neither claimed nor ended.

    Parameters
    ----------
    run : PlannedRun
    now_utc : datetime
        The time of day.
    zone : tzinfo
        Time zone of its start and its hours.
    records : mapping
        What is on record of every planned run, by number.
    """
    if now_utc < run.planned_utc - CLOCK_BEHIND:
        return Wait(
            None,
            f"the computer's clock says {_moment(now_utc, zone)}, which is before this run was "
            f"planned ({_moment(run.planned_utc, zone)}); waits for the clock to be set",
        )
    due = _due(run, zone, records)
    if not isinstance(due, datetime):
        return due
    latest = _latest(run, due)
    if now_utc < due:
        return Wait(due, f"is due {_moment(due, zone)}")
    if now_utc > latest:
        return Missed(_too_late(run, due, latest, zone, records))
    if busy := next((n for n, one in records.items() if one.state in BUSY and n != run.name), None):
        return Wait(latest + MOMENT, f"the bench is in use by planned run {busy}")
    if run.hours is not None and not run.hours.hold(now_utc.astimezone(zone).time()):
        opens = next_opening(run.hours, now_utc, zone)
        if opens > latest:
            return Missed(
                f"it is {_moment(now_utc, zone)}, and its hours {run.hours} open after "
                f"{_moment(latest, zone)}, the latest it might be started"
            )
        return Wait(opens, f"its hours are {run.hours}")
    return Start()


def to_utc(local: datetime, zone: tzinfo) -> datetime:
    """Return the moment of a local time; see the head of this module for changes of the clock."""
    return local.replace(tzinfo=zone, fold=0).astimezone(UTC)


def next_opening(hours: Hours, after_utc: datetime, zone: tzinfo) -> datetime:
    """Return the first moment after this one at which the hours begin."""
    today = after_utc.astimezone(zone).date()
    moments = (
        to_utc(datetime.combine(today + timedelta(days=days), hours.opens), zone)
        for days in (-1, 0, 1, 2)
    )
    return min(moment for moment in moments if moment > after_utc)


def _due(
    run: PlannedRun, zone: tzinfo, records: Mapping[str, OnRecord]
) -> datetime | Wait | Missed:
    if run.start is not None:
        return to_utc(run.start, zone)
    other = records.get(run.after)
    if other is None:
        return Missed(f"run {run.after}, which it was to follow, is not on record")
    if other.state not in ENDED:
        return Wait(None, f"follows run {run.after}")
    if other.state is State.FINISHED and other.exit_code == 0:
        return other.utc
    # What stopped the one may hurt the other, and nobody is there to look.
    how = "did not complete" if other.state is State.FINISHED else f"was {other.state}"
    told = f": {other.reason}" if other.reason else ""
    return Missed(f"run {run.after}, which it was to follow, {how}{told}")


def _latest(run: PlannedRun, due: datetime) -> datetime:
    """Return the latest moment at which it may be started."""
    checklist_ends = run.planned_utc + CHECKLIST_LASTS
    if math.isinf(run.late_by_s):
        return checklist_ends
    return min(due + timedelta(seconds=run.late_by_s), checklist_ends)


def _too_late(
    run: PlannedRun,
    due: datetime,
    latest: datetime,
    zone: tzinfo,
    records: Mapping[str, OnRecord],
) -> str:
    if due > latest:
        return (
            f"was due {_moment(due, zone)}, and its checklist, acknowledged "
            f"{_moment(run.planned_utc, zone)}, is good for {CHECKLIST_LASTS.days} days"
        )
    users = [
        name
        for name, one in records.items()
        if name != run.name
        and (one.state in BUSY or (one.state is State.FINISHED and one.utc >= latest))
    ]
    why = (
        f"the bench was in use by planned run {users[0]}"
        if users
        else "the bench was in use, the computer was off or asleep, or 'evenfall schedule run' "
        "was not running"
    )
    times = f"was due {_moment(due, zone)} and might be started until {_moment(latest, zone)}"
    return f"{times}, but {why}"


def _moment(utc: datetime, zone: tzinfo) -> str:
    return f"{utc.astimezone(zone):%Y-%m-%d %H:%M %Z}"
