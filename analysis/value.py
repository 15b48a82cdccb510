"""What a delivered mole of photons costs over the years, and where the ranking of two flips.

Costs and moles are both discounted, so the result is the price per mole at which the purchase
just pays for itself::

                price + delivery + Σ (energy + upkeep + new lamps) · d(t)
    cost = ───────────────────────────────────────────────────────────────
                        Σ moles delivered in the year · d(t)

with d(t) = (1 + rate)^−t. What goes on through a year counts at the middle of that year; a new
lamp counts when the old one has reached its life. The first lamp is part of the price. Moles
fall with the age of the lamp (evenly to `end_share` at the end of its life, then a new one) and
with soiling (evenly through the year, then cleaned).
The currency is a label and nothing more.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np
from attrs import evolve, fields, frozen

SECONDS_PER_HOUR: Final = 3600.0
DAYS_PER_YEAR: Final = 365.0


@frozen(kw_only=True)
class Purchase:
    """What is bought, how it is used, and what it gives.

    Attributes
    ----------
    delivered_flux_umol_s : float
        With a new lamp and clean. [µmol s⁻¹]
    wall_power_w : float
        [W]
    price, delivery : float
        Once, at the start. [currency]
    tariff : float
        [currency per kWh]
    photoperiod_h : float
        Hours of light in a day. [h]
    lamp_price : float
        Of one replacement, fitting included. [currency]
    lamp_life_h : float
        Burning hours after which it is replaced; infinity for none. [h]
    end_share : float
        Share of its first flux that the lamp gives at the end of its life. [fraction]
    soiling_per_year : float
        Share of light lost to dirt by the end of a year. [fraction]
    upkeep_per_year : float
        Cleaning and the like. [currency]
    discount_rate : float
        Per year. [fraction]
    years : int
        How long it is looked at.
    """

    delivered_flux_umol_s: float
    wall_power_w: float
    price: float
    tariff: float
    photoperiod_h: float
    years: int
    delivery: float = 0.0
    lamp_price: float = 0.0
    lamp_life_h: float = math.inf
    end_share: float = 1.0
    soiling_per_year: float = 0.0
    upkeep_per_year: float = 0.0
    discount_rate: float = 0.0


@frozen(kw_only=True)
class Cost:
    """Discounted totals, and what a mole costs.

    Attributes
    ----------
    per_mole : float
        [currency mol⁻¹]
    moles : float
        Discounted. [mol]
    purchase, energy, lamps, upkeep : float
        Discounted. [currency]
    """

    per_mole: float
    moles: float
    purchase: float
    energy: float
    lamps: float
    upkeep: float


@frozen(kw_only=True)
class Swing:
    """What one input does to the cost, the others as they are: one bar of a tornado chart."""

    name: str
    low: float
    high: float
    at_low: float
    at_high: float

    @property
    def size(self) -> float:
        """Difference that the input makes. [currency mol⁻¹]"""
        return abs(self.at_high - self.at_low)


def faults(purchase: Purchase) -> list[str]:
    """List what is wrong with the inputs: where, what was given, what is allowed."""
    above_zero = ("delivered_flux_umol_s", "wall_power_w", "lamp_life_h")
    shares = ("end_share", "soiling_per_year")
    found = []
    for field in fields(Purchase):
        value = getattr(purchase, field.name)
        if math.isnan(value) or (math.isinf(value) and field.name != "lamp_life_h"):
            found.append(f"{field.name} is {value!r}; give a number")
        elif field.name in above_zero and not value > 0:
            found.append(f"{field.name} is {value!r}; give a number above 0")
        elif field.name == "photoperiod_h" and not 0 < value <= 24:
            found.append(f"photoperiod_h is {value!r}; give hours in a day, above 0 to 24")
        elif field.name in shares and not 0 <= value <= 1:
            found.append(f"{field.name} is {value!r}; give a share from 0 to 1")
        elif field.name == "years" and (value < 1 or value != int(value)):
            found.append(f"years is {value!r}; give a whole number of 1 or more")
        elif value < 0:
            found.append(f"{field.name} is {value!r}; give 0 or more")
    return found


def cost_of_a_mole(purchase: Purchase) -> Cost:
    """Work out what a delivered mole costs over the years.

    Raises
    ------
    ValueError
        With all that is wrong with the inputs.
    """
    if wrong := faults(purchase):
        raise ValueError("; ".join(wrong))
    hours_per_year = purchase.photoperiod_h * DAYS_PER_YEAR
    begins_h = hours_per_year * np.arange(purchase.years)
    middle = (1.0 + purchase.discount_rate) ** -(np.arange(purchase.years) + 0.5)
    moles_per_year = (
        purchase.delivered_flux_umol_s
        * 1e-6
        * SECONDS_PER_HOUR
        * hours_per_year
        * _mean_share(purchase, begins_h, hours_per_year)
        * (1.0 - purchase.soiling_per_year / 2.0)
    )
    kwh_per_year = purchase.wall_power_w / 1000.0 * hours_per_year
    energy = float(np.sum(middle)) * kwh_per_year * purchase.tariff
    upkeep = float(np.sum(middle)) * purchase.upkeep_per_year
    lamps = _lamps(purchase, hours_per_year)
    moles = float(np.sum(middle * moles_per_year))
    bought = purchase.price + purchase.delivery
    return Cost(
        per_mole=(bought + energy + upkeep + lamps) / moles,
        moles=moles,
        purchase=bought,
        energy=energy,
        lamps=lamps,
        upkeep=upkeep,
    )


def break_even_price(purchase: Purchase, rival: Purchase) -> float:
    """Return the price at which a mole costs as much as the rival's. [currency]

    Below 0 where the rival is cheaper even as a present.
    """
    ours, theirs = cost_of_a_mole(purchase), cost_of_a_mole(rival)
    return purchase.price + (theirs.per_mole - ours.per_mole) * ours.moles


def tornado(purchase: Purchase, ranges: Mapping[str, tuple[float, float]]) -> tuple[Swing, ...]:
    """Move one input at a time over its range; the largest swing first.

    Parameters
    ----------
    ranges : mapping of str to (float, float)
        Lowest and highest value of each input to be moved.
    """
    swings = [
        Swing(
            name=name,
            low=low,
            high=high,
            at_low=_cost_with(purchase, name, low),
            at_high=_cost_with(purchase, name, high),
        )
        for name, (low, high) in ranges.items()
    ]
    return tuple(sorted(swings, key=lambda swing: -swing.size))


def flips_at(
    a: Purchase, b: Purchase, name: str, low: float, high: float, *, steps: int = 200
) -> float | None:
    """Find where the cheaper of two changes as one input, common to both, is moved.

    Returns
    -------
    float or None
        The value nearest to `low` at which a mole costs the same; None if one stays cheaper.
    """
    from scipy.optimize import brentq  # here, so that importing stays quick

    def gap(value: float) -> float:
        return _cost_with(a, name, value) - _cost_with(b, name, value)

    values = np.linspace(low, high, steps + 1)
    return _first_root(gap, [float(value) for value in values], brentq)


def _cost_with(purchase: Purchase, name: str, value: float) -> float:
    changed: dict[str, Any] = {name: value}
    return cost_of_a_mole(evolve(purchase, **changed)).per_mole


def _first_root(
    gap: Callable[[float], float], values: list[float], root: Callable[..., float]
) -> float | None:
    before, gap_before = values[0], gap(values[0])
    for value in values[1:]:
        gap_here = gap(value)
        if gap_before == 0.0:
            return before
        if gap_before * gap_here < 0:
            return float(root(gap, before, value))
        before, gap_before = value, gap_here
    return before if gap_before == 0.0 else None


def _mean_share(purchase: Purchase, begins_h: np.ndarray, hours: float) -> np.ndarray:
    """Mean share of first flux in each year: the integral of a sawtooth from 1 to `end_share`."""
    life = purchase.lamp_life_h
    if math.isinf(life):
        return np.ones_like(begins_h)
    loss = 1.0 - purchase.end_share

    def integral(until_h: np.ndarray) -> np.ndarray:
        whole, rest = np.divmod(until_h, life)
        return whole * life * (1.0 - loss / 2.0) + rest * (1.0 - loss * rest / life / 2.0)

    return (integral(begins_h + hours) - integral(begins_h)) / hours


def _lamps(purchase: Purchase, hours_per_year: float) -> float:
    """Discounted price of the lamps bought before the end; one due at the very end is not."""
    total_h = hours_per_year * purchase.years
    if math.isinf(purchase.lamp_life_h) or not purchase.lamp_price:
        return 0.0
    count = math.ceil(total_h / purchase.lamp_life_h) - 1
    due_years = purchase.lamp_life_h * np.arange(1, count + 1) / hours_per_year
    return float(purchase.lamp_price * np.sum((1.0 + purchase.discount_rate) ** -due_years))
