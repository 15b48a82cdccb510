"""What the lab's record of lamps says against a plan: its hours, its rest, its weekly rest."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from analysis import lab_records
from analysis.lab_entries import LampEntry
from analysis.lab_records import LabFolderError
from drivers.clock import Clock
from rig import lamp_records, unattended
from rig.check_findings import Finding, Weight
from rig.plan import Plan
from rig.profile import Profile
from rig.progress import duration
from rig.unattended import METAL_HALIDE

#: The plan and the record may differ by so much. [h]
HOURS_APART: Final = 5.0
#: Metal halide lamps in continuous use are switched off for so long once a week (makers' texts,
#: from memory).
WEEKLY_OFF: Final = timedelta(minutes=15)
WEEK: Final = timedelta(days=7)


def lamp(plan: Plan | None, lab: Path, clock: Clock) -> Iterator[Finding]:
    """Find what should be known about the lamp of a plan before it is lit."""
    if plan is None:
        return
    record: lab_records.Record[LampEntry] | None = None
    if plan.lamp.sample:
        # No lab folder yet, or `check_place.disk` says what is wrong with it.
        with contextlib.suppress(LabFolderError):
            record = lab_records.read_lamps(lab)
    else:
        yield Finding(
            "lamp.sample",
            "is not given: the lab cannot know its hours, nor since when it is off.",
            'Give the lamp a label, e.g. sample = "L-07".',
            Weight.REMARK,
        )
    yield from _hours(plan, record)
    if told := lamp_records.not_seasoned(lab, plan):
        yield Finding(
            "lamp.hours",
            f"{told}.",
            "Burn it in first, or say so beside the results.",
            Weight.REMARK,
        )
    if record is None:
        return
    if plan.lamp.switching == "relay":
        yield from _rest(plan, lab, clock)
    if plan.lamp.kind in METAL_HALIDE:
        yield from _weekly_rest(plan, record, clock.utc())


def unattended_remarks(plan: Plan | None, profile: Profile) -> Iterator[Finding]:
    """Say why a plan that has the relay light its lamp cannot be run with nobody there."""
    if plan is None or plan.lamp.switching != "relay":
        return
    for why in unattended.refusals(plan, profile):
        yield Finding("with nobody there", f"{why}.", "Change the plan, or stay.", Weight.REMARK)


def _hours(plan: Plan, record: lab_records.Record[LampEntry] | None) -> Iterator[Finding]:
    hours = plan.lamp.hours
    if record is None or hours is None:
        return
    age = lab_records.lamp_age(record, plan.lamp.sample)
    if age.is_total_known and age.hours is not None and abs(hours - age.hours) > HOURS_APART:
        yield Finding(
            "lamp.hours",
            f"is {hours:g} h, and the lab's record of {plan.lamp.sample} comes to "
            f"{age.hours:.1f} h.",
            "Correct the plan, or add a line 'counted' to lamps.csv.",
            Weight.RESULT,
        )


def _rest(plan: Plan, lab: Path, clock: Clock) -> Iterator[Finding]:
    now_s = clock.elapsed_s()
    off_s = max(0.0, now_s - lamp_records.off_since_s(lab, plan.lamp.sample, clock))
    left_s = plan.lamp.minimum_off_s - off_s
    if left_s > 0:
        yield Finding(
            "lamp.minimum_off_s",
            f"{plan.lamp.sample} is known to be off for {duration(off_s)}; it has to be off for "
            f"{duration(plan.lamp.minimum_off_s)}.",
            f"The run waits for the rest, {duration(left_s)}, before the relay lights it.",
            Weight.REMARK,
        )


def _weekly_rest(
    plan: Plan, record: lab_records.Record[LampEntry], now_utc: datetime
) -> Iterator[Finding]:
    """Find the end of the last rest that was long enough; its lamp may be off now."""
    off_utc: datetime | None = None
    rested_utc: datetime | None = None
    for entry in record.entries:
        if entry.lamp != plan.lamp.sample:
            continue
        if entry.event == "off":
            off_utc = entry.utc
        elif entry.event == "lit":
            if off_utc is not None and entry.utc - off_utc >= WEEKLY_OFF:
                rested_utc = entry.utc
            off_utc = None
    if off_utc is not None and now_utc - off_utc >= WEEKLY_OFF:
        rested_utc = now_utc
    if rested_utc is None or now_utc - rested_utc > WEEK:
        since = "" if rested_utc is None else f" since {rested_utc:%Y-%m-%d}"
        yield Finding(
            "lamp",
            f"{plan.lamp.sample} is a {plan.lamp.kind} lamp, and no time off of 15 minutes is on "
            f"record{since}.",
            "Such lamps are switched off for at least 15 minutes once a week: see that this one "
            "was.",
            Weight.REMARK,
        )
