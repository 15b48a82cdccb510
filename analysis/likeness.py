"""Like for like: are two runs alike in everything but the device under test?

A reflector is compared over one lamp, one ballast, one set of walls. Each fact that could pass
for a difference between devices is checked, and each one that differs, or that a plan does not
state, is a mismatch with a name. A comparison goes on only if every mismatch is accepted by
that name.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any, Final

from attrs import frozen

from analysis.digits import fixed, percent
from analysis.results import RunSummary

LAMP_HOURS_APART: Final = 100.0
"""Common practice, no source. [h]"""
LINE_VOLTAGE_APART: Final = 0.02
"""Of the mean of both; common practice, no source. [fraction]"""
AMBIENT_APART_K: Final = 5.0
"""Common practice, no source; checked only if both runs logged a temperature. [K]"""


class NotAFactError(ValueError):
    """A mismatch was to be accepted by a name that is none."""


@frozen(kw_only=True)
class Mismatch:
    """One fact in which two runs are not alike.

    Attributes
    ----------
    name : str
        What it is accepted by, e.g. ``"lamp sample"``.
    sentence : str
        What differs or is not stated, in plain words.
    """

    name: str
    sentence: str


def mismatches(a: RunSummary, b: RunSummary, names: tuple[str, str]) -> tuple[Mismatch, ...]:
    """List every fact in which two runs are not alike, or in which a run is silent.

    Parameters
    ----------
    a, b : RunSummary
        The runs.
    names : tuple of str
        What they are called in the sentences, see `names_of`.

    Returns
    -------
    tuple of Mismatch
        In the order of `FACTS`; empty for a fair comparison.
    """
    found = [_identical(fact, read, a, b, names) for fact, read in _IDENTICAL.items()]
    found += [_grids(a, b), _lamp_hours(a, b, names), _line_voltage(a, b, names), _ambient(a, b)]
    return tuple(one for one in found if one is not None)


def names_of(runs: Sequence[RunSummary]) -> tuple[str, ...]:
    """Name runs by device, and by specimen or folder too where that is needed to part them."""
    for names in (
        tuple(run.device for run in runs),
        tuple(f"{run.device} ({run.specimen})" for run in runs),
    ):
        if len(set(names)) == len(names) and all(run.device for run in runs):
            return names
    return tuple(f"{run.device or 'device not named'} ({run.run_name})" for run in runs)


def check_facts(names: Collection[str]) -> None:
    """Refuse to accept a mismatch in what is no fact.

    Raises
    ------
    NotAFactError
        A name that is not one of `FACTS`.
    """
    unknown = sorted(set(names) - set(FACTS))
    if unknown:
        raise NotAFactError(
            f"cannot accept {', '.join(map(repr, unknown))}: no such fact. Give one of "
            f"{', '.join(FACTS)}."
        )


def _from_plan(section: str, *keys: str) -> Callable[[RunSummary], str]:
    def read(run: RunSummary) -> str:
        table = run.plan.get(section)
        held = table if isinstance(table, Mapping) else {}
        return ", ".join(str(held[key]) for key in keys if held.get(key) not in (None, ""))

    return read


def _instrument(*names: str) -> Callable[[RunSummary], str]:
    def read(run: RunSummary) -> str:
        for instrument in run.instruments:
            if instrument.get("name") not in names:
                continue
            if instrument.get("serial_number"):
                return f"serial number {instrument['serial_number']}"
            if instrument.get("port"):
                return f"{instrument.get('kind', 'instrument')} on {instrument['port']}"
        return ""

    return read


_IDENTICAL: Final[Mapping[str, Callable[[RunSummary], str]]] = {
    "lamp sample": _from_plan("lamp", "sample"),
    "ballast sample": _from_plan("ballast", "sample"),
    "ballast setting": _from_plan("ballast", "setting"),
    "walls": _from_plan("area", "walls_identity"),
    "wall state": _from_plan("area", "walls_state_date"),
    "floor": _from_plan("area", "floor"),
    "above": _from_plan("area", "above"),
    "light sensor": _instrument("light_sensor", "entered"),
    "power meter": _instrument("power_meter"),
    "height axis": _from_plan("heights", "axis"),
}
_SAID: Final = {
    "walls": "the set of walls",
    "wall state": "the date on which the walls were last cleaned or renewed",
    "above": "what lies above the walls",
    "height axis": "what moves to change the height, and so the datum of the height",
}
_MAY_BE_EMPTY: Final = ("ballast setting",)
"""Not every ballast has a setting; two that state none are alike."""

FACTS: Final = (*_IDENTICAL, "grid", "lamp hours", "line voltage", "ambient temperature")
"""Names by which a mismatch can be accepted."""


def _identical(
    fact: str,
    read: Callable[[RunSummary], str],
    a: RunSummary,
    b: RunSummary,
    names: tuple[str, str],
) -> Mismatch | None:
    in_a, in_b = read(a), read(b)
    said = _SAID.get(fact, f"the {fact}")
    if in_a == in_b and (in_a or fact in _MAY_BE_EMPTY):
        return None
    if in_a and in_b:
        return Mismatch(
            name=fact, sentence=f"{said} differs: {in_a} for {names[0]}, {in_b} for {names[1]}"
        )
    return _silent(fact, said, in_a, in_b, names)


def _silent(fact: str, said: str, in_a: Any, in_b: Any, names: tuple[str, str]) -> Mismatch:
    without = [name for name, value in zip(names, (in_a, in_b), strict=True) if not value]
    return Mismatch(name=fact, sentence=f"{said} is not stated for {' and '.join(without)}")


def _grids(a: RunSummary, b: RunSummary) -> Mismatch | None:
    if not a.maps or not b.maps:
        return None
    first, second = a.maps[0].grid, b.maps[0].grid
    if first.is_same_as(second):
        return None
    told = f"{first.label} and {second.label}"
    if first.label == second.label:
        told = f"both have {first.label}, in other places or for other areas"
    return Mismatch(name="grid", sentence=f"the grid differs: {told}")


def _lamp_hours(a: RunSummary, b: RunSummary, names: tuple[str, str]) -> Mismatch | None:
    hours = [run.plan.get("lamp", {}).get("hours") for run in (a, b)]
    if None in hours:
        known = [value is not None for value in hours]
        return _silent("lamp hours", "the burning hours of the lamp", known[0], known[1], names)
    if abs(hours[0] - hours[1]) <= LAMP_HOURS_APART:
        return None
    return Mismatch(
        name="lamp hours",
        sentence=f"the lamp had burned {fixed(hours[0], 0)} h and {fixed(hours[1], 0)} h, more "
        f"than {LAMP_HOURS_APART:g} h apart",
    )


def _means(a: RunSummary, b: RunSummary, quantity: str) -> tuple[float | None, float | None]:
    held = [run.conditions.get(quantity) for run in (a, b)]
    first, second = (None if condition is None else condition.mean for condition in held)
    return first, second


def _line_voltage(a: RunSummary, b: RunSummary, names: tuple[str, str]) -> Mismatch | None:
    first, second = _means(a, b, "line_voltage_v")
    if not first or not second:
        return _silent("line voltage", "the line voltage", first, second, names)
    apart = abs(first - second) / ((first + second) / 2)
    if apart <= LINE_VOLTAGE_APART:
        return None
    return Mismatch(
        name="line voltage",
        sentence=f"the mean line voltage was {fixed(first, 1)} V and {fixed(second, 1)} V, "
        f"{percent(apart)} apart and more than {percent(LINE_VOLTAGE_APART, 0)}",
    )


def _ambient(a: RunSummary, b: RunSummary) -> Mismatch | None:
    first, second = _means(a, b, "temperature_c")
    if first is None or second is None or abs(first - second) <= AMBIENT_APART_K:
        return None
    return Mismatch(
        name="ambient temperature",
        sentence=f"the logged temperature was {fixed(first, 1)} °C and {fixed(second, 1)} °C, more "
        f"than {AMBIENT_APART_K:g} K apart",
    )
