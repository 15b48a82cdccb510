"""The paste-ready examples show every key that the code knows, and no other."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import attrs
import pytest

from drivers.registry import KINDS
from rig.plan import Plan, read_plan
from rig.profile import BenchSection, Profile, cross_check, read_profile
from rig.profile_reference import rows_of
from rig.toml_structure import is_key

HARDWARE = Path(__file__).parents[2] / "hardware"
PLAN = HARDWARE / "example-plan.toml"
RIG = HARDWARE / "example-rig.toml"


def blocks(path: Path) -> list[tuple[str, dict[str, str]]]:
    """Return heading, and key to line, of each block, those in comments included."""
    found: list[tuple[str, dict[str, str]]] = [("", {})]
    for line in path.read_text(encoding="utf-8").splitlines():
        bare = line.removeprefix("# ")
        if heading := re.match(r"\[\[?([a-z_.]+)\]\]?", bare):
            found.append((heading[1], {}))
        elif key := re.match(r"([a-z_0-9]+) = ", bare):
            found[-1][1][key[1]] = line
    return found


def lines_with_key(path: Path, section: str) -> dict[str, str]:
    """Return key to line of one section; an instrument's is named by kind and inner table."""
    name, _, inner = section.partition(".")
    if name not in KINDS:
        return {
            key: line
            for heading, keys in blocks(path)
            if heading == section
            for key, line in keys.items()
        }
    found: dict[str, str] = {}
    kind = ""
    for heading, keys in blocks(path):
        if "." not in heading:
            is_whole = heading == KINDS[name].role  # not the short one of a second sensor
            kind = tomllib.loads(keys.get("kind", "x = 0").removeprefix("# ")).get("kind", "")
            if kind == name and is_whole and not inner:
                found |= keys
        elif kind == name and heading == f"{KINDS[name].role}.{inner}":
            found |= keys
    return found


def keys_of(cls: type) -> list[str]:
    return [item.name for item in attrs.fields(cls) if is_key(item)]


def sections_of(cls: type) -> dict[str, type]:
    attrs.resolve_types(cls)
    found = {}
    for item in attrs.fields(cls):
        for kind in (item.type, *getattr(item.type, "__args__", ())):
            if isinstance(kind, type) and attrs.has(kind):
                found[item.name] = kind
    return found


def option_sections() -> dict[str, type]:
    found = {kind.name: kind.options for kind in KINDS.values()}
    for name, options in list(found.items()):
        attrs.resolve_types(options)
        for item in attrs.fields(options):
            for inner in getattr(item.type, "__args__", ()):
                if isinstance(inner, type) and attrs.has(inner):
                    found[f"{name}.{item.name}"] = inner
    return found


def calibration_sections() -> dict[str, type]:
    found = {
        name: cls for name, cls in sections_of(Profile).items() if name.endswith("calibration")
    }
    for name, cls in list(found.items()):
        found |= {f"{name}.{key}": inner for key, inner in rows_in(cls).items()}
    return found


def rows_in(cls: type) -> dict[str, type]:
    return {key: rows[0] for key in keys_of(cls) if (rows := rows_of(cls, key))}


def test_the_examples_are_sound_and_fit_each_other():
    plan, profile = read_plan(PLAN), read_profile(RIG)
    assert cross_check(plan, profile) == []


@pytest.mark.parametrize("section", sorted(sections_of(Plan)))
def test_every_key_of_a_plan_is_in_the_example_and_back(section):
    assert sorted(lines_with_key(PLAN, section)) == sorted(keys_of(sections_of(Plan)[section]))


@pytest.mark.parametrize("section", sorted(option_sections()))
def test_every_key_of_an_instrument_is_in_the_example_and_back(section):
    nested = {name.split(".")[1] for name in option_sections() if name.startswith(section + ".")}
    known = set(keys_of(option_sections()[section])) - nested
    expected = known if "." in section else known | {"kind"}
    assert set(lines_with_key(RIG, section)) == expected


@pytest.mark.parametrize("section", sorted(calibration_sections()))
def test_every_key_of_a_calibration_is_in_the_example_and_back(section):
    cls = calibration_sections()[section]
    assert set(lines_with_key(RIG, section)) == set(keys_of(cls)) - set(rows_in(cls))


def test_every_section_is_in_the_examples():
    def headings(path: Path) -> set[str]:
        text = path.read_text(encoding="utf-8")
        return {name.split(".")[0] for name in re.findall(r"(?m)^(?:# )?\[\[?([a-z_.]+)\]", text)}

    assert headings(PLAN) == set(sections_of(Plan))
    plain = {"format", "name"}
    assert headings(RIG) == {item for item in keys_of(Profile) if item not in plain}
    assert set(lines_with_key(RIG, "bench")) == set(keys_of(BenchSection))
    assert set(lines_with_key(PLAN, "")) == {"format"}
    assert set(lines_with_key(RIG, "")) == plain


@pytest.mark.parametrize("path", [PLAN, RIG])
def test_examples_state_the_defaults_that_the_code_has(path):
    classes = sections_of(Plan) if path == PLAN else option_sections() | calibration_sections()
    stated = 0
    for section, cls in classes.items():
        for key, line in lines_with_key(path, section).items():
            if key == "kind" and path == RIG:
                continue
            default = getattr(attrs.fields(cls), key).default
            said = re.search(r"default (\"[^\"]*\"|-?[\d.]+(?<!\.)|true|false|\[.*?\])", line)
            if said:
                stated += 1
                assert tomllib.loads(f"x = {said[1]}")["x"] == default, line
            elif "required" in line:
                stated += 1
                optional_here = ("width_mm", "depth_mm", "diameter_mm", "kind", "rated_power_w")
                assert default is attrs.NOTHING or key in optional_here, line
    assert stated > 25


@pytest.mark.parametrize("path", [PLAN, RIG])
def test_every_number_in_the_examples_has_its_unit_in_its_comment(path):
    classes = sections_of(Plan) if path == PLAN else option_sections() | calibration_sections()
    for section, cls in classes.items():
        for key, line in lines_with_key(path, section).items():
            if key == "kind" and path == RIG:
                continue
            unit = getattr(attrs.fields(cls), key).metadata.get("unit", "")
            plain = {"µmol m⁻² s⁻¹": "µmol/m²/s"}.get(unit, unit)
            if plain not in ("", "1"):
                assert plain in line.split("#")[-1] or plain in line.split("#", 2)[-1], line
