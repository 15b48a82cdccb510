"""Which run of a series is due: the runs that are done say so.

A run counts once it has come to its own end; one that was stopped is begun again, or resumed.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from analysis import lab_folder, run_folder
from analysis.series import Series, series_of
from rig.check_findings import Finding, Weight
from rig.plan import Plan

#: What the events of a run hold that has come to its own end.
_ENDED = b",run-ended,"


def refusals(plan: Plan, lab: Path, resumed: Path | None = None) -> list[str]:
    """List why a plan is not what its series has next; empty if it is, or has no series.

    Parameters
    ----------
    plan : Plan
    lab : Path
        Lab folder of all runs of the series.
    resumed : Path, optional
        A run that is gone on with: it does not count as one before itself.
    """
    if plan.series is None:
        return []
    series = Series(plan.series.name, plan.series.devices)
    done = list(_done(series.name, lab, resumed))
    if any(series_of(before) != series for before in done):
        return [
            f"series.devices is {list(series.devices)}, and a run of the series "
            f"'{series.name}' is done by a plan that has others; give the same, or the series "
            "another name"
        ]
    if len(done) >= len(series.devices):
        return [f"{series.words} is done; to measure it again give it another name (series.name)"]
    due = series.devices[len(done)]
    if plan.device.name != due:
        return [
            f"of {series.words} run {len(done) + 1} is due, {due}, and the plan is for "
            f"{plan.device.name}; run that plan first, or give the series another name"
        ]
    for before in done:
        device = before["device"]
        if device["name"] == due and device.get("specimen") != plan.device.specimen:
            return [
                f"device.specimen is {plan.device.specimen!r}, and {due} was run as "
                f"{device.get('specimen')!r} in {series.words}; hang that specimen"
            ]
    return []


def standing(plan: Plan | None, lab: Path) -> Iterator[Finding]:
    """Say which run of its series a plan is, or why it is not due."""
    if plan is None or plan.series is None:
        return
    if found := refusals(plan, lab):
        yield Finding("series", f"{found[0]}.", "", Weight.CONFIGURATION)
        return
    count = sum(1 for _ in _done(plan.series.name, lab))
    yield Finding(
        "series",
        f"this is run {count + 1} of {len(plan.series.devices)} of the series "
        f"'{plan.series.name}' ({', '.join(plan.series.devices)}).",
        "Change nothing on the bench between its runs but the device.",
        Weight.REMARK,
    )


def _done(name: str, lab: Path, but: Path | None = None) -> Iterator[dict[str, Any]]:
    """Plans of the runs of a series that have come to their end."""
    runs = Path(lab) / lab_folder.RUNS
    for folder in sorted(runs.iterdir()) if runs.is_dir() else ():
        try:
            text = (folder / run_folder.PLAN).read_bytes()
            if folder == but or b"[series]" not in text:
                continue
            plan = tomllib.loads(text.decode("utf-8"))
            series = series_of(plan)
            if series is None or series.name != name:
                continue
            events, _, _ = run_folder.split_rows(
                (folder / run_folder.EVENTS).read_bytes(), run_folder.EVENTS
            )
        except (OSError, ValueError):
            continue  # `evenfall report` says what is wrong with it
        if _ENDED in events:
            yield plan
