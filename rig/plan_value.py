"""The section ``[value]`` of a test plan: what the light costs, for whoever pays for it.

Everything here is about money and use, nothing about the measurement; a plan without it is whole.
Per cent in the file, fractions in `analysis.value`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from attrs import frozen

from rig.toml_faults import Fault
from rig.toml_keys import number, text

_NEED_A_LIFE: Final = ("lamp_price", "lamp_end_percent")


@frozen(kw_only=True)
class Value:
    """Section ``[value]``: prices and use, from which the cost of a delivered mole follows."""

    currency: str = text(
        "Label of the money, printed beside every sum and nothing more.",
        example="EUR",
        empty=False,
    )
    price: float = number(
        "", "Of the device with its first lamp.", at_least=0, at_most=1e7, example=115.0
    )
    delivery: float = number(
        "", "Paid once, with the device.", default=0.0, at_least=0, at_most=1e7, example=8.0
    )
    tariff: float = number("", "Of one kilowatt-hour.", at_least=0, at_most=1e5, example=0.25)
    photoperiod_h: float = number("h", "Light in a day.", above=0, at_most=24, example=12.0)
    years: int = number(
        "1", "How long it is looked at.", default=5, at_least=1, at_most=50, example=5
    )
    lamp_price: float = number(
        "",
        "Of a replacement lamp, its fitting included.",
        default=0.0,
        at_least=0,
        at_most=1e6,
        example=32.0,
    )
    lamp_life_h: float | None = number(
        "h",
        "Burning hours after which the lamp is replaced; never if left out.",
        default=None,
        at_least=100,
        at_most=500000,
        example=8000.0,
    )
    lamp_end_percent: float = number(
        "%",
        "Share of its first light that the lamp gives at the end of its life.",
        default=100.0,
        above=0,
        at_most=100,
        example=88.0,
    )
    soiling_percent: float = number(
        "%",
        "Light lost to dirt by the end of a year, then cleaned.",
        default=0.0,
        at_least=0,
        at_most=100,
        example=5.0,
    )
    upkeep_per_year: float = number(
        "", "Cleaning and the like, in a year.", default=0.0, at_least=0, at_most=1e6, example=6.0
    )
    discount_percent: float = number(
        "%",
        "By which money and light of a year later count for less.",
        default=0.0,
        at_least=0,
        at_most=100,
        example=4.0,
    )


def faults(raw: Mapping[str, Any]) -> Iterator[Fault]:
    """Find what would be ignored without a word: a new lamp's price, and no life to end.

    Parameters
    ----------
    raw : mapping
        The plan as TOML has it.
    """
    section = raw.get("value")
    if not isinstance(section, Mapping) or "lamp_life_h" in section:
        return
    for key in _NEED_A_LIFE:
        if key in section:
            yield Fault(
                ("value", key),
                "does nothing without value.lamp_life_h; give that too, e.g. "
                "lamp_life_h = 8000.0, or leave it out",
            )
