"""Keys as they are pressed, without waiting for Enter, and the terminal put back afterwards."""

from __future__ import annotations

import codecs
import os
import re
import select
import sys
import termios
from contextlib import suppress
from typing import IO, Any, Final

NAMES: Final = {
    "\r": "enter",
    "\n": "enter",
    "\x7f": "backspace",
    "\x08": "backspace",
    "\x15": "clear",
    "\x1b": "esc",
}
#: What arrow and function keys send; whole, it is no key of ours.
SEQUENCE: Final = re.compile(r"\x1b(\[[0-?]*[ -/]*[@-~]|O[ -~])")
#: The beginning of one that may still go on.
BEGINNING: Final = re.compile(r"\x1b(\[[0-?]*[ -/]*|O)")


class Keyboard:
    """The keyboard, key by key; of something that is no terminal, line by line.

    Ctrl-C stays what it is. Ctrl-Z, and Ctrl-S which would hold up the screen, do nothing
    meanwhile: a run goes on with a lamp lit.

    Parameters
    ----------
    source : text file, optional
        Default standard input.

    Attributes
    ----------
    is_terminal : bool
    at_end : bool
        Nobody can type any more.
    """

    def __init__(self, source: IO[str] | None = None) -> None:
        self._fd = (source or sys.stdin).fileno()
        self.is_terminal = os.isatty(self._fd)
        self.at_end = False
        self._decoder = codecs.getincrementaldecoder("utf-8")(errors="replace")
        self._typed = ""
        self._before: list[Any] | None = None
        if self.is_terminal:
            self._before = termios.tcgetattr(self._fd)
            self.take_over()

    def take_over(self) -> None:
        """Have keys come one by one and unseen; again after the program was suspended."""
        if self._before is None:
            return
        now = [*self._before[:6], [*self._before[6]]]
        now[0] &= ~(termios.IXON | termios.IXOFF)
        now[3] &= ~(termios.ICANON | termios.ECHO | termios.IEXTEN)
        now[6][termios.VSUSP] = b"\0"  # no key at all
        now[6][termios.VMIN], now[6][termios.VTIME] = 1, 0
        with suppress(termios.error):  # a terminal that is closed continues its programs too
            termios.tcsetattr(self._fd, termios.TCSANOW, now)

    def close(self) -> None:
        """Put the terminal back as it was."""
        if self._before is not None:
            with suppress(termios.error):  # the terminal may be gone
                termios.tcsetattr(self._fd, termios.TCSANOW, self._before)
            self._before = None

    def fileno(self) -> int | None:
        """Return the descriptor to wait on; None once nobody can type any more."""
        return None if self.at_end else self._fd

    def readable(self) -> bool:
        """Say whether something typed is at hand."""
        return self.at_end or bool(self._typed) or bool(select.select([self._fd], [], [], 0)[0])

    def key(self) -> str | None:
        """Return the next key, None if there is none; never waits.

        A character, or ``"enter"``, ``"backspace"``, ``"clear"`` (the line), ``"esc"``.
        """
        self._take()
        while self._typed:
            if (found := SEQUENCE.match(self._typed)) is not None:
                self._typed = self._typed[found.end() :]
                continue
            if BEGINNING.fullmatch(self._typed):
                return None
            key, self._typed = self._typed[0], self._typed[1:]
            if key in NAMES:
                return NAMES[key]
            if key.isprintable():
                return key
        return None

    def line(self) -> str | None:
        """Return the next whole line, None if there is none; never waits."""
        self._take()
        if self.at_end and self._typed and "\n" not in self._typed:
            self._typed += "\n"
        line, end, rest = self._typed.partition("\n")
        if not end:
            return None
        self._typed = rest
        return line.strip()

    def is_deserted(self) -> bool:
        """Say whether nobody can type any more, and all that was typed is taken."""
        return self.at_end and "\n" not in self._typed

    def forget(self) -> str:
        """Drop what was typed until now and return what of it can be shown.

        Lines of a pipe were written for the questions to come, and are kept.
        """
        if not self.is_terminal:
            return ""
        dropped = ""
        while (key := self.key()) is not None:
            dropped += key if len(key) == 1 else ""
        self._typed = ""
        return dropped.strip()

    def _take(self) -> None:
        while not self.at_end and select.select([self._fd], [], [], 0)[0]:
            try:
                data = os.read(self._fd, 4096)
            except OSError:
                data = b""  # the terminal is gone
            if not data:
                self.at_end = True
            self._typed += self._decoder.decode(data)
