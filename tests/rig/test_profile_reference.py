"""The reference of the profile has every key that the code has, and no other."""

from __future__ import annotations

import re
from pathlib import Path

import attrs
import pytest

from drivers.registry import KINDS
from rig.profile import Profile
from rig.profile_reference import FILE, reference, rows_of
from rig.toml_structure import is_key

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / FILE).read_text(encoding="utf-8")
MEND = "run: python -m rig.profile_reference"


def chapters() -> dict[str, str]:
    """Return the text of each kind by its name."""
    found = re.split(r"(?m)^## ", TEXT)[1:]
    return {part.split("\n", 1)[0].strip("`"): part for part in found}


def tables(text: str) -> list[dict[str, list[str]]]:
    """Return each table as key to its other cells."""
    found: list[dict[str, list[str]]] = []
    for line in text.splitlines():
        if line.startswith("| key |"):
            found.append({})
        elif line.startswith("| `") and found:
            key, *cells = (cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1])
            found[-1][key.strip("`")] = cells
    return found


def test_the_file_is_what_the_code_says():
    assert reference() == TEXT, MEND


@pytest.mark.parametrize("name", sorted(KINDS))
def test_every_key_of_a_kind_is_in_the_reference_and_back(name):
    options = KINDS[name].options
    keys = [field for field in attrs.fields(options) if is_key(field)]
    table, *rows = tables(chapters()[name])
    assert set(table) == {"kind"} | {field.name for field in keys}, MEND
    inner = [cls for field in keys for cls in rows_of(options, field.name)]
    assert [set(row) for row in rows] == [{f.name for f in attrs.fields(cls)} for cls in inner]


@pytest.mark.parametrize("name", sorted(KINDS))
def test_unit_default_and_limits_of_a_key_are_those_of_the_code(name):
    options = KINDS[name].options
    table = tables(chapters()[name])[0]
    for field in attrs.fields(options):
        if not is_key(field):
            continue
        unit, default, limits, doc = table[field.name]
        wanted = field.metadata["unit"]
        assert unit == ("" if wanted == "1" else wanted), field.name
        assert (default == "**required**") == (field.default is attrs.NOTHING), field.name
        if isinstance(field.default, int | float) and not isinstance(field.default, bool):
            assert float(default.strip("`")) == field.default
        assert limits, f"{name}.{field.name} says nothing of what is allowed"
        assert doc == field.metadata["doc"].replace("|", "\\|")


def test_no_kind_is_described_that_does_not_exist():
    described = {name for name in chapters() if name not in ("The file itself", "Sections")}
    assert described == set(KINDS)


def test_every_section_is_named_with_its_kinds():
    sections = dict(re.findall(r"(?m)^\| `\[(\w+)\]` \|.*\|([^|]*)\|$", TEXT))
    fitted = {f.name for f in attrs.fields(Profile) if "structure" in f.metadata}
    assert set(sections) == fitted
    assert set(re.findall(r"`([^`]+)`", " ".join(sections.values()))) == set(KINDS)
    assert "thermometer" not in sections["light_sensor"] if "light_sensor" in sections else True
