"""The person at the bench: questions put to them, and their wish to stop.

Questions are two-phase like everything else, so the wall-power log goes on while a person
thinks. `TerminalOperator` asks on the terminal; the demo has its own (`rig/demo/`).
"""

from __future__ import annotations

import os
import select
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import IO, Generic, Protocol, TypeVar

from attrs import field, frozen

#: Done before a stuck program ends itself, from another thread: a terminal is put back.
LAST_ACTS: list[Callable[[], None]] = []


Given = TypeVar("Given")


@frozen(kw_only=True)
class Prompt:
    """One question.

    Attributes
    ----------
    kind : str
        What it is about, for the record: ``"cautions"``, ``"lamp-off"``, ``"lamp-on"``,
        ``"height"``, ``"timeout"``, ``"suspect"``.
    text : str
        What to do and how to check that it is done.
    choices : tuple of str
        Allowed answers, the usual one first.
    value_mm : float, optional
        The mounting height, where it is asked for. [mm]
    """

    kind: str
    text: str
    choices: tuple[str, ...] = field(default=("done", "stop"))
    value_mm: float | None = None

    def chosen(self, typed: str) -> str | None:
        """Return the choice that was typed, or the only one that begins so; None if neither."""
        if typed in self.choices:
            return typed
        fitting = [choice for choice in self.choices if choice.startswith(typed)]
        return fitting[0] if typed and len(fitting) == 1 else None

    @property
    def unanswered(self) -> str:
        """The safe answer where nobody is there any more: to stop, if that is a choice."""
        return "stop" if "stop" in self.choices else self.choices[-1]


class Operator(Protocol):
    """Somebody, or something, that answers."""

    def ask(self, prompt: Prompt) -> None:
        """Put a question; the answer comes from `answer`."""
        ...

    def answer(self) -> str | None:
        """Return one of the choices, or None before there is a valid answer."""
        ...

    def fileno(self) -> int | None:
        """Return the descriptor a clock can wait on, or None."""
        ...

    def readable(self) -> bool:
        """Say whether an answer may be waiting."""
        ...


class StopRequested(Protocol):
    """Something that may ask the run to stop."""

    reason: str | None

    def fileno(self) -> int | None:
        """Return the descriptor a clock can wait on, or None."""
        ...

    def readable(self) -> bool:
        """Say whether a stop was asked for."""
        ...


class ProgramAnswers(Generic[Given]):
    """Answers that a program gives: one is kept until it is fetched."""

    _answer: Given | None = None

    def answer(self) -> Given | None:
        """Return the answer once it is there, and once only."""
        answer, self._answer = self._answer, None
        return answer

    def fileno(self) -> int | None:
        """Return None: nothing of the operating system to wait on."""
        return None

    def readable(self) -> bool:
        """Say whether the answer is there."""
        return self._answer is not None


class TerminalOperator:
    """Asks on the terminal and reads whole lines from the keyboard.

    What a person typed before a question was shown is no answer to it: a second "done", typed
    out of impatience, must not say that the next lamp is off. Lines that come from a pipe were
    written for the questions to come, and are kept.

    Parameters
    ----------
    source : text file, optional
        The keyboard; default standard input.
    show : callable, optional
        ``show(text, end)`` puts text on the screen; default standard output.
    """

    def __init__(
        self, source: IO[str] | None = None, show: Callable[[str, str], None] | None = None
    ) -> None:
        self._fd = (source or sys.stdin).fileno()
        self._show = show or (lambda text, end: print(text, end=end, flush=True))
        self._typed = b""
        self._at_end = False
        self._prompt: Prompt | None = None

    def ask(self, prompt: Prompt) -> None:
        """Show the question and its choices; forget what was typed before it."""
        if os.isatty(self._fd):
            self._forget()
        self._prompt = prompt
        self._show(f"\n{prompt.text}\n{' / '.join(prompt.choices)} > ", "")

    def fileno(self) -> int | None:
        """Return the keyboard's descriptor; None once it has closed."""
        return None if self._at_end else self._fd

    def readable(self) -> bool:
        """Say whether a whole line, or the end of input, is at hand."""
        return b"\n" in self._typed or self._at_end

    def answer(self) -> str | None:
        """Return a choice once one was typed; an unknown answer is asked again."""
        if self._prompt is None:
            raise RuntimeError("answer() before ask()")
        if b"\n" not in self._typed and not self._at_end:
            self._take()
        if b"\n" not in self._typed:
            if self._at_end:
                return self._prompt.unanswered
            return None
        line, self._typed = self._typed.split(b"\n", 1)
        typed = line.decode(errors="replace").strip().lower()
        choice = self._prompt.chosen(typed)
        if choice is not None:
            self._prompt = None
            return choice
        self._show(f"{typed!r} is not one of: {', '.join(self._prompt.choices)} > ", "")
        return None

    def _forget(self) -> None:
        self._typed = b""
        while not self._at_end and select.select([self._fd], [], [], 0)[0]:
            self._take()
            self._typed = b""

    def _take(self) -> None:
        if not select.select([self._fd], [], [], 0)[0]:
            return  # nothing typed: the bench is attended to meanwhile
        data = os.read(self._fd, 4096)
        if data:
            self._typed += data
        else:
            self._at_end = True


@contextmanager
def ends_like_ctrl_c() -> Iterator[None]:
    """Let an ended session or a closed terminal end what is under way as Ctrl-C does.

    What stands in ``finally`` is done then, and a second signal does not break into it.
    """
    numbers = (signal.SIGTERM, signal.SIGHUP)

    def end(number: int, frame: FrameType | None) -> None:
        for one in numbers:
            signal.signal(one, signal.SIG_IGN)
        raise KeyboardInterrupt

    before = {number: signal.signal(number, end) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class StopRequest:
    """Ctrl-C, a terminated session or a closed terminal, seen by the loop at its next step.

    The handler only leaves a mark and wakes the loop through a pipe: a row that is being
    written is finished first.
    """

    SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)

    def __init__(self) -> None:
        self.reason: str | None = None
        self._wake_read, self._wake_write = os.pipe()
        os.set_blocking(self._wake_write, False)
        self._previous = {number: signal.signal(number, self._mark) for number in self.SIGNALS}

    def _mark(self, number: int, frame: FrameType | None) -> None:
        self.reason = f"stopped by the operator ({signal.Signals(number).name})"
        os.write(self._wake_write, b"!")

    def fileno(self) -> int | None:
        """Return the end of the pipe that the handler wakes."""
        return self._wake_read

    def readable(self) -> bool:
        """Say whether a stop was asked for."""
        return self.reason is not None

    def release(self) -> None:
        """Put back the handlers that were there before."""
        for number, handler in self._previous.items():
            signal.signal(number, handler)
        os.close(self._wake_read)
        os.close(self._wake_write)
