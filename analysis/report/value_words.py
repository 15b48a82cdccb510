"""Sentences on what light costs; `analysis/report/value_part.py` puts them into the section."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.comparison import MORE, NO_DIFFERENCE
from analysis.digits import fixed, percent, significant
from analysis.report import sentences
from analysis.run_value import RunValue, Valued
from analysis.value_ranking import Turn, ValueRanking, ValueRow


def of_device(device: str, value: RunValue) -> str:
    """Say what the light of one device costs at its best height, and what that is made of."""
    best = value.best
    if best is None:
        return f"What the light of {device} costs is not stated: {value.why_not}."
    within = ""
    if best.low is not None and best.high is not None:
        within = (
            f" ({significant(1000 * best.low)} to {significant(1000 * best.high)} {value.currency} "
            "within the 95 % interval of flux and power)"
        )
    cost = significant(1000 * best.cost.per_mole)
    return (
        f"{_over(best.purchase.years)}, 1000 mol delivered by {device} at "
        f"{best.mounting_height_mm:g} mm{_chosen(value)} cost {cost} {value.currency}{within}. "
        f"{_shares(best, value.currency)}"
    )


def headline(ranking: ValueRanking) -> str:
    """Say which light costs least, or why nothing is said."""
    if ranking.why_not:
        return "Not compared by value: these runs are not alike."
    if not ranking.rows:
        return "Not compared by value: fewer than two of these runs can be reckoned."
    return _headline(ranking.rows, ranking.currency)


def further(ranking: ValueRanking) -> tuple[str, ...]:
    """Say the rest: the other devices, break-even prices, where the order turns."""
    rows = ranking.rows
    return (
        *(_against(row, rows[0]) for row in rows[2:]),
        *(_break_even(row, ranking.currency, first=not at) for at, row in enumerate(rows)),
        *(_turned(row, rows[0].name, ranking.currency) for row in rows if row.words == MORE),
    )


def money(value: float, currency: str) -> str:
    """Write a sum with its label: no decimals from 100 on, nor where there are none."""
    decimals = 0 if abs(value) >= 100 or float(value).is_integer() else 2
    return f"{fixed(value, decimals)}\u00a0{currency}"


def _chosen(value: RunValue) -> str:
    if len(value.heights) == 1:
        return ""
    within = " within the limits of its plan" if value.left_out_mm else ""
    return f", the height of its highest plane efficacy{within},"


def _over(years: float) -> str:
    return f"Over {years:g} year{'' if years == 1 else 's'}"


def _shares(one: Valued, currency: str) -> str:
    cost, bought = one.cost, one.purchase
    price = f"price {money(bought.price, currency)}"
    if bought.delivery:
        price += f", delivery {money(bought.delivery, currency)}"
    parts = {
        "electricity": cost.energy,
        f"the purchase ({price})": cost.purchase,
        "new lamps": cost.lamps,
        "upkeep": cost.upkeep,
    }
    whole = sum(parts.values())
    if not whole:
        return "Nothing in it costs anything."
    said = [
        f"{percent(part / whole, 0)} {name}"
        for name, part in sorted(parts.items(), key=lambda pair: -pair[1])
        if part > 0
    ]
    return f"Of that, {sentences.listed(said)}."


def reckoned(one: Valued, currency: str) -> str:
    """Say what the sum rests on besides the price of the device, and what is not in it."""
    bought = one.purchase
    said = [
        f"electricity at {bought.tariff:g} {currency} per kWh",
        f"{bought.photoperiod_h:g} h of light a day",
    ]
    if one.cost.lamps or bought.end_share < 1:
        said.append(
            f"a lamp that falls evenly to {percent(bought.end_share, 0)} of its first light in "
            f"{bought.lamp_life_h:g} h and is then replaced for "
            f"{money(bought.lamp_price, currency)}"
        )
    if bought.soiling_per_year:
        said.append(f"{percent(bought.soiling_per_year)} lost to dirt by the end of each year")
    if bought.upkeep_per_year:
        said.append(f"{money(bought.upkeep_per_year, currency)} of upkeep a year")
    if bought.discount_rate:
        said.append(
            f"a discount rate of {percent(bought.discount_rate)} a year for money and light alike"
        )
    return (
        f"Reckoned with {sentences.listed(said)}. The delivered flux measured counts as that of "
        "a new lamp and a clean device. What the light does for a crop, and what cooling costs, "
        "is not in it."
    )


def _headline(rows: Sequence[ValueRow], currency: str) -> str:
    cheapest, following = rows[0], rows[1]
    over = _over(cheapest.valued.purchase.years)
    costs = [significant(1000 * row.valued.cost.per_mole) for row in (cheapest, following)]
    if following.words == MORE:
        less, within = _less(following)
        return (
            f"{over}, light from {cheapest.name} costs least: {costs[0]} {currency} per 1000 mol "
            f"delivered, {percent(less)} ± {percent(within)} less than from {following.name}."
        )
    both = f"{cheapest.name} and {following.name}"
    figures = f"{costs[0]} and {costs[1]} {currency} per 1000 mol"
    if following.words == NO_DIFFERENCE:
        return (
            f"{over}, there is no measurable difference in cost between light from {both}: "
            f"{figures}, their ratio known to ± {percent(following.half_width)}."
        )
    return (
        f"{over}, it is not decided which of {both} gives the cheaper light: {figures}, a "
        f"difference of {percent(following.to_cheapest - 1)} ± {percent(following.half_width)}."
    )


def _less(row: ValueRow) -> tuple[float, float]:
    """Turn "dearer than the cheapest" round: what the cheapest saves, and its half-width."""
    return 1 - 1 / row.to_cheapest, row.half_width / row.to_cheapest**2


def _against(row: ValueRow, cheapest: ValueRow) -> str:
    difference = f"{percent(row.to_cheapest - 1)} ± {percent(row.half_width)}"
    if row.words == MORE:
        return f"Light from {row.name} costs {difference} more than from {cheapest.name}."
    if row.words == NO_DIFFERENCE:
        return (
            f"There is no measurable difference in cost between light from {row.name} and from "
            f"{cheapest.name} ({difference})."
        )
    return (
        f"It is not decided whether light from {row.name} costs more than from {cheapest.name} "
        f"({difference})."
    )


def _break_even(row: ValueRow, currency: str, *, first: bool) -> str:
    price = money(row.valued.purchase.price, currency)
    if row.break_even < 0:
        return (
            f"{row.name} costs {price}; even as a present its light would not cost as little as "
            f"that of {row.rival}."
        )
    bound = f"{fixed(max(0.0, row.break_even_low), 0)} to {fixed(row.break_even_high, 0)}"
    at = f"{fixed(row.break_even, 0)} {currency}"
    if first:
        return (
            f"{row.name} costs {price}, and may cost up to {at} ({bound} with 95 % confidence) "
            f"before its light costs more than that of {row.rival}."
        )
    return (
        f"{row.name} costs {price}; at {at} ({bound} with 95 % confidence) its light would cost "
        f"the same as that of {row.rival}."
    )


def _turned(row: ValueRow, cheapest: str, currency: str) -> str:
    if not row.turns:
        return (
            f"{cheapest} stays cheaper than {row.name} from a quarter of the tariff to four times "
            "of it, from 1 to 24 h of light a day, from 1 to 20 years, and up to a discount rate "
            "of 20 %, each moved alone."
        )
    said = ", or ".join(_turn(turn, currency) for turn in row.turns)
    return f"Light from {row.name} would cost less than from {cheapest} {said}."


def _turn(turn: Turn, currency: str) -> str:
    is_below = turn.at < turn.now
    side = "below" if is_below else "above"
    if turn.name == "years":
        span = f"{turn.at:g} year{'' if turn.at == 1 else 's'}"
        more = "" if is_below and turn.at == 1 else " or less" if is_below else " or more"
        return f"over {span}{more} (now {turn.now:g})"
    if turn.name == "tariff":
        at, now = significant(turn.at, 2), significant(turn.now, 2)
        return f"with a tariff {side} {at} {currency} per kWh (now {now})"
    if turn.name == "photoperiod_h":
        more = "less" if is_below else "more"
        return f"with {more} than {fixed(turn.at, 1)} h of light a day (now {turn.now:g})"
    return f"with a discount rate {side} {percent(turn.at)} (now {percent(turn.now)})"
