"""The lamps of a lab: hours, starts, seasoning, and how their light holds up.

Hours come from ``lamps.csv``, to which every run adds what it burned. Where nobody ever stated a
total there, ``lamp.hours`` in the plans of its runs are taken as such; without either, hours count
from the first line on, and the lamp may be older.

The trend of a lamp's light is taken from the runs of the control reflector under it: what the plane
gets, over the lamp's hours. Walls and sensor are in it too, which is said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from attrs import frozen

from analysis.control_runs import ControlHistory, HeightChart
from analysis.digits import fixed, percent, signed_percent
from analysis.lab_entries import LampEntry
from analysis.lab_records import Record, lamp_age, read_lamps
from analysis.lab_runs import LabRun, lab_runs
from analysis.line_fit import fit_line
from analysis.seasoning import reminder, seasoning_h

LEAST_TREND: Final = 4
"""Results below which no trend is stated."""
LEAST_SPAN_H: Final = 100.0
"""Burning hours from first to last result below which none is stated: a choice of ours. [h]"""
PER_HOURS: Final = 1000.0
"""What a trend is stated for. [h]"""


@frozen(kw_only=True)
class Trend:
    """How the light under one lamp changes as it burns.

    Attributes
    ----------
    chart : HeightChart
        Results of the control that it comes from.
    hours : tuple of float
        Burning hours of the lamp at each result. [h]
    per_1000_h, half_width : float or None
        Change of the light relative to that at the first result, and half-width of its 95 %
        interval; None with fewer than `LEAST_TREND` results, or over less than `LEAST_SPAN_H`.
        [fraction per 1000 h]
    """

    chart: HeightChart
    hours: tuple[float, ...]
    per_1000_h: float | None
    half_width: float | None


@frozen(kw_only=True)
class LedgerLine:
    """One lamp sample.

    Attributes
    ----------
    sample, kind : str
        Label; kind as the newest plan has it, empty where no run used the lamp.
    hours : float or None
        Burning hours up to now. [h]
    is_total_known : bool
        Whether a total was ever stated; if not, the lamp may be older than `hours`.
    starts : int or None
        Starts on record.
    runs : int
        Runs under it.
    last_utc : datetime or None
        Newest line about it.
    needed_h : float or None
        Hours of seasoning, None if not known. [h]
    is_noted_seasoned, is_retired : bool
        What its lines say.
    reminder : str
        That it is not seasoned; empty where it is.
    trends : tuple of Trend
        From the control reflector, one for each time in which nothing else was changed.
    """

    sample: str
    kind: str
    hours: float | None
    is_total_known: bool
    starts: int | None
    runs: int
    last_utc: datetime | None
    needed_h: float | None
    is_noted_seasoned: bool
    is_retired: bool
    reminder: str
    trends: tuple[Trend, ...] = ()


@frozen(kw_only=True)
class Ledger:
    """All lamps of a lab, by label, and what could not be read."""

    lines: tuple[LedgerLine, ...]
    problems: tuple[str, ...]


def ledger(lab: Path, history: ControlHistory) -> Ledger:
    """Sum up what a lab knows of its lamps.

    Parameters
    ----------
    lab : Path
        Lab folder.
    history : ControlHistory
        Of the same lab; the trends come from it.

    Raises
    ------
    LabFolderError
        Not a lab folder that is sound.
    """
    runs, problems = lab_runs(lab)
    record = read_lamps(lab)
    used = {str(run.said("lamp", "sample") or "") for run in runs}
    samples = sorted((used | {entry.lamp for entry in record.entries}) - {""})
    return Ledger(
        lines=tuple(_line(sample, record, runs, history) for sample in samples),
        problems=(*record.problems, *problems),
    )


def hours_at(
    record: Record[LampEntry], runs: Sequence[LabRun], sample: str, moment: datetime
) -> float | None:
    """Return what a lamp had burned at a moment. [h]

    From the total stated last before it, or else first after it, and what was added between. Totals
    are those of the record, or of the plans where the record has none. None without any.

    Parameters
    ----------
    record : Record
        As `analysis.lab_records.read_lamps` gives it.
    runs : sequence of LabRun
        Earliest first.
    sample : str
        Label of the lamp.
    moment : datetime
    """
    entries = sorted(
        (entry for entry in record.entries if entry.lamp == sample), key=lambda entry: entry.utc
    )
    totals = [(entry.utc, entry.hours_total) for entry in entries if entry.hours_total is not None]
    if not totals:
        totals = _totals_of_plans(runs, sample)
    if not totals:
        return None
    before = [total for total in totals if total[0] <= moment]
    stated_utc, hours = before[-1] if before else totals[0]
    for entry in entries:
        if stated_utc < entry.utc <= moment:
            hours += entry.hours_added or 0.0
        elif moment < entry.utc <= stated_utc:
            hours -= entry.hours_added or 0.0
    return hours


def hours_now(record: Record[LampEntry], runs: Sequence[LabRun], sample: str) -> float | None:
    """Return what a lamp has burned up to its newest line, see `hours_at`. [h]"""
    moments = [entry.utc for entry in record.entries if entry.lamp == sample]
    moments += [run.begun_utc for run in runs if run.said("lamp", "sample") == sample]
    return hours_at(record, runs, sample, max(moments)) if moments else None


def season_reminder(
    record: Record[LampEntry], runs: Sequence[LabRun], lamp: Mapping[str, Any]
) -> str:
    """Say that a lamp is not seasoned, or may not be; nothing where it is.

    Parameters
    ----------
    record, runs
        As for `hours_at`.
    lamp : mapping
        Section [lamp] of a plan; its hours count where nothing else is known.
    """
    sample = str(lamp.get("sample") or "")
    total = hours_now(record, runs, sample)
    if total is None and isinstance(lamp.get("hours"), int | float):
        total = float(lamp["hours"])
    needed, at_least = seasoning_h(lamp), lamp_age(record, sample).hours
    burned_enough = needed is not None and at_least is not None and at_least >= needed
    return reminder(lamp, total, is_noted=burned_enough or _is_noted(record, sample))


def _is_noted(record: Record[LampEntry], sample: str) -> bool:
    return any(entry.lamp == sample and entry.event == "seasoned" for entry in record.entries)


def _totals_of_plans(runs: Sequence[LabRun], sample: str) -> list[tuple[datetime, float]]:
    """Hours that plans state; one that is not above the one before was copied, and is passed."""
    totals: list[tuple[datetime, float]] = []
    for run in runs:
        hours = run.said("lamp", "hours")
        if run.said("lamp", "sample") != sample or not isinstance(hours, int | float):
            continue
        if not totals or hours > totals[-1][1]:
            totals.append((run.begun_utc, float(hours)))
    return totals


def trend_sentence(line: LedgerLine, trend: Trend) -> str:
    """Say how the light under a lamp holds up, and what else is in that."""
    chart = trend.chart
    of = (
        f"{line.sample}, control reflector {chart.control} at {chart.mounting_height_mm:g} mm, "
        f"{len(trend.hours)} result{'s' if len(trend.hours) != 1 else ''}"
    )
    if trend.hours:
        of += f" from {fixed(trend.hours[0], 0)} to {fixed(trend.hours[-1], 0)} h"
    if trend.per_1000_h is None or trend.half_width is None:
        return (
            f"{of}: no trend is stated; it takes {LEAST_TREND} results over {LEAST_SPAN_H:g} h or "
            "more."
        )
    half = percent(trend.half_width, 1 if trend.half_width >= 0.0005 else 2)
    if abs(trend.per_1000_h) <= trend.half_width:
        return (
            f"{of}: no change of the light is seen; {signed_percent(trend.per_1000_h)} ± {half} "
            f"per {PER_HOURS:g} h."
        )
    return (
        f"{of}: the light changes by {signed_percent(trend.per_1000_h)} ± {half} per "
        f"{PER_HOURS:g} h. Walls and sensor are in it too."
    )


def _line(
    sample: str, record: Record[LampEntry], runs: Sequence[LabRun], history: ControlHistory
) -> LedgerLine:
    mine = [run for run in runs if run.said("lamp", "sample") == sample]
    entries = [entry for entry in record.entries if entry.lamp == sample]
    age = lamp_age(record, sample)
    total = hours_now(record, runs, sample)
    plan: dict[str, Any] = dict(mine[-1].plan.get("lamp", {})) if mine else {"sample": sample}
    is_retired = any(entry.event == "retired" for entry in entries)
    return LedgerLine(
        sample=sample,
        kind=str(plan.get("kind", "")),
        hours=age.hours if total is None else total,
        is_total_known=total is not None,
        starts=age.starts,
        runs=len(mine),
        last_utc=max((entry.utc for entry in entries), default=None),
        needed_h=seasoning_h(plan),
        is_noted_seasoned=_is_noted(record, sample),
        is_retired=is_retired,
        reminder="" if is_retired else season_reminder(record, runs, plan),
        trends=tuple(
            _trend(max(epoch.charts, key=lambda one: len(one.results)), record, runs, sample)
            for epoch in history.epochs
            if epoch.charts and epoch.runs[0].lamp == sample
        ),
    )


def _trend(
    chart: HeightChart, record: Record[LampEntry], runs: Sequence[LabRun], sample: str
) -> Trend:
    points: list[tuple[float, float]] = []
    for one in chart.results:
        if (burned := hours_at(record, runs, sample, one.begun_utc)) is not None:
            points.append((burned, one.mean_ppfd_umol_m2_s))
    points.sort()
    hours = [point[0] for point in points]
    if len(set(hours)) < LEAST_TREND or hours[-1] - hours[0] < LEAST_SPAN_H:
        return Trend(chart=chart, hours=tuple(hours), per_1000_h=None, half_width=None)
    line = fit_line(hours, [point[1] for point in points])
    at_first = line.intercept + line.slope * hours[0]
    return Trend(
        chart=chart,
        hours=tuple(hours),
        per_1000_h=line.slope * PER_HOURS / at_first,
        half_width=abs(line.slope_half_width() * PER_HOURS / at_first),
    )
