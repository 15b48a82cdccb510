"""Turn the content of a TOML file into attrs classes, and list everything that is wrong at once.

A plan or a profile is an attrs class; each key is a field with its unit, its meaning and
what is allowed in the field's metadata (`rig/toml_keys.py`). `structure` walks the file with a
cattrs converter whose hooks note a fault and go on.

Types are strict, because a guess about a machine is worse than a question: a bool is not a
number, a number is not text, and infinities and NaN are refused.
"""

from __future__ import annotations

import datetime
import difflib
import math
import types
import typing
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, Literal

import attrs
import cattrs
from attrs import frozen

from rig.toml_faults import (
    ConfigError,
    Fault,
    Faults,
    NotAllowed,
    did_you_mean,
    either,
    read_toml,
    shown,
)

Check = Callable[[Mapping[str, Any], Mapping[str, Any]], Iterable[Fault]]


def read_sections(
    path: Path, cls: type, check: Check
) -> tuple[bytes, dict[str, Any], dict[str, Any]]:
    """Read a TOML file into the fields of an attrs class and check it as a whole.

    Parameters
    ----------
    path : Path
        The file.
    cls : type
        The attrs class of the whole file.
    check : callable
        ``check(sections, raw)`` gives the faults that show only between keys. It gets the
        sections that are sound in themselves, so that one round of mending does for both.

    Returns
    -------
    data : bytes
        The file as it is.
    raw : dict
        Its content as TOML has it.
    sections : dict
        The fields of the class.

    Raises
    ------
    ConfigError
        With everything that is wrong.
    """
    data, raw = read_toml(path)
    sections, faults = examine(raw, cls, check)
    if faults:
        raise ConfigError(str(path), [str(fault) for fault in faults])
    return data, raw, sections


def examine(raw: Mapping[str, Any], cls: type, check: Check) -> tuple[dict[str, Any], list[Fault]]:
    """Turn content into the fields of an attrs class and check it as `read_sections` does."""
    sections, faults = structure(raw, cls)
    return sections, [*faults, *check(sections, raw)]


def is_key(attribute: attrs.Attribute[Any]) -> bool:
    """Say whether a field of a class is a key of its file (and not, say, the file's bytes)."""
    return attribute.init and not attribute.metadata.get("internal", False)


def structure(raw: Mapping[str, Any], cls: type) -> tuple[dict[str, Any], list[Fault]]:
    """Turn a table into the fields of an attrs class, as far as they are sound.

    Parameters
    ----------
    raw : mapping
        The table as read from TOML.
    cls : type
        An attrs class.

    Returns
    -------
    sound : dict
        Field name to value, for all fields that are right or have a default. A class can be
        made from it if there is no fault; checks across keys can use what is there.
    faults : list of Fault
        Everything that is wrong, in the order of the class, unknown keys first.
    """
    attrs.resolve_types(cls)
    fields = {item.name: item for item in attrs.fields(cls) if is_key(item)}
    faults: list[Fault] = []
    claimed: set[str] = set()
    for key in raw:
        if key not in fields:
            near = _near(key, [name for name in fields if name not in raw])
            claimed |= {near} if near else set()
            kind = "section" if isinstance(raw[key], Mapping) else "key"
            hint = f"did you mean '{near}'?" if near else "known here: " + ", ".join(fields)
            faults.append(Fault((key,), f"is not a known {kind}; {hint}"))
    sound: dict[str, Any] = {}
    for name, attribute in fields.items():
        if name in raw:
            try:
                sound[name] = _field_value(raw[name], attribute)
            except Faults as found:
                faults += [fault.within(name) for fault in found.faults]
        elif attribute.default is not attrs.NOTHING:
            sound[name] = _default(attribute)
        elif name not in claimed:
            faults.append(Fault((name,), f"is missing; {_allowed(attribute)}"))
    return sound, faults


def make(raw: object, cls: type) -> Any:
    """Turn a table into an object of an attrs class.

    Raises
    ------
    Faults
        Everything that is wrong with it.
    """
    if not isinstance(raw, Mapping):
        raise Faults([Fault((), f"is {shown(raw)}; give a section with its keys")])
    sound, faults = structure(raw, cls)
    if faults:
        raise Faults(faults)
    try:
        return cls(**sound)
    except (ValueError, TypeError) as error:  # what only the whole object can check
        raise Faults([Fault((), f"cannot be used: {error}")]) from None


def _default(attribute: attrs.Attribute[Any]) -> Any:
    default = attribute.default
    if isinstance(default, attrs.Factory):  # type: ignore[arg-type]
        return default.factory()  # type: ignore[union-attr]
    return default


def _field_value(raw: object, attribute: attrs.Attribute[Any]) -> Any:
    try:
        if own := attribute.metadata.get("structure"):
            value = own(raw)
        else:
            value = _CONVERTER.structure(raw, attribute.type or Any)
    except Faults as found:
        raise Faults(
            Fault(fault.path, f"{fault.text}; {_allowed(attribute, fault.path)}")
            if isinstance(fault, _Unfit)
            else fault
            for fault in found.faults
        ) from None
    if attribute.validator is not None:
        try:
            attribute.validator(None, attribute, value)
        except NotAllowed as found:
            raise Faults(
                Fault(path, f"is {shown(_at(raw, path))}; {found.allowed}") for path in found.paths
            ) from None
        except (ValueError, TypeError):
            raise Faults([Fault((), f"is {shown(raw)}; {_allowed(attribute)}")]) from None
    return value


def _at(raw: Any, path: tuple[int, ...]) -> Any:
    for step in path:
        raw = raw[step]
    return raw


def _allowed(attribute: attrs.Attribute[Any], path: tuple[str | int, ...] = ()) -> str:
    if path and (entry := attribute.metadata.get("allowed_entry")):
        return str(entry)
    if allowed := attribute.metadata.get("allowed"):
        return str(allowed)
    kind = _bare(attribute.type)
    if attrs.has(kind):
        needed = [item.name for item in attrs.fields(kind) if item.default is attrs.NOTHING]
        holding = f" with {', '.join(needed)}" if needed else ""
        return f"give a section [{attribute.name}]{holding}"
    unit = attribute.metadata.get("unit", "")
    of_unit = f" of {unit}" if unit and unit != "1" else ""
    words = {float: "a number", int: "a whole number", str: "text", bool: "true or false"}
    if kind in words:
        return f"give {words[kind]}{of_unit}"
    if kind is datetime.date:
        return "give a date without quotes, e.g. 2026-01-02"
    if typing.get_origin(kind) is Literal:
        return "give " + either(typing.get_args(kind))
    return f"give a list{of_unit}"


def _bare(kind: Any) -> Any:
    """Return the type without its ``| None``."""
    if typing.get_origin(kind) in (typing.Union, types.UnionType):
        inner = [item for item in typing.get_args(kind) if item is not type(None)]
        return inner[0] if len(inner) == 1 else kind
    return kind


def _near(key: str, names: Sequence[str]) -> str | None:
    found = difflib.get_close_matches(key.lower(), names, n=1, cutoff=0.6)
    return found[0] if found else None


# --- strict types ----------------------------------------------------------------------------


@frozen
class _Unfit(Fault):
    """A value of the wrong type; the field it belongs to knows what is allowed."""


def _unfit(value: object) -> Faults:
    return Faults([_Unfit((), f"is {shown(value)}")])


def _number(value: object, _kind: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise _unfit(value)
    return float(value)


def _exactly(value: object, kind: Any) -> Any:
    if type(value) is not kind:  # a bool is an int, and a date-time a date, to isinstance
        raise _unfit(value)
    return value


def _one_of(value: object, kind: Any) -> Any:
    words = typing.get_args(kind)
    if not any(type(value) is type(word) and value == word for word in words):
        if not isinstance(value, str):
            raise _unfit(value)
        hint = did_you_mean(value, words)
        raise Faults([Fault((), f"is {shown(value)}; give {either(words)}{hint}")])
    return value


def _union(value: object, kind: Any) -> Any:
    choices = [item for item in typing.get_args(kind) if item is not type(None)]
    for position, choice in enumerate(choices):
        try:
            return _CONVERTER.structure(value, choice)
        except Faults:
            if len(choices) == 1:
                raise
            if position == len(choices) - 1:
                raise _unfit(value) from None


def _items(value: object, kind: Any) -> Any:
    inner = typing.get_args(kind)
    into = typing.get_origin(kind)
    if not isinstance(value, list):
        raise _unfit(value)
    if into is list or (len(inner) == 2 and inner[1] is Ellipsis):
        inner = (inner[0],) * len(value)
    if len(value) != len(inner):
        raise _unfit(value)
    items: list[Any] = []
    faults: list[Fault] = []
    for position, (item, item_kind) in enumerate(zip(value, inner, strict=True)):
        try:
            items.append(_CONVERTER.structure(item, item_kind))
        except Faults as found:
            faults += [fault.within(position) for fault in found.faults]
    if faults:
        raise Faults(faults)
    return into(items)


def _is_items(kind: Any) -> bool:
    return typing.get_origin(kind) in (tuple, list)


def _is_union(kind: Any) -> bool:
    return typing.get_origin(kind) in (typing.Union, types.UnionType)


def _converter() -> cattrs.Converter:
    converter = cattrs.Converter()
    converter.register_structure_hook(float, _number)
    for kind in (int, str, bool, datetime.date):
        converter.register_structure_hook(kind, _exactly)
    converter.register_structure_hook_func(lambda kind: typing.get_origin(kind) is Literal, _one_of)
    converter.register_structure_hook_func(_is_union, _union)
    converter.register_structure_hook_func(_is_items, _items)
    converter.register_structure_hook_func(attrs.has, make)
    return converter


_CONVERTER: Final = _converter()
