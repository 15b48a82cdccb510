"""The uncertainty of every map of a run: what it was read with, and what is known of that."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from attrs import evolve

from analysis.declared import declared_of
from analysis.likeness import instrument_of
from analysis.map_budget import Identity, budget_of
from analysis.results import MapSummary, RunSummary
from analysis.uncertainty import evaluate

OPENING_KNOWN = "above the centre"
"""What a plan says in ``[device] opening`` of a device with one opening there."""


def with_uncertainty(run: RunSummary, rig: Mapping[str, Any]) -> RunSummary:
    """Return the summary with a budget and intervals for every complete map.

    Parameters
    ----------
    run : RunSummary
    rig : mapping
        The rig profile of the run as `tomllib` gives it.
    """
    identity, declared = identity_of(run, rig), declared_of(rig)

    def add(map_: MapSummary) -> MapSummary:
        budget = budget_of(map_, run.dark, identity, declared)
        if budget is None:
            return map_
        return evolve(map_, budget=budget, uncertainty=evaluate(budget))

    return evolve(run, maps=tuple(add(map_) for map_ in run.maps))


def identity_of(run: RunSummary, rig: Mapping[str, Any]) -> Identity:
    """Gather what a run was read with, as far as it is stated."""

    def stated(table: str, key: str) -> str:
        held = run.plan.get(table)
        return str(held.get(key, "")) if isinstance(held, Mapping) else ""

    return Identity(
        run=str(run.path),
        light_sensor=instrument_of(run, "light_sensor", "entered"),
        power_meter=instrument_of(run, "power_meter"),
        lamp_kind=stated("lamp", "kind"),
        ballast=run.ballast,
        rig=str(rig.get("name", "")),
        is_opening_known=stated("device", "opening") == OPENING_KNOWN,
    )
