"""Read TOML tables into attrs classes, and list all faults of a file at once.

The classes of `scenario` and `sensor_errors` describe their keys with the four field
makers below; the unit and the allowed range stand in the field's metadata, so that a
message can say what was received and what is allowed.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import attrs

if TYPE_CHECKING:
    import cattrs

Spec = TypeVar("Spec")


class ScenarioError(ValueError):
    """A scenario, or its file of instrument errors, cannot be used.

    Parameters
    ----------
    source : str
        Name of the file, as the user knows it.
    faults : sequence of str
        Each with its path in the file, the value received and what is allowed.
    """

    def __init__(self, source: str, faults: list[str]) -> None:
        self.source = source
        self.faults = tuple(faults)
        count = f"{len(faults)} problem{'s' if len(faults) != 1 else ''}"
        super().__init__(f"{count} in {source}: " + "; ".join(faults))


def structure_faults(error: cattrs.BaseValidationError, source: str) -> list[str]:
    """List what cattrs found wrong with a table, each with its path; the checks say what of it."""
    import cattrs.v  # here, since a bench without such a table does not need it

    def told(exception: BaseException, kind: type | None) -> str:
        if type(exception) is ValueError:
            return str(exception.args[0])
        return cattrs.v.format_exception(exception, kind)

    return cattrs.transform_error(error, path=source, format_exception=told)


def number(
    unit: str,
    default: Any = attrs.NOTHING,
    *,
    above: float = -math.inf,
    at_least: float = -math.inf,
    at_most: float = math.inf,
) -> Any:
    """Describe a key that holds one finite number."""
    bounds = (above, at_least, at_most)
    return attrs.field(default=default, metadata={"kind": "number", "unit": unit, "bounds": bounds})


def numbers(
    unit: str,
    default: Any = attrs.NOTHING,
    *,
    length: int | None = None,
    above: float = -math.inf,
    at_least: float = -math.inf,
    at_most: float = math.inf,
) -> Any:
    """Describe a key that holds a list of finite numbers, read as a tuple."""
    bounds = (above, at_least, at_most)
    return attrs.field(
        default=default,
        metadata={"kind": "numbers", "unit": unit, "bounds": bounds, "length": length},
    )


def text(default: Any = attrs.NOTHING, *, choices: tuple[str, ...] = ()) -> Any:
    """Describe a key that holds text, perhaps one of a few words."""
    return attrs.field(default=default, metadata={"kind": "text", "choices": choices})


def table(cls: type, default: Any = attrs.NOTHING, *, many: bool = False) -> Any:
    """Describe a key that holds a table, or with `many` a list of tables read as a tuple."""
    return attrs.field(default=default, metadata={"kind": "tables" if many else "table", "of": cls})


def read_file(path: Path) -> dict[str, Any]:
    """Return the content of a TOML file.

    Raises
    ------
    ScenarioError
        The file cannot be read, or is not TOML.
    """
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except OSError as error:
        raise ScenarioError(str(path), [f"cannot be read ({error.strerror})"]) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ScenarioError(str(path), [f"is not valid TOML: {error}"]) from error


def read_table(cls: type[Spec], content: Mapping[str, Any], source: str) -> Spec:
    """Build `cls` from a table.

    Raises
    ------
    ScenarioError
        With every fault found, not only the first.
    """
    faults: list[str] = []
    made = _make(cls, content, "", faults)
    if faults or made is None:
        raise ScenarioError(source, faults)
    return made


def _make(cls: type[Spec], content: Mapping[str, Any], path: str, faults: list[str]) -> Spec | None:
    before = len(faults)
    fields = {field.name: field for field in attrs.fields(cls)}  # type: ignore[arg-type]
    for key in content:
        if key not in fields:
            near = difflib.get_close_matches(key, fields, n=1)
            hint = f", did you mean {near[0]!r}?" if near else f"; known are {', '.join(fields)}"
            faults.append(f"{path}{key} is not a known key{hint}")
    values = {}
    for name, field in fields.items():
        if name in content:
            values[name] = _value(field.metadata, content[name], path + name, faults)
        elif field.default is attrs.NOTHING:
            faults.append(f"{path}{name} is missing; give {_allowed(field.metadata)}")
    if len(faults) > before:
        return None
    try:
        return cls(**values)
    except ValueError as error:
        faults.append(f"{path.rstrip('.')}: {error}" if path else str(error))
        return None


def _value(meta: Mapping[str, Any], value: Any, path: str, faults: list[str]) -> Any:
    kind = meta["kind"]
    if kind in ("table", "tables"):
        items = [value] if kind == "table" else value
        if not isinstance(items, list) or not all(isinstance(item, Mapping) for item in items):
            faults.append(f"{path} is {value!r}; give {_allowed(meta)}")
            return None
        if kind == "table":
            return _make(meta["of"], value, f"{path}.", faults)
        return tuple(
            _make(meta["of"], item, f"{path}[{n}].", faults) for n, item in enumerate(items)
        )
    good = {
        "number": lambda: _is_number(value, meta["bounds"]),
        "numbers": lambda: (
            isinstance(value, list)
            and meta["length"] in (None, len(value))
            and all(_is_number(item, meta["bounds"]) for item in value)
        ),
        "text": lambda: isinstance(value, str) and (value in (meta["choices"] or (value,))),
    }[kind]()
    if not good:
        faults.append(f"{path} is {value!r}; give {_allowed(meta)}")
        return None
    if kind == "number":
        return float(value)
    return tuple(float(item) for item in value) if kind == "numbers" else value


def _is_number(value: Any, bounds: tuple[float, float, float]) -> bool:
    above, at_least, at_most = bounds
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and math.isfinite(value)
        and above < value
        and at_least <= value <= at_most
    )


def _allowed(meta: Mapping[str, Any]) -> str:
    kind = meta["kind"]
    if kind in ("table", "tables"):
        return "a table" if kind == "table" else "a list of tables"
    if kind == "text":
        choices = meta["choices"]
        return "one of " + ", ".join(map(repr, choices)) if choices else "text in quotes"
    above, at_least, at_most = meta["bounds"]
    limits = [
        f"{word} {limit:g}"
        for word, limit in (("above", above), ("at least", at_least), ("at most", at_most))
        if math.isfinite(limit)
    ]
    unit = "" if meta["unit"] == "1" else f" [{meta['unit']}]"
    if kind == "number":
        return " ".join(["a number", *[" and ".join(limits)]]).strip() + unit
    count = f"{meta['length']} numbers" if meta["length"] else "a list of numbers"
    return f"{count} {' and '.join(limits)}".strip() + unit
