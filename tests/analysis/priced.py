"""Runs with a price: alike in everything but device, flux and money. For tests of value."""

from __future__ import annotations

from typing import Any

from attrs import evolve

from analysis.results import RunSummary
from analysis.uncertainty import Interval
from tests.analysis import comparable

#: 640 W, 10 h a day: 3650 h a year, 584 of electricity a year at 0.25 per kWh.
USE = {"currency": "EUR", "price": 400.0, "tariff": 0.25, "photoperiod_h": 10.0, "years": 2}
POWER_W = 640.0


def interval(value: float, reach: float) -> Interval:
    """Return an interval of so much to both sides. [fraction]"""
    return Interval(
        value=value,
        low=value * (1 - reach),
        high=value * (1 + reach),
        standard=value * reach / 1.96,
    )


def priced(
    device: str,
    flux_umol_s: float | dict[float, float],
    *,
    efficacy_reach: float = 0.05,
    **value: Any,
) -> RunSummary:
    """Return a run whose plan has a section [value]; the flux, ± 5 %, may differ by height.

    The power is exact unless the efficacy has a wider interval than the flux.
    """
    fluxes = flux_umol_s if isinstance(flux_umol_s, dict) else {400.0: flux_umol_s}
    run = comparable.run(device, {height: flux / POWER_W for height, flux in fluxes.items()})
    maps = tuple(
        evolve(
            map_,
            delivered_flux_umol_s=flux,
            mean_wall_power_w=POWER_W,
            uncertainty=evolve(
                map_.uncertainty,
                delivered_flux_umol_s=interval(flux, 0.05),
                plane_efficacy_umol_j=interval(flux / POWER_W, efficacy_reach),
            ),
        )
        for map_, flux in zip(run.maps, fluxes.values(), strict=True)
    )
    return evolve(run, maps=maps, plan={**run.plan, "value": {**USE, **value}})


def without_intervals(run: RunSummary) -> RunSummary:
    """Return the run as if nothing were known of its uncertainty."""
    return evolve(run, maps=tuple(evolve(map_, uncertainty=None) for map_ in run.maps))


def unpriced(run: RunSummary) -> RunSummary:
    """Return the run without the section."""
    return evolve(run, plan={key: held for key, held in run.plan.items() if key != "value"})
