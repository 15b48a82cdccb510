"""Declare the keys of a plan or profile: type, unit, meaning, limits and an example, once.

Each function stands on the right of an attrs field. The metadata it leaves behind is what the
messages (`rig/toml_structure.py`) and the reference of all keys are made from::

    width_mm: float = number("mm", "Inside width along x.", above=0, example=1200.0)
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import date
from typing import Any

import attrs

from rig.toml_faults import NotAllowed, did_you_mean, either, shown


def number(
    unit: str,
    doc: str,
    *,
    example: float,
    default: Any = attrs.NOTHING,
    above: float | None = None,
    at_least: float | None = None,
    at_most: float | None = None,
) -> Any:
    """Declare a key that is a number (or whole number) of `unit` within limits."""
    return attrs.field(
        default=default,
        validator=_where_set(_within(above, at_least, at_most)),
        metadata=_metadata(unit, doc, example, above, at_least, at_most, many=False),
    )


def numbers(
    unit: str,
    doc: str,
    *,
    example: Sequence[float],
    default: Any = attrs.NOTHING,
    above: float | None = None,
    at_least: float | None = None,
    at_most: float | None = None,
) -> Any:
    """Declare a key that is a list of numbers of `unit`, each within limits."""
    return attrs.field(
        default=default,
        validator=_where_set(_each(_within(above, at_least, at_most))),
        metadata=_metadata(unit, doc, example, above, at_least, at_most, many=True),
    )


def text(doc: str, *, example: str, default: Any = attrs.NOTHING, empty: bool = True) -> Any:
    """Declare a key that is text; without `empty`, text that says something."""
    allowed = f'give text, e.g. "{example}"'
    return attrs.field(
        default=default,
        validator=None if empty else _where_set(_not_empty),
        metadata={"unit": "", "doc": doc, "allowed": allowed, "example": example},
    )


def texts(doc: str, *, example: Sequence[str]) -> Any:
    """Declare a key that is a list of texts, each of which says something."""
    one, every = (f"give {what}, e.g. {shown(sample)}" for what, sample in
                  (("text", example[0]), ("a list of texts", example)))  # fmt: skip
    return attrs.field(
        validator=_each(_not_empty),
        metadata={
            "unit": "",
            "doc": doc,
            "allowed": every,
            "allowed_entry": one,
            "example": example,
        },
    )


def choice(doc: str, *words: str, default: Any = attrs.NOTHING) -> Any:
    """Declare a key that is one of a few words; type it ``Literal`` or ``str``."""
    allowed = "give " + either(words)

    def one_of(_instance: object, _attribute: Any, value: object) -> None:
        if value not in words:
            raise NotAllowed(allowed + did_you_mean(value, words))

    return attrs.field(
        default=default,
        validator=one_of,
        metadata={
            "unit": "",
            "doc": doc,
            "allowed": allowed,
            "example": words[0],
            "choices": words,
        },
    )


def flag(doc: str, *, default: bool) -> Any:
    """Declare a key that is true or false."""
    return attrs.field(
        default=default,
        metadata={"unit": "", "doc": doc, "allowed": "give true or false", "example": default},
    )


def file_format(latest: int) -> Any:
    """Declare the key that states the format of the file."""
    allowed = f"this version reads up to {latest}: give format = {latest}, or use a newer Evenfall"

    def known(_instance: object, _attribute: Any, value: int) -> None:
        if not 1 <= value <= latest:
            raise NotAllowed(allowed)

    return attrs.field(
        validator=known,
        metadata={
            "unit": "",
            "doc": "Format of this file.",
            "allowed": f"give format = {latest}",
            "example": latest,
        },
    )


def described_day(doc: str) -> dict[str, Any]:
    """Return the metadata of a key that is a date."""
    allowed = "give a date without quotes, e.g. 2026-01-02"
    return {"unit": "", "doc": doc, "allowed": allowed, "example": date(2026, 1, 2)}


def _metadata(
    unit: str,
    doc: str,
    example: object,
    above: float | None,
    at_least: float | None,
    at_most: float | None,
    *,
    many: bool,
) -> dict[str, Any]:
    sample = list(example) if isinstance(example, Sequence) else [example]
    what = "whole number" if all(isinstance(item, int) for item in sample) else "number"
    of_unit = f" of {unit}" if unit and unit != "1" else ""
    limits = ""
    if above is not None:
        limits += f" above {above:g}"
    if at_least is not None and at_most is not None:
        limits += f" from {at_least:g} to {at_most:g}"
    elif at_least is not None:
        limits += f" of at least {at_least:g}" if not of_unit else f", at least {at_least:g}"
    elif at_most is not None:
        limits += f" and at most {at_most:g}" if above is not None else f", at most {at_most:g}"
    one = f"give a {what}{of_unit}{limits}, e.g. {shown(sample[0])}"
    every = f"give a list of {what}s{of_unit}{limits}, e.g. {shown(example)}"
    return {
        "unit": unit,
        "doc": doc,
        "allowed": every if many else one,
        "allowed_entry": one,
        "example": example,
    }


Validator = Callable[[Any, Any, Any], None]


def _where_set(check: Validator) -> Validator:
    """Leave None and NaN alone: defaults for "not stated", which no file can give."""

    def checked(instance: Any, attribute: Any, value: Any) -> None:
        if value is not None and value == value:
            check(instance, attribute, value)

    return checked


def _within(above: float | None, at_least: float | None, at_most: float | None) -> Validator:
    def within(_instance: Any, attribute: Any, value: float) -> None:
        if (
            not math.isfinite(value)
            or (above is not None and value <= above)
            or (at_least is not None and value < at_least)
            or (at_most is not None and value > at_most)
        ):
            raise NotAllowed(attribute.metadata["allowed"])

    return within


def _each(check: Validator) -> Validator:
    def each(instance: Any, attribute: Any, values: Sequence[Any]) -> None:
        if not values:
            raise NotAllowed(attribute.metadata["allowed"])
        wrong = []
        for position, value in enumerate(values):
            try:
                check(instance, attribute, value)
            except NotAllowed:
                wrong.append((position,))
        if wrong:
            raise NotAllowed(attribute.metadata["allowed_entry"], wrong)

    return each


def _not_empty(_instance: Any, attribute: Any, value: str) -> None:
    if not value.strip():
        raise NotAllowed(attribute.metadata["allowed"])
