"""The terminal of a hand run: one object owns it from the first caution to the last point.

It shows views of points, questions of the run and phases that go on by themselves, each in the
place of the one before. Where the terminal cannot be redrawn (``TERM=dumb``, output into a file)
plain lines are appended instead; where the keyboard is none, whole lines are the answers.
"""

from __future__ import annotations

from types import TracebackType
from typing import IO, Final

from attrs import evolve
from rich.text import Text

from rig.hand import pages, plain
from rig.hand.cue import Speech
from rig.hand.guard import Guard
from rig.hand.keyboard import Keyboard
from rig.hand.pages import Phase
from rig.hand.paper import Paper
from rig.hand.picture import view_picture
from rig.hand.typed import TypedLine
from rig.hand.view import HandAnswer, HandView
from rig.operator import Prompt

#: A key for "stop" where no choice begins with it: the same as at every point.
STOP_KEY: Final = "x"
#: So many of the phases told stay on the terminal when the screen has gone.
MOST_TOLD: Final = 12


class TerminalDesk:
    """A person at the bench in front of a terminal: a `HandDesk` and a `RunProgress`.

    Parameters
    ----------
    speaks : bool
        Whether the next point is spoken, if the system can.
    rings : bool
        Whether the terminal's bell rings.
    source, sink : text file, optional
        Keyboard and screen; default standard input and output.

    Attributes
    ----------
    operator : DeskOperator
        The same person, for the questions of the run.
    """

    def __init__(
        self,
        *,
        speaks: bool = True,
        rings: bool = True,
        source: IO[str] | None = None,
        sink: IO[str] | None = None,
    ) -> None:
        self._paper = Paper(sink)
        self._keyboard = Keyboard(source)
        self._speech = Speech() if speaks else Speech(())
        self._rings = rings
        self._view: HandView | None = None
        self._awaits_view = False
        self._taken = ""
        self._prompt: Prompt | None = None
        self._page = 0
        self._phase = Phase()
        self._told: list[str] = []
        self._typed = TypedLine()
        self._is_drawing = self._is_stale = False
        self._is_open = True
        self.operator = DeskOperator(self)
        self._guard = Guard(self._put_back, self._redraw, self._keyboard.take_over)

    # -- HandDesk -------------------------------------------------------------------------

    def show(self, view: HandView) -> None:
        """Show the moment; another question than before forgets what was typed."""
        before, self._view = self._view, view
        is_another = before is None or before.question != view.question
        if is_another or not self._awaits_view:
            # Where the number itself is asked about, it was not taken yet.
            is_next = before is not None and before.typed_label == view.typed_label
            is_taken = is_next and view.asks == "value" and not view.message
            self._typed.begin(self._keyboard.forget(), taken=self._taken if is_taken else "")
            self._awaits_view = True
            if before is None:
                self._ring()  # nobody may have been looking
            self._say_view(before, view)
            self._append(plain.view_lines(view, self._typed.note, self._paper.lettering))
        self._draw()

    def answer(self) -> HandAnswer | None:
        """Return what was answered to the view shown, or None; never waits."""
        view = self._view
        if view is None or not self._awaits_view or self._prompt is not None:
            return None
        answer, key = None, None
        if not self._keyboard.is_terminal:
            answer = self._line_answer(view)
        else:
            while answer is None and (key := self._keyboard.key()) is not None:
                answer = self._view_key(view, key)
                self._draw()
        if answer is None and self._keyboard.is_deserted():
            # Nobody is there any more: the safe answer is to stop.
            answer = HandAnswer(key=_stop_key(view))
        if answer is not None:
            self._awaits_view = False
            # Nothing is to be answered until something is asked again, and it is seen.
            self._view = evolve(
                view, asks="nothing", keys=(), instruction="", message="", countdown_s=None
            )
            self._taken = answer.text
            self._answered(f"Taken: {answer.text or dict(view.keys).get(answer.key, answer.key)}")
        return answer

    def cue(self) -> None:
        """Ring the bell, and say that the point is read."""
        self._ring()
        self._speech.say("Read.")

    def fileno(self) -> int | None:
        """Return the keyboard's descriptor; None once nobody can type any more."""
        return self._keyboard.fileno()

    def readable(self) -> bool:
        """Say whether an answer may be waiting."""
        is_asked = self._prompt is not None or self._awaits_view
        return is_asked and self._keyboard.readable()

    def close(self) -> None:
        """Put the terminal back, and leave on it which phases the run went through."""
        if not self._is_open:
            return
        self._is_open = False
        self._put_back()
        if self._paper.can_redraw:
            signs = self._paper.lettering
            self._paper.append([Text(signs.text(line)) for line in self._told[-MOST_TOLD:]])
        self._paper.close()
        self._speech.close()
        self._guard.release()

    def __enter__(self) -> TerminalDesk:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # -- RunProgress ----------------------------------------------------------------------

    def phase(self, name: str, detail: str = "") -> None:
        """Show that a new phase has begun, in place of any view or question.

        Without a name it is a remark on the phase that goes on.
        """
        before = self._phase
        if name:
            earlier = (*before.earlier, before.words) if before.name else before.earlier
            self._phase = Phase(name=name, detail=detail, earlier=earlier)
        else:
            self._phase = evolve(before, text=detail)
        self._told.append(f"{name}  {detail}".rstrip())
        self._view = self._prompt = None
        self._awaits_view = False
        self._append(plain.phase_lines(name, detail, self._paper.lettering))
        self._draw()

    def step(self, done: float, total: float, text: str, left_s: float | None = None) -> None:
        """Move the bar of the phase; a view or a question that waits stays where it is."""
        if not self._awaits_view:
            self._view = None
        self._phase = evolve(self._phase, done=done, total=total, text=text, left_s=left_s)
        self._draw()

    def hold(self) -> None:
        """Do nothing: a question takes the place of the bar by itself."""

    # -- the questions of the run ---------------------------------------------------------

    def ask(self, prompt: Prompt) -> None:
        """Show a question; forget what was typed before it."""
        self._prompt, self._page, self._taken = prompt, 0, ""
        self._typed.begin(self._keyboard.forget())
        self._ring()
        self._speech.say("There is a question.")
        self._append(plain.question_lines(prompt, self._typed.note, self._paper.lettering))
        self._draw()

    def choice(self) -> str | None:
        """Return the choice that was made, or None; never waits."""
        prompt = self._prompt
        if prompt is None:
            return None
        choice, key = None, None
        if not self._keyboard.is_terminal:
            line = self._keyboard.line()
            choice = None if line is None else self._chosen(prompt, line)
        else:
            while choice is None and (key := self._keyboard.key()) is not None:
                choice = self._question_key(prompt, key)
                self._draw()
        if choice is None and self._keyboard.is_deserted():
            choice = prompt.unanswered
        if choice is not None:
            self._prompt = None
            self._answered("")
        return choice

    def _question_key(self, prompt: Prompt, key: str) -> str | None:
        pages_left = self._pages_left(prompt)
        is_back = key == "b" and not any(choice.startswith("b") for choice in prompt.choices)
        if pages_left and key in ("enter", " "):
            self._page += 1
        elif is_back and self._page and not self._typed.text:
            self._page -= 1
        elif not pages_left and key == "enter":
            return self._chosen(prompt, self._typed.text)
        elif not pages_left:
            self._edit(key)
        return None

    def _pages_left(self, prompt: Prompt) -> int:
        if not self._paper.can_redraw:
            return 0
        count = len(pages.pages_of(prompt, *self._paper.size(), self._paper.lettering))
        self._page = min(self._page, count - 1)
        return count - 1 - self._page

    def _chosen(self, prompt: Prompt, typed: str) -> str | None:
        words, choices = typed.strip().lower(), prompt.choices
        if (choice := prompt.chosen(words)) is not None:
            return choice
        if words == STOP_KEY and "stop" in choices:
            return "stop"
        self._typed.text = ""
        what = f"{typed!r} is not one of" if words else "one of these words is needed"
        self._remark(f"{what}: {', '.join(choices)}")
        return None

    # -- answers to a view ----------------------------------------------------------------

    def _view_key(self, view: HandView, key: str) -> HandAnswer | None:
        """Take one key: an answer by itself, or a part of what is typed."""
        keys = dict(view.keys)
        is_value = view.asks == "value"
        if view.asks == "text":
            if key == "esc" and "esc" in keys:
                return HandAnswer(key=key)
            if key != "enter":
                self._edit(key)
                return None
        elif key.lower() in keys:
            return HandAnswer(key=key.lower())
        elif is_value and key != "enter" and self._edit(key, number=True):
            return None
        if key == "enter" and view.asks in ("value", "text"):
            if typed := self._typed.text.strip():
                return HandAnswer(text=typed)
            if not view.enter_key or not is_value:
                self._remark("nothing typed yet")
                return None
        if key in ("enter", " ") and view.enter_key:
            return HandAnswer(key=view.enter_key)
        if len(key) == 1 and not key.isspace():
            self._remark(
                f"{key!r} is no part of a number" if is_value else f"{key!r} is no key here"
            )
        return None

    def _line_answer(self, view: HandView) -> HandAnswer | None:
        """Take a whole line for a key where it is one, or says what one means."""
        line = self._keyboard.line()
        if line is None:
            return None
        words = line.lower()
        if view.asks != "text":
            if not words and view.enter_key:
                return HandAnswer(key=view.enter_key)
            for key, meaning in view.keys:
                if words in (key, meaning):
                    return HandAnswer(key=key)
        if words and view.asks in ("value", "text"):
            return HandAnswer(text=line)
        self._remark(f"{line!r} is no answer here")
        return None

    def _edit(self, key: str, *, number: bool = False) -> bool:
        before = self._typed.text
        is_taken = self._typed.edit(key, number=number)
        if not self._paper.can_redraw:
            gone = len(before) - len(self._typed.text)
            self._paper.echo("\b \b" * gone if gone > 0 else self._typed.text[len(before) :])
        return is_taken

    def _remark(self, note: str) -> None:
        self._typed.note = note
        self._append(plain.remark_lines(note, self._paper.lettering))
        self._draw()

    def _answered(self, note: str) -> None:
        self._typed.begin()
        self._typed.note = note
        if not self._paper.can_redraw and self._keyboard.is_terminal:
            self._paper.echo("\n")
        self._draw()

    # -- screen and sound -----------------------------------------------------------------

    def _ring(self) -> None:
        if self._rings:
            self._paper.ring()

    def _say_view(self, before: HandView | None, view: HandView) -> None:
        """Say the place when it is a new one, and that something is asked when it is not."""
        place = (view.row, view.column)
        is_new = before is None or place != (before.row, before.column)
        if view.row is not None and view.column is not None and is_new:
            self._speech.say(f"Row {view.row + 1}, column {view.column + 1}.")
        elif view.message and (before is None or view.message != before.message):
            self._speech.say("Look at the screen.")

    def _append(self, lines: list[Text]) -> None:
        if not self._paper.can_redraw:
            self._paper.append(lines)

    def _redraw(self) -> None:
        if self._is_drawing:
            self._is_stale = True  # drawn again as soon as this picture is out
        else:
            self._draw(afresh=True)

    def _draw(self, *, afresh: bool = False) -> None:
        if not self._paper.can_redraw or not self._is_open:
            return
        self._is_drawing = True
        try:
            self._paper.draw(self._picture(*self._paper.size()), afresh=afresh)
        finally:
            self._is_drawing = False
        if self._is_stale:
            self._is_stale = False
            self._draw(afresh=True)

    def _picture(self, width: int, height: int) -> list[Text]:
        signs, typed, note = self._paper.lettering, self._typed.text, self._typed.note
        if self._prompt is not None:
            return pages.question_picture(
                self._prompt, self._page, typed, note, width, height, signs
            )
        if self._view is not None:
            return view_picture(self._view, typed, note, width, height, signs)
        return pages.phase_picture(self._phase, width, height, signs)

    def _put_back(self) -> None:
        self._paper.leave()
        self._keyboard.close()


class DeskOperator:
    """The person at a `TerminalDesk`, answering the questions of the run: an `Operator`."""

    def __init__(self, desk: TerminalDesk) -> None:
        self._desk = desk

    def ask(self, prompt: Prompt) -> None:
        """Put a question; the answer comes from `answer`."""
        self._desk.ask(prompt)

    def answer(self) -> str | None:
        """Return one of the choices, or None before there is a valid answer."""
        return self._desk.choice()

    def fileno(self) -> int | None:
        """Return the descriptor a clock can wait on, or None."""
        return self._desk.fileno()

    def readable(self) -> bool:
        """Say whether an answer may be waiting."""
        return self._desk.readable()


def _stop_key(view: HandView) -> str:
    return next((key for key, meaning in view.keys if meaning.startswith("stop")), STOP_KEY)
