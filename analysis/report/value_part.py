"""What the light costs, in the report: sentences, tables and the tornado chart.

Sums are for 1000 mol, because those of one mole begin with zeros.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from attrs import frozen

from analysis.digits import FLUX_UNIT, fixed, percent, plus_minus, significant
from analysis.figures.style import to_svg
from analysis.figures.tornado import Bar, tornado
from analysis.report import sentences, value_words
from analysis.report.pictures import Picture
from analysis.report.tables import Entry, number
from analysis.results import RunSummary
from analysis.run_value import MOVED_BY, RunValue, Valued, value_of
from analysis.value import Swing
from analysis.value_ranking import ValueRanking, ValueRow

MOST_BARS: Final = 8


@frozen(kw_only=True)
class DeviceValue:
    """One run in money: what the template prints."""

    name: str
    sentence: str
    headings: tuple[tuple[str, str], ...] = ()
    rows: tuple[tuple[str, tuple[Entry, ...]], ...] = ()
    picture: Picture | None = None


@frozen(kw_only=True)
class TogetherValue:
    """Several runs in money: what the template prints."""

    headline: str
    sentences: tuple[str, ...] = ()
    headings: tuple[tuple[str, str], ...] = ()
    rows: tuple[tuple[str, tuple[Entry, ...]], ...] = ()
    refused: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


@frozen(kw_only=True)
class ValuePart:
    """The whole section of a report; `reckoned` is what all sums rest on, each in its turn."""

    together: TogetherValue | None
    devices: tuple[DeviceValue, ...]
    reckoned: tuple[str, ...]


def value_part(runs: Sequence[RunSummary], ranking: ValueRanking | None) -> ValuePart | None:
    """Make the section on value of runs and their ranking; None where no plan speaks of money."""
    found = [(run, value_of(run)) for run in runs]
    if all(value is None for _, value in found):
        return None
    devices = tuple(
        _device(run, value, name=f"v{at}")
        for at, (run, value) in enumerate(found)
        if value is not None
    )
    reckoned = {
        sentences.device(run): value_words.reckoned(value.best, value.currency)
        for run, value in found
        if value is not None and value.best is not None
    }
    told = tuple(dict.fromkeys(reckoned.values()))
    if len(told) > 1:
        told = tuple(f"{name}: {text}" for name, text in reckoned.items())
    return ValuePart(
        together=None if ranking is None else _together(ranking), devices=devices, reckoned=told
    )


def headlines(ranking: ValueRanking | None) -> tuple[str, ...]:
    """Say in few sentences what costs least, for the terminal; none if nobody asked."""
    if ranking is None:
        return ()
    return (value_words.headline(ranking), *ranking.left_out)


# --- one run ---------------------------------------------------------------------------------


def _device(run: RunSummary, value: RunValue, *, name: str) -> DeviceValue:
    device, best = sentences.device(run), value.best
    if best is None:
        return DeviceValue(name=device, sentence=value_words.of_device(device, value))
    per_thousand = f"{value.currency} per 1000 mol"
    is_bounded = any(one.low is not None for one in value.heights)
    return DeviceValue(
        name=device,
        sentence=value_words.of_device(device, value),
        headings=(
            ("delivered flux", FLUX_UNIT),
            ("wall power", "W"),
            ("cost", per_thousand),
            *((("from", per_thousand), ("to, 95 %", per_thousand)) if is_bounded else ()),
        ),
        rows=tuple(
            (
                f"{one.mounting_height_mm:g} mm",
                (
                    _measured(one.purchase.delivered_flux_umol_s, one.flux_reach),
                    _measured(one.purchase.wall_power_w, one.power_reach),
                    _per_thousand(one.cost.per_mole),
                    *((_per_thousand(one.low), _per_thousand(one.high)) if is_bounded else ()),
                ),
            )
            for one in value.heights
        ),
        picture=_picture(device, best, value.currency, name=name),
    )


def _measured(value: float, relative_reach: float | None) -> Entry:
    reach = None if relative_reach is None else value * relative_reach
    return number(value, lambda held: plus_minus(held, reach))


def _per_thousand(value: float | None) -> Entry:
    return number(None if value is None else 1000 * value)


_SAID: Final = {
    "delivered_flux_umol_s": "delivered flux, as measured",
    "wall_power_w": "wall power, as measured",
    "price": "price",
    "delivery": "delivery",
    "tariff": "tariff",
    "photoperiod_h": "light in a day",
    "lamp_price": "price of a lamp",
    "lamp_life_h": "life of a lamp",
    "end_share": "lamp's light at its end",
    "soiling_per_year": "lost to dirt in a year",
    "upkeep_per_year": "upkeep in a year",
    "discount_rate": "discount rate",
    "years": "years looked at",
}


def _range(swing: Swing, currency: str) -> str:
    """Write what an input was moved over, as people read it."""
    ends = (swing.low, swing.high)
    if swing.name in ("end_share", "soiling_per_year", "discount_rate"):
        low, high, unit = *(fixed(100 * end, 1) for end in ends), "%"
    elif swing.name == "years":
        low, high, unit = *(fixed(end, 0) for end in ends), "years"
    else:
        units = {
            "delivered_flux_umol_s": FLUX_UNIT,
            "wall_power_w": "W",
            "tariff": f"{currency} per kWh",
            "photoperiod_h": "h",
            "lamp_life_h": "h",
        }
        low, high = (significant(end) for end in ends)
        unit = units.get(swing.name, currency)
    return f"{low} to {high} {unit}"


def _picture(device: str, one: Valued, currency: str, *, name: str) -> Picture | None:
    swings = [swing for swing in one.swings() if swing.size > 0][:MOST_BARS]
    if not swings:
        return None
    title = f"What moves the cost: {device}, {one.mounting_height_mm:g} mm"
    bars = [
        Bar(
            name=_SAID[swing.name],
            moved=_range(swing, currency),
            at_low=1000 * swing.at_low,
            at_high=1000 * swing.at_high,
        )
        for swing in swings
    ]
    figure = tornado(
        bars,
        centre=1000 * one.cost.per_mole,
        unit=f"{currency} per 1000 mol delivered",
        title=title,
    )
    flux = "What was measured is moved over its 95 % interval" if one.low is not None else ""
    rest = f"a fifth ({percent(MOVED_BY, 0)}) down and up, the years by one"
    caption = (
        f"{flux}; every other input by {rest}." if flux else f"Every input is moved by {rest}."
    )
    return Picture(
        to_svg(figure, name=name, alt=f"{title}: most by {_SAID[swings[0].name]}"), caption
    )


# --- several runs ----------------------------------------------------------------------------


def _together(ranking: ValueRanking) -> TogetherValue:
    if not ranking.rows:
        return TogetherValue(
            headline=value_words.headline(ranking),
            refused=ranking.why_not,
            left_out=ranking.left_out,
        )
    currency = ranking.currency
    return TogetherValue(
        headline=value_words.headline(ranking),
        sentences=value_words.further(ranking),
        headings=(
            ("mounting height", "mm"),
            ("price", currency),
            ("cost", f"{currency} per 1000 mol"),
            ("over the cheapest", "%"),
            ("±", "%"),
            ("break-even price", currency),
            ("from", currency),
            ("to", currency),
            ("against", ""),
        ),
        rows=tuple((row.name, _cells(row)) for row in ranking.rows),
        left_out=ranking.left_out,
    )


def _cells(row: ValueRow) -> tuple[Entry, ...]:
    def sum_of(value: float) -> Entry:
        return number(value, lambda held: fixed(held, 0)) if value >= 0 else Entry("below 0")

    over = Entry("–") if not row.words else number(100 * (row.to_cheapest - 1), _one_decimal)
    reach = Entry("–") if not row.words else number(100 * row.half_width, _one_decimal)
    return (
        number(row.valued.mounting_height_mm, lambda held: f"{held:g}"),
        number(row.valued.purchase.price, lambda held: f"{held:g}"),
        _per_thousand(row.valued.cost.per_mole),
        over,
        reach,
        sum_of(row.break_even),
        sum_of(row.break_even_low),
        sum_of(row.break_even_high),
        Entry(row.rival),
    )


def _one_decimal(value: float | None) -> str:
    return fixed(value, 1)
