"""Without a terminal, whole lines are the answers, and the end of input is a stop."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from rich.text import Text

from rig.hand.paper import Paper
from rig.hand.screen import TerminalDesk
from rig.hand.view import HandAnswer
from rig.operator import Prompt
from tests.rig.hand.hand_views import view_of

CAUTIONS = Prompt(kind="cautions", text="Is the area clear?", choices=("yes", "stop"))


@contextmanager
def desk_with(lines: str, shown: Path) -> Iterator[TerminalDesk]:
    read, write = os.pipe()
    os.write(write, lines.encode())
    os.close(write)
    with (
        os.fdopen(read) as source,
        shown.open("w", encoding="utf-8") as sink,
        TerminalDesk(speaks=False, source=source, sink=sink) as desk,
    ):
        yield desk


def test_lines_of_a_pipe_answer_one_question_after_the_other(tmp_path):
    shown = tmp_path / "shown"
    with desk_with("y\n\n61,5\nq\nskip\n", shown) as desk:
        desk.operator.ask(CAUTIONS)
        assert desk.operator.readable()  # though nobody has fetched it yet
        assert desk.operator.answer() == "yes"
        assert not desk.operator.readable()  # what there is belongs to what will be asked
        desk.show(view_of(3, 0, enter_key="d"))
        assert desk.answer() == HandAnswer(key="d")
        assert desk.answer() is None  # answered already
        desk.show(view_of(3, 1, asks="value"))
        assert desk.answer() == HandAnswer(text="61,5")
        desk.show(view_of(3, 2))
        assert desk.answer() is None
        assert desk.answer() == HandAnswer(key="s")
    text = shown.read_text(encoding="utf-8")
    assert "'q' is no answer here" in text
    assert "\x1b" not in text
    assert max(map(len, text.splitlines())) <= 80


def test_end_of_input_stops(tmp_path):
    with desk_with("", tmp_path / "shown") as desk:
        desk.operator.ask(CAUTIONS)
        assert desk.operator.answer() == "stop"
        desk.show(view_of(3, 0))
        assert desk.answer() == HandAnswer(key="x")
        assert desk.fileno() is None


def test_nothing_is_waited_for_while_nothing_is_asked(tmp_path):
    with desk_with("", tmp_path / "shown") as desk:
        desk.phase("Warm-up")
        desk.step(1.0, 2.0, "on 1 min")
        assert desk.answer() is None
        assert desk.operator.answer() is None
        assert not desk.readable()


@pytest.mark.parametrize(
    ("line", "choice"),
    [("re", "re-read"), ("KEEP", "keep"), ("s", "stop"), ("x", "stop"), ("no", None), ("", None)],
)
def test_first_letters_of_a_choice_choose_it(tmp_path, line, choice):
    prompt = Prompt(kind="suspect", text="Read again?", choices=("re-read", "keep", "stop"))
    with desk_with(f"{line}\nstop\n", tmp_path / "shown") as desk:
        desk.operator.ask(prompt)
        assert desk.operator.answer() == choice


def test_remarks_of_a_phase_are_kept_in_the_record_of_phases(tmp_path):
    shown = tmp_path / "shown"
    with desk_with("", shown) as desk:
        desk.phase("Quick look", "5 points")
        desk.phase("", "812  640 µmol/m²/s")
    assert shown.read_text(encoding="utf-8").splitlines() == [
        "Quick look  5 points",
        "  812  640 µmol/m²/s",
    ]


class Gone:
    """What standard output is once its window has been closed."""

    encoding = "utf-8"

    def write(self, text: str) -> int:
        raise OSError(5, "Input/output error")

    def flush(self) -> None:
        raise OSError(5, "Input/output error")

    def isatty(self) -> bool:
        return True


def test_drawing_writes_to_nothing_but_its_own_terminal(tmp_path, monkeypatch):
    with (tmp_path / "shown").open("w", encoding="utf-8") as sink:
        paper = Paper(sink)
        monkeypatch.setattr("sys.stdout", Gone())
        paper.draw([Text("Point 1 of 9", style="bold")])
        paper.close()
    assert "Point 1 of 9" in (tmp_path / "shown").read_text(encoding="utf-8")
