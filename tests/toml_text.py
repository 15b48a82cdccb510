"""Write plain tables as TOML, for tests that change a key or two of an example."""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping
from typing import Any


def toml_text(content: Mapping[str, Any]) -> str:
    """Return TOML text that `tomllib` reads back as `content`."""
    return "\n".join(_lines(content, ())) + "\n"


def _lines(table: Mapping[str, Any], path: tuple[str, ...]) -> list[str]:
    lines = [
        f"{key} = {_value(value)}"
        for key, value in table.items()
        if not isinstance(value, Mapping) and not _is_tables(value)
    ]
    for key, value in table.items():
        here = (*path, key)
        if isinstance(value, Mapping):
            lines += ["", f"[{'.'.join(here)}]", *_lines(value, here)]
        elif _is_tables(value):
            for item in value:
                lines += ["", f"[[{'.'.join(here)}]]", *_lines(item, here)]
    return lines


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], Mapping)


def _value(value: Any) -> str:
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, float) and value in (float("inf"), float("-inf")):
        return "inf" if value > 0 else "-inf"
    return json.dumps(value, ensure_ascii=False)
