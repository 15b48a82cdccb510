"""Whose light costs least, up to which price another is worth it, and where that turns.

Devices are taken as `analysis.ranking` takes them for their light: at the same mounting heights, in
the same order of time, and only if they are alike in everything else. Each is compared with the one
whose delivered mole costs least.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final

from attrs import evolve, frozen

from analysis.comparison import MORE, NO_DIFFERENCE, NOT_DECIDED, RELEVANT
from analysis.devices import devices_of
from analysis.ranking import rank
from analysis.results import RunSummary
from analysis.run_value import Valued, value_of
from analysis.value import Purchase, break_even_price, cost_of_a_mole, flips_at

MUST_AGREE: Final = {
    "currency": "the currency",
    "tariff": "the tariff",
    "photoperiod_h": "the photoperiod",
    "years": "the number of years",
    "discount_percent": "the discount rate",
}
"""Keys of [value] that are the buyer's and not the device's, and what they are called."""
OF_THE_LAMP: Final = {
    "lamp_price": "the price of a lamp",
    "lamp_life_h": "the life of a lamp",
    "lamp_end_percent": "the share of light at the end of a lamp's life",
}
"""Keys that have to agree too where the lamp sample is the same."""

LONGEST_YEARS: Final = 20
_SCANNED: Final = {
    "tariff": lambda now: (now / 4, now * 4),
    "photoperiod_h": lambda _now: (1.0, 24.0),
    "discount_rate": lambda _now: (0.0, 0.2),
}


@frozen(kw_only=True)
class Turn:
    """Where the cheaper of two changes as one input, common to both, is moved.

    Attributes
    ----------
    name : str
        The input, as `analysis.value.Purchase` names it.
    now, at : float
        What it is, and the nearest value beyond which the other is the cheaper. Of years, the
        nearest number at which the other is the cheaper.
    """

    name: str
    now: float
    at: float


@frozen(kw_only=True)
class ValueRow:
    """One device among several.

    Attributes
    ----------
    name : str
    valued : Valued
        At the height at which `analysis.ranking` takes it.
    to_cheapest : float
        Cost of a mole over that of the cheapest; 1 for the cheapest itself.
    half_width : float
        Of the 95 % interval of `to_cheapest`; 0 for the cheapest itself.
    words : str
        ``"more"`` (costs more than the cheapest), ``"no measurable difference"`` or ``"not
        decided"``; empty for the cheapest itself.
    rival : str
        Against whom the next figure is: the cheapest; for the cheapest itself, the next.
    break_even : float
        Price at which a mole costs as much as the rival's. [currency]
    break_even_low, break_even_high : float
        Its 95 % interval, from that of the ratio. [currency]
    turns : tuple of Turn
        Where the order of this one and the cheapest turns round, if it is decided.
    """

    name: str
    valued: Valued
    to_cheapest: float
    half_width: float
    words: str
    rival: str
    break_even: float
    break_even_low: float
    break_even_high: float
    turns: tuple[Turn, ...] = ()


@frozen(kw_only=True)
class ValueRanking:
    """Several devices, the cheapest delivered mole first.

    Attributes
    ----------
    currency : str
    rows : tuple of ValueRow
        Two or more, or none.
    why_not : tuple of str
        What stands in the way of a comparison; with any, there are no rows.
    left_out : tuple of str
        Devices that are not in it, and why.
    """

    currency: str
    rows: tuple[ValueRow, ...] = ()
    why_not: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


def rank_by_value(
    runs: Sequence[RunSummary], *, accept: Collection[str] = ()
) -> ValueRanking | None:
    """Put several runs in the order of what a delivered mole costs.

    Parameters
    ----------
    runs : sequence of RunSummary
    accept : collection of str
        Mismatches that are put up with, see `analysis.likeness.FACTS`.

    Returns
    -------
    ValueRanking or None
        None for a single run, and where no plan says anything of money.
    """
    devices = {device.name: device.whole for device in devices_of(runs)}
    values = {name: value_of(run) for name, run in devices.items()}
    asked = [value for value in values.values() if value is not None]
    if len(devices) < 2 or not asked:
        return None
    by_light = rank(runs, baseline=None, accept=accept)
    kept: dict[str, Valued] = {}
    left_out = []
    for row in by_light.rows:
        value = values[row.name]
        if value is None:
            left_out.append(f"{row.name}: its plan has no section [value]")
        elif (found := value.at(row.mounting_height_mm)) is None:
            left_out.append(f"{row.name}: {value.why_not or 'no map with a delivered flux'}")
        elif not found.cost.per_mole:
            left_out.append(f"{row.name}: its light costs nothing, so it has no ratio to another")
        else:
            # What the comparison takes off the efficacies (a bench that changed between the runs,
            # the luck in choosing the best height) is taken off the flux too.
            plain = row.plane_efficacy_umol_j / by_light.rows[0].plane_efficacy_umol_j
            kept[row.name] = found.with_flux(row.to_baseline / plain)
    left_out += [
        f"{name}: it is not compared by light"
        for name in devices
        if by_light.rows and name not in [row.name for row in by_light.rows]
    ]
    whole = ValueRanking(
        currency=asked[0].currency,
        left_out=tuple(f"Not compared by value is {one}." for one in left_out),
    )
    why_not = [one.sentence for _, one in by_light.refused]
    priced = {
        name: run for name, run in devices.items() if isinstance(run.plan.get("value"), Mapping)
    }
    why_not += _unlike(list(priced.values()), list(priced))
    if why_not:
        return evolve(whole, why_not=tuple(dict.fromkeys(why_not)))
    if len(kept) < 2:
        return whole
    reach = {
        frozenset(pair): verdict.half_width / verdict.ratio
        for pair, verdict in by_light.verdicts.items()
    }
    order = sorted(kept, key=lambda name: kept[name].cost.per_mole)
    rows = []
    for place, name in enumerate(order):
        rival = order[0] if place else order[1]
        within = reach[frozenset((name, rival))]
        rows.append(_row(name, kept[name], rival, kept[rival], within, is_cheapest=not place))
    return evolve(whole, rows=tuple(rows))


def _unlike(runs: Sequence[RunSummary], names: Sequence[str]) -> list[str]:
    """Name what of the buyer's, and of one lamp's, is not the same in all plans."""
    found = []
    samples = {run.plan.get("lamp", {}).get("sample") for run in runs}
    keys = MUST_AGREE | (OF_THE_LAMP if len(samples) == 1 else {})
    defaults = {"years": 5, "discount_percent": 0.0, "lamp_price": 0.0, "lamp_end_percent": 100.0}
    for key, said in keys.items():
        held = [run.plan["value"].get(key, defaults.get(key)) for run in runs]
        if len(set(held)) > 1:
            each = ", ".join(
                f"{'none' if value is None else value} for {name}"
                for name, value in zip(names, held, strict=True)
            )
            found.append(f"{said} differs: {each}")
    return found


def _row(
    name: str, ours: Valued, rival_name: str, rival: Valued, reach: float, *, is_cheapest: bool
) -> ValueRow:
    ratio = ours.cost.per_mole / rival.cost.per_mole
    low, high = (
        break_even_price(_with_flux(ours.purchase, factor), rival.purchase)
        for factor in (1 - reach, 1 + reach)
    )
    words = ""
    turns: tuple[Turn, ...] = ()
    if not is_cheapest:
        words = _words(ratio, reach)
        turns = _turns(rival.purchase, ours.purchase) if words == MORE else ()
    return ValueRow(
        name=name,
        valued=ours,
        to_cheapest=1.0 if is_cheapest else ratio,
        half_width=0.0 if is_cheapest else ratio * reach,
        words=words,
        rival=rival_name,
        break_even=break_even_price(ours.purchase, rival.purchase),
        break_even_low=low,
        break_even_high=high,
        turns=turns,
    )


def _with_flux(purchase: Purchase, factor: float) -> Purchase:
    return evolve(purchase, delivered_flux_umol_s=purchase.delivered_flux_umol_s * factor)


def _words(ratio: float, reach: float) -> str:
    half_width = ratio * reach
    if ratio - 1 > half_width:
        return MORE
    return NO_DIFFERENCE if half_width <= RELEVANT else NOT_DECIDED


def _turns(cheapest: Purchase, other: Purchase) -> tuple[Turn, ...]:
    found = []
    for name, limits in _SCANNED.items():
        now = getattr(cheapest, name)
        for limit in limits(now):
            if limit != now and (at := flips_at(cheapest, other, name, now, limit)) is not None:
                found.append(Turn(name=name, now=now, at=at))
    for step in (-1, 1):
        years = cheapest.years + step
        while 1 <= years <= max(LONGEST_YEARS, cheapest.years):
            if _cost(other, years) < _cost(cheapest, years):
                found.append(Turn(name="years", now=cheapest.years, at=years))
                break
            years += step
    return tuple(found)


def _cost(purchase: Purchase, years: int) -> float:
    changed: dict[str, Any] = {"years": years}
    return cost_of_a_mole(evolve(purchase, **changed)).per_mole
