"""The uncertainty of every map of a run."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from attrs import evolve

from analysis.contrasts import Contrasts
from analysis.declared import declared_of
from analysis.identity import identity_of
from analysis.lux import conversion_of, with_conversion
from analysis.map_budget import budget_of
from analysis.replicates import spreads
from analysis.results import MapSummary, RunSummary
from analysis.uncertainty import evaluate


def with_uncertainty(run: RunSummary, rig: Mapping[str, Any]) -> RunSummary:
    """Return the summary with a budget and intervals for every complete map.

    Parameters
    ----------
    run : RunSummary
    rig : mapping
        The rig profile of the run as `tomllib` gives it.
    """
    limits = run.plan.get("limits")
    target = limits.get("target_ppfd_umol_m2_s") if isinstance(limits, Mapping) else None
    identity, declared = identity_of(run, rig), declared_of(rig, run.plan)
    conversion = conversion_of(run.plan)

    def add(map_: MapSummary) -> MapSummary:
        budget = budget_of(map_, run.dark, identity, declared)
        if budget is None:
            return map_
        if conversion is not None:
            budget = with_conversion(budget, conversion, identity)
        contrasts = Contrasts(map_, budget)
        known = evaluate(budget, target=target, see=contrasts.see)
        known = evolve(known, **contrasts.intervals())
        return evolve(map_, budget=budget, uncertainty=known)

    maps = tuple(add(map_) for map_ in run.maps)
    repeated = [one.sentence for one in spreads(maps)]
    return evolve(run, maps=maps, remarks=(*run.remarks, *repeated))
