"""Runs of one device belong together: replicates, and hangings measured in runs of their own.

Runs are of one device where device and specimen are stated and the same. A run that does not
state its specimen stands alone: two specimens of one make are two devices.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from itertools import chain

import numpy as np
from attrs import evolve, field, frozen

from analysis.likeness import names_of
from analysis.results import MapSummary, RunSummary


@frozen(kw_only=True)
class Device:
    """One device under test, in one run or in several.

    Attributes
    ----------
    name : str
        What it is called among those it is compared with.
    runs : tuple of RunSummary
        In the order of time where that is known, otherwise as given.
    whole : RunSummary
        All maps of all runs, their hangings numbered through: each run is one of its own.
    """

    name: str
    runs: tuple[RunSummary, ...]
    whole: RunSummary = field()

    @whole.default
    def _together(self) -> RunSummary:
        maps: list[MapSummary] = []
        for run in self.runs:
            before = max((one.installation for one in maps), default=0)
            maps += [evolve(one, installation=before + one.installation) for one in run.maps]
        return evolve(self.runs[0], maps=tuple(maps))

    @property
    def is_control(self) -> bool:
        """Whether a plan of it calls it the control reflector."""
        told = [run.plan.get("device") for run in self.runs]
        return any(isinstance(one, Mapping) and one.get("is_control") is True for one in told)


def devices_of(runs: Sequence[RunSummary]) -> tuple[Device, ...]:
    """Put runs of one device together, in the order in which the devices first occur."""
    held: dict[tuple[str, str, int], list[RunSummary]] = {}
    for at, run in enumerate(runs):
        is_known = bool(run.device and run.specimen)
        held.setdefault((run.device, run.specimen, -1 if is_known else at), []).append(run)
    names = names_of([group[0] for group in held.values()])
    return tuple(
        Device(name=name, runs=_in_order(group))
        for name, group in zip(names, held.values(), strict=True)
    )


def _in_order(runs: Sequence[RunSummary]) -> tuple[RunSummary, ...]:
    moments = [moment_h(run) for run in runs]
    known = [moment for moment in moments if moment is not None]
    if len(known) < len(runs):
        return tuple(runs)
    return tuple(runs[at] for at in np.argsort(known, kind="stable"))


def moment_h(run: RunSummary) -> float | None:
    """Return the middle of a run's maps as hours since 1970, None where no time was recorded."""
    if not run.events:
        return None
    first = run.events[0]
    try:
        begun = datetime.fromisoformat(str(first["utc"]))
    except ValueError:
        return None
    if begun.tzinfo is None:
        return None
    times_s = list(
        chain.from_iterable(
            (one.begun_s, one.ended_s)
            for one in run.maps
            if one.begun_s is not None and one.ended_s is not None
        )
    )
    since_s = float(np.mean(times_s)) - float(first["elapsed_s"]) if times_s else 0.0
    return (begun.timestamp() + since_s) / 3600.0
