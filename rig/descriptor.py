"""``datapackage.json``: what a run folder says about itself, after the Data Package standard.

Titles, units and types of every column, so that a stranger with a spreadsheet knows what the
numbers are; versions of the software, so that a report can be rebuilt years later; and, once
the run is closed, size and SHA-256 of every file.

References
----------
.. [1] Data Package standard, version 2.0, https://datapackage.org/standard/data-package/
"""

from __future__ import annotations

import json
import platform
import re
from collections.abc import Mapping, Sequence
from importlib import metadata
from pathlib import PurePath
from typing import Any, Final

from attrs import frozen

from analysis import quantities, run_folder

_PROFILE: Final = "https://datapackage.org/profiles/2.0/datapackage.json"
# What of the caller's facts has a place of its own in the standard; the rest is ours.
_STANDARD_KEYS: Final = ("title", "description", "created", "contributors", "keywords", "licenses")
_MEDIA_TYPES: Final = {
    ".csv": "text/csv",
    ".toml": "application/toml",
    ".bin": "application/octet-stream",
    ".json": "application/json",
    ".txt": "text/plain",
    ".jpg": "image/jpeg",
    ".png": "image/png",
}


@frozen
class FileFacts:
    """One file of the folder as it stood when the run was closed."""

    path: PurePath
    size_bytes: int
    sha256: str


def _field(kind: str, meaning: str, unit: str = "", **constraints: Any) -> dict[str, Any]:
    field: dict[str, Any] = {"type": kind, "description": meaning}
    if unit:
        field["unit"] = unit
    if constraints:
        field["constraints"] = constraints
    return field


# The standard has no key for a unit; "unit" (UCUM) is an extra one, which it allows.
COLUMNS: Final[dict[str, dict[str, Any]]] = {
    "elapsed_s": _field("number", "Monotonic time since the run began.", "s", required=True),
    "utc": _field("datetime", "Time of day, UTC.", required=True),
    "window_start_s": _field("number", "Elapsed time at which the averaging began.", "s"),
    "window_end_s": _field("number", "Elapsed time at which the averaging ended.", "s"),
    "instrument": _field("string", "Which instrument of the profile.", required=True),
    "quantity": _field(
        "string",
        "What was measured; the glossary stands under evenfall.quantities.",
        required=True,
        enum=sorted(quantities.MEASURED),
    ),
    "value": _field("number", "The value, in the unit of its row; empty where there is none."),
    "unit": _field("string", "Unit of the value, UCUM.", required=True),
    "role": _field("string", "What it was read for.", required=True, enum=list(run_folder.ROLES)),
    "installation": _field(
        "integer", "Number of the hanging of the device, from 1.", required=True, minimum=0
    ),
    "grid_row": _field("integer", "Row of the grid, from 0 where y is smallest.", minimum=0),
    "grid_column": _field("integer", "Column of the grid, from 0 where x is smallest.", minimum=0),
    "x_mm": _field("number", "Position along the columns, from the corner of the plane.", "mm"),
    "y_mm": _field("number", "Position along the rows, from the corner of the plane.", "mm"),
    "mounting_height_mm": _field("number", "Device above the measurement plane.", "mm"),
    "sample": _field("integer", "Number of the sample at its point, from 1.", minimum=1),
    "status": _field(
        "string",
        "Whether the value can be used; a failed attempt is a row too.",
        required=True,
        enum=list(run_folder.STATUSES),
    ),
    "raw": _field("string", "The reply as it came, ASCII, \\xNN for what is not plain."),
    "event": _field("string", "What happened.", required=True),
    "subject": _field("string", "To whom or what."),
    "detail": _field("string", "The particulars."),
    "crc32": _field(
        "string",
        "CRC-32 of the row's bytes up to and including the comma before it.",
        required=True,
        pattern="[0-9a-f]{8}",
    ),
}

_TABLES: Final = {
    run_folder.READINGS: ("Readings in time order", run_folder.READING_COLUMNS),
    run_folder.EVENTS: ("State changes, prompts, retries, faults", run_folder.EVENT_COLUMNS),
}


def build(
    name: str,
    facts: Mapping[str, Any],
    files: Sequence[PurePath],
    closed: Sequence[FileFacts] = (),
) -> dict[str, Any]:
    """Return the descriptor of a run folder.

    Parameters
    ----------
    name : str
        Name of the folder.
    facts : mapping
        What the caller knows of the run. Keys that the standard has (title, created, …) are
        placed as it says; all others, instruments among them, stand under ``"evenfall"``.
    files : sequence of paths
        The files of the folder, relative to it.
    closed : sequence of FileFacts
        Sizes and hashes; empty while the run is open.
    """
    known = {fact.path: fact for fact in closed}
    ours = {key: value for key, value in facts.items() if key not in _STANDARD_KEYS}
    return {
        "$schema": _PROFILE,
        "name": _slug(name),
        **{key: facts[key] for key in _STANDARD_KEYS if key in facts},
        "resources": [_resource(path, known.get(path)) for path in files],
        "evenfall": {
            "format": run_folder.FORMAT,
            "is_closed": bool(closed),
            "software": versions(),
            "quantities": {
                quantity.name: {
                    "title": quantity.title,
                    "symbol": quantity.symbol,
                    "unit": quantity.ucum,
                    "description": quantity.meaning,
                }
                for quantity in quantities.MEASURED.values()
            },
            **ours,
        },
    }


def encode(descriptor: Mapping[str, Any]) -> bytes:
    """Return the descriptor as the bytes of its file.

    Raises
    ------
    TypeError, ValueError
        A fact that JSON cannot hold; NaN among them, which other readers would refuse.
    """
    text = json.dumps(descriptor, indent=2, ensure_ascii=False, allow_nan=False)
    return text.encode() + b"\n"


def facts_of(descriptor: Mapping[str, Any]) -> dict[str, Any]:
    """Return the caller's facts from a descriptor, so that it can be built anew."""
    made_here = ("format", "is_closed", "software", "quantities")
    ours = {key: value for key, value in descriptor["evenfall"].items() if key not in made_here}
    return {**{key: descriptor[key] for key in _STANDARD_KEYS if key in descriptor}, **ours}


def versions() -> dict[str, str]:
    """Return the versions of Python, of this program and of the libraries it requires."""
    found = {"python": platform.python_version(), "evenfall": metadata.version("evenfall")}
    for requirement in metadata.requires("evenfall") or ():
        name, _, condition = requirement.partition(";")
        if "extra ==" not in condition:
            name = re.split(r"[^A-Za-z0-9._-]", name, maxsplit=1)[0]
            found[name] = metadata.version(name)
    return found


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9._-]+", "-", name.lower()).strip("-") or "run"


def _resource(path: PurePath, facts: FileFacts | None) -> dict[str, Any]:
    media_type = _MEDIA_TYPES.get(path.suffix.lower(), "application/octet-stream")
    resource: dict[str, Any] = {
        "name": _slug(path.as_posix().replace("/", "-")),
        "path": path.as_posix(),
        "mediatype": media_type,
    }
    if path.suffix:
        resource["format"] = path.suffix[1:].lower()
    if path.as_posix() in _TABLES:
        title, columns = _TABLES[path.as_posix()]
        resource |= {
            "title": title,
            "type": "table",
            "encoding": "utf-8",
            "schema": {
                "fields": [{"name": column, **COLUMNS[column]} for column in columns],
                "missingValues": [""],
            },
        }
    if facts is not None:
        resource |= {"bytes": facts.size_bytes, "hash": f"sha256:{facts.sha256}"}
    return resource
