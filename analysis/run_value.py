"""What the light of a run costs: its maps and the section [value] of its plan together.

The delivered flux and the wall power of a map go into `analysis.value` as those of a new lamp
and clean. Several runs are set side by side at the height of each where its plane efficacy is
highest within the limits of its plan (`analysis.own_candidates`), and only if they are alike in
everything but the device (`analysis.likeness`) and their money counts alike: same tariff, hours,
years and rate. What a comparison of plane efficacy cannot tell apart, a comparison of costs
cannot either, so the ± of the one is that of the other: the cost of a mole goes with one over the
flux, and what cancels in the one ratio cancels in both.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from attrs import evolve, frozen

from analysis.own_candidates import candidates
from analysis.plane_results import SAME_HEIGHT_MM, usable_maps
from analysis.results import MapSummary, RunSummary
from analysis.uncertainty import Interval
from analysis.value import Cost, Purchase, Swing, cost_of_a_mole, tornado

MOVED_BY: Final = 0.2
"""How far a tornado chart moves what is not measured; a choice of ours. [fraction]"""


@frozen(kw_only=True)
class Valued:
    """One device at one mounting height, in money.

    Attributes
    ----------
    mounting_height_mm : float
        [mm]
    purchase : Purchase
        What went into the sum.
    cost : Cost
        What came out.
    flux_reach, power_reach : float or None
        Relative half-width of the 95 % interval of the delivered flux, and of the wall power;
        None where there is none. [fraction]
    """

    mounting_height_mm: float
    purchase: Purchase
    cost: Cost
    flux_reach: float | None
    power_reach: float | None

    @property
    def reach(self) -> float | None:
        """Relative half-width of the cost from what was measured. [fraction]

        The cost goes with one over the flux, and its share for electricity with the power.
        """
        whole = self.cost.purchase + self.cost.energy + self.cost.lamps + self.cost.upkeep
        if self.flux_reach is None or not whole:
            return None
        return math.hypot(self.flux_reach, self.cost.energy / whole * (self.power_reach or 0.0))

    @property
    def low(self) -> float | None:
        """Cost of a mole at the lower end of its 95 % interval. [currency mol⁻¹]"""
        return None if self.reach is None else self.cost.per_mole / (1 + self.reach)

    @property
    def high(self) -> float | None:
        """Cost of a mole at the upper end of its 95 % interval. [currency mol⁻¹]"""
        return None if self.reach is None else self.cost.per_mole / (1 - self.reach)

    @property
    def plane_efficacy_umol_j(self) -> float:
        """Delivered flux over wall power. [µmol J⁻¹]"""
        return self.purchase.delivered_flux_umol_s / self.purchase.wall_power_w

    def with_flux(self, factor: float) -> Valued:
        """Return the same with so many times the delivered flux."""
        flux = self.purchase.delivered_flux_umol_s * factor
        purchase = evolve(self.purchase, delivered_flux_umol_s=flux)
        return evolve(self, purchase=purchase, cost=cost_of_a_mole(purchase))

    def swings(self) -> tuple[Swing, ...]:
        """Move one input at a time: what was measured over its interval, the rest by `MOVED_BY`."""
        return tornado(self.purchase, self._ranges())

    def _ranges(self) -> dict[str, tuple[float, float]]:
        bought = self.purchase
        found: dict[str, tuple[float, float]] = {}
        for name, reach in (
            ("delivered_flux_umol_s", self.flux_reach),
            ("wall_power_w", self.power_reach),
        ):
            if reach:
                value = getattr(bought, name)
                found[name] = (value * (1 - reach), value * (1 + reach))
        for name in _MOVED:
            value = getattr(bought, name)
            if value and math.isfinite(value):
                found[name] = (value * (1 - MOVED_BY), value * (1 + MOVED_BY))
        if "photoperiod_h" in found:
            found["photoperiod_h"] = (
                found["photoperiod_h"][0],
                min(24.0, found["photoperiod_h"][1]),
            )
        if (loss := 1.0 - bought.end_share) > 0 and math.isfinite(bought.lamp_life_h):
            found["end_share"] = (1 - min(1.0, loss * (1 + MOVED_BY)), 1 - loss * (1 - MOVED_BY))
        if "soiling_per_year" in found:
            low, high = found["soiling_per_year"]
            found["soiling_per_year"] = (low, min(1.0, high))
        if bought.years > 1:
            found["years"] = (bought.years - 1, bought.years + 1)
        return found


_MOVED: Final = (
    "price",
    "delivery",
    "tariff",
    "photoperiod_h",
    "lamp_price",
    "lamp_life_h",
    "soiling_per_year",
    "upkeep_per_year",
    "discount_rate",
)


@frozen(kw_only=True)
class RunValue:
    """One run in money.

    Attributes
    ----------
    currency : str
        Label of the money, as the plan has it.
    heights : tuple of Valued
        Each mounting height with a usable map, lowest first.
    left_out_mm : tuple of float
        Those of them that are not for choice, as limits of the plan are broken there. [mm]
    why_not : str
        Why there are none; empty where there are, and where the plan does not ask.
    """

    currency: str
    heights: tuple[Valued, ...] = ()
    left_out_mm: tuple[float, ...] = ()
    why_not: str = ""

    def at(self, mounting_height_mm: float) -> Valued | None:
        """The figures at one mounting height [mm]; None where there are none."""
        for one in self.heights:
            if abs(one.mounting_height_mm - mounting_height_mm) <= SAME_HEIGHT_MM:
                return one
        return None

    @property
    def best(self) -> Valued | None:
        """The height, of those for choice, with the highest plane efficacy; the lower of equals."""
        return max(
            (one for one in self.heights if one.mounting_height_mm not in self.left_out_mm),
            key=lambda one: (one.plane_efficacy_umol_j, -one.mounting_height_mm),
            default=None,
        )


def value_of(run: RunSummary) -> RunValue | None:
    """Work out what the light of a run costs; None if its plan says nothing of money."""
    section = run.plan.get("value")
    if not isinstance(section, Mapping):
        return None
    currency = str(section.get("currency", ""))
    groups = [
        group
        for group in usable_maps(run, "")[0]
        if all(map_.delivered_flux_umol_s and map_.mean_wall_power_w for map_ in group)
    ]
    if not groups:
        return RunValue(
            currency=currency,
            why_not="no complete, accepted map has both delivered flux and wall power",
        )
    try:
        heights = tuple(_valued(section, group) for group in groups)
    except (ValueError, TypeError, KeyError) as error:
        return RunValue(currency=currency, why_not=f"the plan's section [value]: {error}")
    kept_mm = {float(maps[0].mounting_height_mm or 0.0) for maps in candidates(run, "").heights}
    all_mm = [one.mounting_height_mm for one in heights]
    left_out_mm = tuple(at for at in all_mm if at not in kept_mm)
    if len(left_out_mm) == len(all_mm):
        left_out_mm = ()
    return RunValue(currency=currency, heights=heights, left_out_mm=left_out_mm)


def purchase_from_plan(section: Mapping[str, Any], flux_umol_s: float, power_w: float) -> Purchase:
    """Put a plan's section [value] and what was measured together; per cent become fractions."""
    life_h = section.get("lamp_life_h")
    return Purchase(
        delivered_flux_umol_s=flux_umol_s,
        wall_power_w=power_w,
        price=float(section["price"]),
        tariff=float(section["tariff"]),
        photoperiod_h=float(section["photoperiod_h"]),
        years=section.get("years", 5),
        delivery=float(section.get("delivery", 0.0)),
        lamp_price=float(section.get("lamp_price", 0.0)),
        lamp_life_h=math.inf if life_h is None else float(life_h),
        end_share=float(section.get("lamp_end_percent", 100.0)) / 100.0,
        soiling_per_year=float(section.get("soiling_percent", 0.0)) / 100.0,
        upkeep_per_year=float(section.get("upkeep_per_year", 0.0)),
        discount_rate=float(section.get("discount_percent", 0.0)) / 100.0,
    )


def _valued(section: Mapping[str, Any], maps: Sequence[MapSummary]) -> Valued:
    flux = float(np.mean([map_.delivered_flux_umol_s for map_ in maps]))
    power = float(np.mean([map_.mean_wall_power_w for map_ in maps]))
    purchase = purchase_from_plan(section, flux, power)
    cost = cost_of_a_mole(purchase)
    known = [map_.uncertainty for map_ in maps if map_.uncertainty is not None]
    is_known = len(known) == len(maps)
    flux_reach = _mean_reach([one.delivered_flux_umol_s for one in known]) if is_known else None
    power_reach = None
    if flux_reach is not None:
        both = _mean_reach([one.plane_efficacy_umol_j for one in known])
        # What the interval of the plane efficacy has beyond that of the flux is the power's.
        power_reach = None if both is None else math.sqrt(max(0.0, both**2 - flux_reach**2))
    return Valued(
        mounting_height_mm=float(maps[0].mounting_height_mm or 0.0),
        purchase=purchase,
        cost=cost,
        flux_reach=flux_reach,
        power_reach=power_reach,
    )


def _mean_reach(intervals: Sequence[Interval | None]) -> float | None:
    """Relative half-width; of several maps, what they have on average.

    Most of it is the calibration of an instrument, which more maps do not make any better.
    """
    known = [one.relative_half_width for one in intervals if one is not None]
    reach = float(np.mean(known)) if known and len(known) == len(intervals) else math.nan
    return reach if 0 < reach < 1 else None
