"""The guides are true: commands of all pages parse, quotations are what the program says."""

from __future__ import annotations

import ast
import html
import re
import shlex
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from rig.cli import _parser
from rig.hand import plausibility
from tests import guide_screens

ROOT = Path(__file__).parents[1]
GUIDES = sorted((ROOT / "hardware" / "guides").glob("*.md"))
PAGES = [ROOT / "README.md", *sorted((ROOT / "hardware").rglob("*.md"))]
PICTURES = sorted((ROOT / "hardware" / "guides" / "pictures").iterdir())
MOST_BYTES = 150_000
#: Stands between the parts of a text that differ from time to time.
GAP = "\x00"

every_guide = pytest.mark.parametrize("page", GUIDES, ids=lambda page: page.stem)


def text_of(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def commands(text: str) -> list[str]:
    """Return every command of Evenfall that a page shows, in fences and in running text."""
    fenced = re.findall(r"(?ms)^ *```sh\n(.*?)^ *```", text)
    lines = [line.strip() for block in fenced for line in block.splitlines()]
    inline = re.findall(r"`(evenfall [^`]+)`", re.sub(r"(?ms)```.*?```", "", text))
    shown = [line.removeprefix(".venv/bin/") for line in [*lines, *inline]]
    return [" ".join(line.split()) for line in shown if line.startswith("evenfall ")]


@cache
def said() -> str:
    """Return every text in the code and in its pages, each on its own, what differs left out."""
    texts: list[str] = []
    for package in ("rig", "drivers", "analysis"):
        for module in (ROOT / package).rglob("*.py"):
            texts += _texts(ast.parse(module.read_text(encoding="utf-8")))
        for page in (ROOT / package).rglob("*.html"):
            bare = re.sub(r"<[^>]+>|\{[{%#].*?[}%#]\}", GAP, page.read_text(encoding="utf-8"))
            texts.append(html.unescape(bare))
    return GAP.join(" ".join(text.split(" ")) for text in texts)


def _texts(tree: ast.AST) -> Iterator[str]:
    documenting = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if id(node) in documenting:
            continue
        if isinstance(node, ast.JoinedStr):
            yield "".join(
                str(part.value) if isinstance(part, ast.Constant) else GAP for part in node.values
            )
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def quotations(text: str) -> list[str]:
    """Return the parts of what stands in curly quotation marks, what differs left out."""
    found = [" ".join(one.split()) for one in re.findall(r"“([^”]+)”", text)]
    return [part.strip() for one in found for part in one.split("…") if part.strip(" ?.,")]


def is_understood(words: list[str]) -> bool:
    try:
        _parser().parse_args(words)
    except SystemExit as ended:
        return ended.code == 0  # help was shown
    return True


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_command_of_a_page_is_understood(page):
    shown = commands(text_of(page))
    assert shown or page not in GUIDES
    for command in shown:
        words = shlex.split(command, comments=True)[1:]
        if len(words) == 1 + (words[0] == "schedule"):
            words.append("--help")  # named, not shown in use
        assert is_understood(words), command


@every_guide
def test_what_a_guide_quotes_is_what_the_program_says(page):
    for part in quotations(text_of(page)):
        assert part in said(), part


def test_a_wrong_command_and_a_wrong_quotation_are_found():
    (command,) = commands("```sh\nevenfall run --loudly plan.toml\n```\n")
    assert not is_understood(shlex.split(command)[1:])
    assert quotations("say “the lamp\nwent … home”.") == ["the lamp went", "home"]
    assert "the lamp went home" not in said()


@pytest.mark.parametrize("picture", PICTURES, ids=lambda picture: picture.name)
def test_every_picture_of_the_guides_is_shown_and_small(picture):
    assert any(f"(pictures/{picture.name})" in text_of(page) for page in GUIDES)
    assert picture.stat().st_size < MOST_BYTES


@pytest.mark.parametrize("name", sorted(guide_screens.pictures()))
def test_screens_of_the_guides_are_those_of_the_program(name):
    drawn = (guide_screens.PICTURES / name).read_text(encoding="utf-8")
    assert drawn == guide_screens.pictures()[name], "python -m tests.guide_screens mends it"


def test_question_on_a_screen_is_the_one_that_these_numbers_raise():
    view = guide_screens.views()["hand-question.svg"]
    beside = [1219.0, 1522.0, 1210.0, 969.0]
    asked = plausibility.doubt("11750", 11750.0, beside, far=plausibility.FAR_LIGHT)
    assert asked is not None
    assert view.message == asked.question
    assert ("m", f"meant {asked.meant}") in view.keys


def test_instructions_on_the_screens_are_those_of_a_hand_run():
    for view in guide_screens.views().values():
        assert view.instruction in said()


@every_guide
def test_every_guide_leaves_the_mains_to_the_electrician(page):
    assert "licensed electrician" in " ".join(text_of(page).split())
