"""Runs that were planned as one series, A-B-A: are they all there, and in their order?

What the bench did between the first and the last run is worked out by `analysis.order` from
whatever runs it is given. Here the plans are asked what was to be measured: a series of which a
run is missing, or that was measured in another order, does not show what it was planned for.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from attrs import frozen

from analysis.devices import moment_h
from analysis.results import RunSummary


@frozen
class Series:
    """What a plan says of its series: its name, and the devices in their order."""

    name: str
    devices: tuple[str, ...]

    @property
    def words(self) -> str:
        """The series for people."""
        return f"the series '{self.name}' ({', '.join(self.devices)})"


def series_of(plan: Mapping[str, Any]) -> Series | None:
    """Return the series that a plan belongs to; None if to none."""
    held = plan.get("series")
    if not isinstance(held, Mapping) or not isinstance(held.get("devices"), list):
        return None
    return Series(str(held.get("name", "")), tuple(map(str, held["devices"])))


def missing_from(devices: Sequence[str], order: Sequence[str]) -> tuple[int, ...] | None:
    """Return the places of an order, from 0, that devices do not fill; None if out of order."""
    missing, at = [], 0
    for place, name in enumerate(order):
        if at < len(devices) and devices[at] == name:
            at += 1
        else:
            missing.append(place)
    return tuple(missing) if at == len(devices) else None


def remarks_on(runs: Iterable[RunSummary]) -> tuple[str, ...]:
    """Say of each series among the runs what it lacks to be what was planned."""
    held: dict[Series, list[RunSummary]] = {}
    for run in runs:
        series = series_of(run.plan)
        if series is not None:
            held.setdefault(series, []).append(run)
    said = (_remark(series, group) for series, group in held.items())
    return tuple(one for one in said if one)


def _remark(series: Series, runs: Sequence[RunSummary]) -> str:
    moments = [(moment_h(run), run.device) for run in runs]
    known = sorted((moment, name) for moment, name in moments if moment is not None)
    unknown = "what the bench did meanwhile is not known, and not in the ± figures"
    if len(known) < len(runs):
        return f"When the runs of {series.words} were measured is not recorded: {unknown}."
    measured = [name for _, name in known]
    missing = missing_from(measured, series.devices)
    if missing is None:
        return (
            f"The runs of {series.words} were measured in another order "
            f"({', '.join(measured)}) than planned."
        )
    if not missing:
        return ""
    lacking = " and ".join(f"run {place + 1} ({series.devices[place]})" for place in missing)
    ends = {0, len(series.devices) - 1}
    cost = unknown if ends & set(missing) else "nothing is said of what they would have shown"
    return f"Of {series.words}, {lacking} is not among those compared: {cost}."
