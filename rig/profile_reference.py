"""``python -m rig.profile_reference``: write ``hardware/profile-reference.md`` from the code.

Every key of every kind of instrument, with unit, default, limits and meaning, taken from where
the profile reader takes them. A test fails where the file and the code differ; running this
mends it.
"""

from __future__ import annotations

import inspect
import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any, Final

import attrs

from drivers.registry import KINDS, Kind
from rig.correction_keys import LightSensorCalibration, PowerMeterCalibration
from rig.profile import BenchSection, Fitted, Profile
from rig.toml_structure import is_key
from rig.uncertainty_keys import Uncertainty

FILE: Final = Path("hardware/profile-reference.md")

HEAD: Final = """\
# Reference of the rig profile

Written by `python -m rig.profile_reference` from the options in the code; do not edit it by hand.
`hardware/example-rig.toml` shows the same keys ready to be copied.

A profile is one TOML file. Each instrument has a section of its own, and `kind` in it says which
other keys the section has. Keys marked **required** must be given, all others may be left out.
Unknown keys, wrong types and values outside the limits are refused, all of them at once.
`evenfall check --rig rig.toml` tells what is wrong with a profile and with the bench behind it.

Cautions: the mains side of meter, relay, ballast and lamp is work for a licensed electrician
under local codes. Wrong travel limits drive a stage into its ends.
"""


def reference() -> str:
    """Return the text of the reference."""
    parts = [HEAD, "## The file itself\n", *_plain_keys(), "\n## Sections\n", *_sections()]
    for kind in KINDS.values():
        parts += ["", *_kind(kind)]
    return "\n".join(parts) + "\n"


def _plain_keys() -> Iterator[str]:
    yield from _table([field for field in _keys(Profile) if "unit" in field.metadata])
    yield "\n### `[bench]`\n"
    yield "Only for the virtual bench in the process of the run.\n"
    yield from _table(_keys(BenchSection))
    for name, cls in (
        ("light_sensor_calibration", LightSensorCalibration),
        ("power_meter_calibration", PowerMeterCalibration),
        ("uncertainty", Uncertainty),
    ):
        yield f"\n### `[{name}]`\n"
        yield inspect.cleandoc(cls.__doc__ or "") + "\n"
        yield from _table(_keys(cls))
        for field in _keys(cls):
            for inner in rows_of(cls, field.name):
                yield f"\n### Each `[[{name}.{field.name}]]`\n"
                yield from _table(_keys(inner))


def _sections() -> Iterator[str]:
    yield "| section | | what it is | kinds |"
    yield "|---|---|---|---|"
    for field in _keys(Profile):
        if "structure" in field.metadata:
            needed = "**required**" if field.default is attrs.NOTHING else ""
            kinds = ", ".join(f"`{name}`" for name in kinds_of(field))
            yield f"| `[{field.name}]` | {needed} | {field.metadata['doc']} | {kinds} |"


def kinds_of(field: attrs.Attribute[Any]) -> list[str]:
    """Return the kinds that a section of the profile takes."""
    return [name for name in KINDS if f'"{name}"' in field.metadata["allowed"].replace("'", '"')]


def _kind(kind: Kind) -> Iterator[str]:
    yield f"## `{kind.name}`\n"
    first, *rest = inspect.cleandoc(kind.options.__doc__ or "").split("\n\n")
    yield first
    # Prose only: the parameters that a docstring lists stand in the table.
    yield from (f"\n{part}" for part in rest if "----" not in part)
    if kind.bus:
        yield f"\nSeveral may share a port, each with an `address` of its own (bus `{kind.bus}`)."
    yield "\n### Keys\n"
    yield from _table(_keys(kind.options), kind=kind.name)
    for field in _keys(kind.options):
        for inner in rows_of(kind.options, field.name):
            name = f"{kind.role}.{field.name}"
            yield f"\n### {f'`[{name}]`' if _is_one(field) else f'Each `[[{name}]]`'}\n"
            yield from _table(_keys(inner))


def rows_of(options: type, key: str) -> list[type]:
    """Return the classes of which a key holds rows; mostly none."""
    attrs.resolve_types(options)
    found = getattr(attrs.fields(options), key).type
    return [
        one for one in getattr(found, "__args__", ()) if isinstance(one, type) and attrs.has(one)
    ]


def _is_one(field: attrs.Attribute[Any]) -> bool:
    """Whether a key holds one table, not a list of them."""
    return "allowed" not in field.metadata


def _keys(cls: type) -> list[attrs.Attribute[Any]]:
    return [field for field in attrs.fields(cls) if is_key(field)]


def _table(fields: list[attrs.Attribute[Any]], *, kind: str = "") -> Iterator[str]:
    yield "| key | unit | default | limits | what it is |"
    yield "|---|---|---|---|---|"
    if kind:
        yield f'| `kind` | | **required** | `"{kind}"` | Which instrument this is. |'
    for field in fields:
        cells = (
            f"`{field.name}`",
            _unit(field.metadata.get("unit", "")),
            default_text(field),
            _limits(field.metadata.get("allowed", "give a table of its own, below")),
            field.metadata.get("doc", ""),
        )
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _unit(unit: str) -> str:
    return "" if unit in ("", "1") else unit


def _limits(allowed: str) -> str:
    return allowed.removeprefix("give ")


def default_text(field: attrs.Attribute[Any]) -> str:
    """Write a default as the file would have it."""
    default = field.default
    if default is attrs.NOTHING:
        return "**required**"
    if (make := getattr(default, "factory", None)) is not None:  # made anew for each object
        default = make()
    if default is None:
        return "none"
    return f"`{_toml(default)}`"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)  # as TOML has it
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, Fitted):
        return value.kind
    return value.isoformat() if isinstance(value, date) else repr(value)


def main() -> None:
    """Write the file."""
    FILE.write_text(reference(), encoding="utf-8")


if __name__ == "__main__":
    main()
