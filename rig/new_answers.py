"""Turn a typed answer into the value of one key, by the key's own declaration.

Type, unit, limits and words come from the attrs class of the section, so an answer is taken or
refused exactly as the reader of the file would do it.
"""

from __future__ import annotations

import re
import tomllib
import types
import typing
from datetime import date
from typing import Any, Final, Literal

import attrs

from rig.toml_structure import structure

_YES: Final = {"y": True, "yes": True, "true": True, "n": False, "no": False, "false": False}


class AnswerError(ValueError):
    """An answer cannot be taken; the message says what was received and what is allowed."""


def field_of(cls: type, key: str) -> attrs.Attribute[Any]:
    """Return the declaration of a key, its type resolved."""
    attrs.resolve_types(cls)
    found: attrs.Attribute[Any] = getattr(attrs.fields(cls), key)
    return found


def bare_type(field: attrs.Attribute[Any]) -> Any:
    """Return the type of a key without its ``| None``; a real choice of types stays one."""
    kind: Any = field.type
    if typing.get_origin(kind) in (typing.Union, types.UnionType):
        inner = [item for item in typing.get_args(kind) if item is not type(None)]
        return inner[0] if len(inner) == 1 else kind
    return kind


def words_of(field: attrs.Attribute[Any]) -> tuple[str, ...]:
    """Return the words that a key can be, or nothing where it is no choice of text."""
    kind = bare_type(field)
    if typing.get_origin(kind) is Literal:
        return typing.get_args(kind)
    return tuple(field.metadata.get("choices", ()))


def read_answer(cls: type, key: str, text: str) -> Any:
    """Return the value of a key as TOML has it.

    Raises
    ------
    AnswerError
        It is of the wrong type or outside the limits.
    """
    field = field_of(cls, key)
    value = _typed(text.strip(), field)
    _, faults = structure({key: value}, cls)
    for fault in faults:
        if fault.path[:1] == (key,):
            raise AnswerError(fault.text)
    return value


def _typed(text: str, field: attrs.Attribute[Any]) -> Any:
    """Read by type; what cannot be read stays text, which the declaration then refuses."""
    kind = bare_type(field)
    if kind in (int, float):
        return _number(text, kind, field.metadata.get("unit", ""))
    if kind is bool:
        return _YES.get(text.lower(), text)
    if kind is date:
        try:
            return date.fromisoformat(text)
        except ValueError:
            return text
    if words := words_of(field):
        return word_meant(text, words)
    if kind is str:
        return _toml(text) if text[:1] in ("'", '"') else text
    if typing.get_origin(kind) in (tuple, list) and typing.get_args(kind)[0] is float:
        parts = [part for part in re.split(r"[,;\s]+", text.strip("[] ")) if part]
        return [_number(part, float, "") for part in parts if part != field.metadata.get("unit")]
    return _toml(text)


def word_meant(text: str, words: tuple[str, ...]) -> str:
    """Return the word that was meant: by itself, by its number, or by how it begins."""
    if text.isascii() and text.isdigit() and 1 <= int(text) <= len(words):
        return words[int(text) - 1]
    begun = [word for word in words if str(word).lower().startswith(text.lower())]
    same = [word for word in begun if str(word).lower() == text.lower()]
    return (same or (begun if len(begun) == 1 and text else [text]))[0]


def _number(text: str, kind: type, unit: str) -> Any:
    figure = text.removesuffix(unit).strip() if unit not in ("", "1") else text
    if re.fullmatch(r"[+-]?\d+,\d+", figure):
        figure = figure.replace(",", ".")
    try:
        return kind(figure)
    except ValueError:
        return text


def _toml(text: str) -> Any:
    try:
        return tomllib.loads(f"answer = {text}")["answer"]
    except tomllib.TOMLDecodeError:
        return text
