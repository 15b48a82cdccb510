"""Like for like: are two runs alike in everything but the device under test?

A reflector is compared over one lamp, one ballast, one set of walls. Each fact that could pass
for a difference between devices is checked, and each one that differs, or that a plan does not
state, is a mismatch with a name. A comparison goes on only if every mismatch is accepted by
that name.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from typing import Final

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
    values : tuple of str
        What each of the two states, as short as it goes; empty where it states nothing.
    """

    name: str
    sentence: str
    values: tuple[str, str]


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
    found += [
        _grids(a, b),
        _corrections(a, b, names),
        _lamp_hours(a, b, names),
        _line_voltage(a, b, names),
        _ambient(a, b),
    ]
    return tuple(one for one in found if one is not None)


def names_of(runs: Sequence[RunSummary]) -> tuple[str, ...]:
    """Name runs by device, and by specimen or folder too where that is needed to part them."""
    devices = tuple(run.device for run in runs)
    if all(devices):
        if len(set(devices)) == len(devices):
            return devices
        specimens = tuple(f"{run.device} ({run.specimen})" for run in runs)
        if all(run.specimen for run in runs) and len(set(specimens)) == len(specimens):
            return specimens
    return tuple(f"{run.device or 'device not named'} ({run.run_name})" for run in runs)


def stamps(accepted: Iterable[Mismatch]) -> tuple[str, ...]:
    """Say of each accepted fact, over all pairs of runs, what differs: to be put on the output.

    Returns
    -------
    tuple of str
        E.g. ``"Accepted: lamp hours differ (130 h, 310 h)"``, in the order of `FACTS`.
    """
    held: dict[str, dict[str, None]] = {}
    for one in accepted:
        held.setdefault(one.name, {}).update(dict.fromkeys(one.values))
    texts = []
    for name in sorted(held, key=FACTS.index):
        stated = [value for value in held[name] if value]
        if not stated:
            texts.append(f"Accepted: {name} not stated")
            continue
        unsaid = ["not stated"] if len(stated) < len(held[name]) else []
        verb = "differ" if name.endswith("s") else "differs"
        texts.append(f"Accepted: {name} {verb} ({', '.join([*stated, *unsaid])})")
    return tuple(texts)


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


_SILENCE: Final = (None, "", "not stated")


def _from_plan(section: str, *keys: str) -> Callable[[RunSummary], str]:
    def read(run: RunSummary) -> str:
        table = run.plan.get(section)
        held = table if isinstance(table, Mapping) else {}
        return ", ".join(str(held[key]) for key in keys if held.get(key) not in _SILENCE)

    return read


def instrument_of(run: RunSummary, *names: str) -> str:
    """Say which instrument of these names a run was read with; empty if it is not stated."""
    for instrument in run.instruments:
        if instrument.get("name") not in names:
            continue
        if instrument.get("serial_number"):
            return f"serial number {instrument['serial_number']}"
        if instrument.get("port"):
            return f"{instrument.get('kind', 'instrument')} on {instrument['port']}"
    return ""


def _instrument(*names: str) -> Callable[[RunSummary], str]:
    return lambda run: instrument_of(run, *names)


_IDENTICAL: Final[Mapping[str, Callable[[RunSummary], str]]] = {
    "lamp sample": _from_plan("lamp", "sample"),
    "burning position": _from_plan("lamp", "burning_position"),
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
    "burning position": "the burning position of the lamp",
    "walls": "the set of walls",
    "wall state": "the date on which the walls were last cleaned or renewed",
    "above": "what lies above the walls",
    "height axis": "what moves to change the height, and so the datum of the height",
}
_MAY_BE_EMPTY: Final = ("ballast setting", "burning position")
"""Two that state none are alike: not every ballast has a setting, nor every lamp a position that
matters."""

FACTS: Final = (
    *_IDENTICAL,
    "grid",
    "corrections",
    "lamp hours",
    "line voltage",
    "ambient temperature",
)
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
            name=fact,
            sentence=f"{said} differs: {in_a} for {names[0]}, {in_b} for {names[1]}",
            values=(in_a, in_b),
        )
    return _silent(fact, said, (in_a, in_b), names)


def _silent(fact: str, said: str, values: tuple[str, str], names: tuple[str, str]) -> Mismatch:
    without = [name for name, value in zip(names, values, strict=True) if not value]
    return Mismatch(
        name=fact, sentence=f"{said} is not stated for {' and '.join(without)}", values=values
    )


def _grids(a: RunSummary, b: RunSummary) -> Mismatch | None:
    if not a.maps or not b.maps:
        return None
    first, second = a.maps[0].grid, b.maps[0].grid
    if first.is_same_as(second):
        return None
    told = f"{first.label} and {second.label}"
    values = (first.label, second.label)
    if first.label == second.label:
        told = f"both have {first.label}, in other places or for other areas"
        values = (first.label, f"{second.label} elsewhere")
    return Mismatch(name="grid", sentence=f"the grid differs: {told}", values=values)


def _corrections(a: RunSummary, b: RunSummary, names: tuple[str, str]) -> Mismatch | None:
    if not a.maps or not b.maps:
        return None
    done = [_corrected(run) for run in (a, b)]
    apart = [name for name in dict.fromkeys([*done[0], *done[1]])
             if done[0].get(name) != done[1].get(name)]  # fmt: skip
    if not apart:
        return None
    told = "; ".join(
        f"{name} {done[0].get(name, 'not done')} for {names[0]}, "
        f"{done[1].get(name, 'not done')} for {names[1]}"
        for name in apart
    )
    first, second = (
        ", ".join(f"{name} {held.get(name, 'not done')}" for name in apart) for held in done
    )
    return Mismatch(
        name="corrections", sentence=f"the corrections differ: {told}", values=(first, second)
    )


def _corrected(run: RunSummary) -> dict[str, str]:
    """Corrections of a run and how they were set; drift is left out, being each map's own."""
    done = {name: how for name, how in run.corrections.items()
            if name not in ("dark reading", "drift")}  # fmt: skip
    if run.dark.status in ("measured", "per point"):
        done["dark reading"] = "subtracted"
    return done


def _lamp_hours(a: RunSummary, b: RunSummary, names: tuple[str, str]) -> Mismatch | None:
    hours = [run.plan.get("lamp", {}).get("hours") for run in (a, b)]
    values = _with_unit(hours, 0, "h")
    if None in hours:
        return _silent("lamp hours", "the age of the lamp in burning hours", values, names)
    if abs(hours[0] - hours[1]) <= LAMP_HOURS_APART:
        return None
    return Mismatch(
        name="lamp hours",
        sentence=f"the lamp had burned {values[0]} and {values[1]}, more "
        f"than {LAMP_HOURS_APART:g} h apart",
        values=values,
    )


def _with_unit(values: Sequence[float | None], decimals: int, unit: str) -> tuple[str, str]:
    first, second = ("" if one is None else f"{fixed(one, decimals)} {unit}" for one in values)
    return first, second


def _means(a: RunSummary, b: RunSummary, quantity: str) -> tuple[float | None, float | None]:
    held = [run.conditions.get(quantity) for run in (a, b)]
    first, second = (None if condition is None else condition.mean for condition in held)
    return first, second


def _line_voltage(a: RunSummary, b: RunSummary, names: tuple[str, str]) -> Mismatch | None:
    first, second = _means(a, b, "line_voltage_v")
    values = _with_unit((first or None, second or None), 1, "V")
    if not first or not second:
        return _silent("line voltage", "the line voltage", values, names)
    apart = abs(first - second) / ((first + second) / 2)
    if apart <= LINE_VOLTAGE_APART:
        return None
    return Mismatch(
        name="line voltage",
        sentence=f"the mean line voltage was {values[0]} and {values[1]}, "
        f"{percent(apart)} apart and more than {percent(LINE_VOLTAGE_APART, 0)}",
        values=values,
    )


def _ambient(a: RunSummary, b: RunSummary) -> Mismatch | None:
    first, second = _means(a, b, "temperature_c")
    if first is None or second is None or abs(first - second) <= AMBIENT_APART_K:
        return None
    values = _with_unit((first, second), 1, "°C")
    return Mismatch(
        name="ambient temperature",
        sentence=f"the logged temperature was {values[0]} and {values[1]}, more "
        f"than {AMBIENT_APART_K:g} K apart",
        values=values,
    )
