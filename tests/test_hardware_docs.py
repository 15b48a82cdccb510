"""The pages for the bench lead somewhere, and the diagrams keep the computer out of what stops."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest

HARDWARE = Path(__file__).parents[1] / "hardware"
PAGES = sorted(HARDWARE.rglob("*.md"))
DRAWINGS = sorted((HARDWARE / "wiring").glob("*.svg"))
SVG = "{http://www.w3.org/2000/svg}"


def anchors(page: Path) -> set[str]:
    """Return the anchors of a page's headings, as the usual renderers make them."""
    headings = re.findall(r"(?m)^#+ (.+)$", page.read_text(encoding="utf-8"))
    return {
        re.sub(r"[^\w\- ]", "", heading).strip().lower().replace(" ", "-") for heading in headings
    }


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_of_a_page_leads_somewhere(page):
    for target in re.findall(r"\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
        if target.startswith("http"):
            continue
        name, _, anchor = target.partition("#")
        there = page.parent / name if name else page
        assert there.is_file(), target
        if anchor:
            assert anchor in anchors(there), target


def test_every_drawing_is_shown_on_the_page_of_wiring():
    shown = set(
        re.findall(r"\(wiring/([\w-]+\.svg)\)", (HARDWARE / "wiring.md").read_text("utf-8"))
    )
    assert shown == {drawing.name for drawing in DRAWINGS}
    assert len(shown) == 4


@pytest.mark.parametrize("drawing", DRAWINGS, ids=lambda drawing: drawing.name)
def test_nothing_is_drawn_beyond_the_edge(drawing):
    root = ElementTree.parse(drawing).getroot()
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    assert root.find(f"{SVG}title").text
    for text in root.iter(f"{SVG}text"):
        assert 0 <= float(text.attrib["x"]) <= width
        assert 0 <= float(text.attrib["y"]) <= height


def boxes() -> dict[str, tuple[str, float, float, float, float]]:
    """Return class, left, right, top and bottom of each named box of the lamp's feed."""
    root = ElementTree.parse(HARDWARE / "wiring" / "lamp-feed.svg").getroot()
    found = {}
    for rect in root.iter(f"{SVG}rect"):
        if "x" not in rect.attrib or "rx" not in rect.attrib:
            continue
        x, y, width, height = (float(rect.attrib[key]) for key in ("x", "y", "width", "height"))
        for text in root.iter(f"{SVG}text"):
            at = float(text.attrib["x"]), float(text.attrib["y"])
            is_name = text.attrib.get("class") == "name"
            if is_name and x < at[0] < x + width and y < at[1] < y + height:
                found[text.text] = (rect.attrib["class"], x, x + width, y, y + height)
    return found


def test_hard_wired_parts_stand_before_what_a_computer_speaks_to():
    found = boxes()
    upper = ["RCD", "breaker", "timer", "thermal cut-out", "emergency stop"]
    lower = ["lamp relay", "wattmeter", "ballast", "lamp"]
    assert set(found) == {*upper, *lower, "computer"}
    assert all(found[a][2] < found[b][1] for a, b in pairwise(upper))
    assert all(found[a][1] > found[b][2] for a, b in pairwise(lower))  # right to left
    assert {name for name in found if found[name][0] == "hard"} == set(upper)


def test_computer_is_joined_to_relay_and_wattmeter_only():
    found = boxes()
    root = ElementTree.parse(HARDWARE / "wiring" / "lamp-feed.svg").getroot()
    joined = set()
    for path in root.iter(f"{SVG}path"):
        if path.attrib.get("class") != "data":
            continue
        x, _, bottom = map(float, re.fullmatch(r"M(\d+) (\d+) V(\d+)", path.attrib["d"]).groups())
        joined |= {
            n for n, (_, left, right, _, low) in found.items() if left < x < right and low == bottom
        }
    assert joined == {"lamp relay", "wattmeter"}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_mains_side_is_left_to_the_electrician_wherever_a_page_speaks_of_it(page):
    text = page.read_text(encoding="utf-8")
    if "ballast" in text:
        assert "electrician" in text
