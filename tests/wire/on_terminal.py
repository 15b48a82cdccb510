"""A program in a pseudo-terminal of its own: keys in, screen out."""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import signal
import struct
import subprocess
import sys
import termios
from collections.abc import Iterator, Sequence
from pathlib import Path

import pyte

ROOT = Path(__file__).parents[2]
#: Longer than any of this takes on a busy computer. [s]
LONG_S = 30.0
LAST = b"(no more)"


def _in_a_terminal_of_its_own() -> None:
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
    # A job in the background is started with these ignored, and hands that down.
    for number in (signal.SIGINT, signal.SIGQUIT, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


class Terminal:
    """A terminal with a program in it, and what stands on its screen.

    Parameters
    ----------
    arguments : sequence of str
        What the interpreter is given: ``["-c", program]``, ``["-m", "rig.cli", "run", ...]``.
    """

    def __init__(
        self, arguments: Sequence[str], width: int = 80, height: int = 24, **environment: str
    ) -> None:
        self._master, self._slave = os.openpty()
        self.screen = pyte.Screen(width, height)
        self._stream = pyte.ByteStream(self.screen)
        self.sent = b""
        self.resize(width, height)
        self.settings = termios.tcgetattr(self._slave)
        self.child = subprocess.Popen(
            [sys.executable, *arguments],
            cwd=ROOT,
            stdin=self._slave,
            stdout=self._slave,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
            preexec_fn=_in_a_terminal_of_its_own,
            env={**os.environ, "TERM": "xterm-256color", "PYTHONPATH": str(ROOT), **environment},
        )

    def resize(self, width: int, height: int) -> None:
        self.screen.resize(height, width)
        fcntl.ioctl(self._master, termios.TIOCSWINSZ, struct.pack("HHHH", height, width, 0, 0))

    def keys(self, text: str) -> None:
        os.write(self._master, text.encode())

    def text(self) -> str:
        return "\n".join(self.screen.display)

    def shows(self, *words: str) -> str:
        """Wait until one of these stands on the screen; return all that does."""
        while not any(one in self.text() for one in words):
            self._await(f"{words}:")
        return self.text()

    def types(self, text: str) -> None:
        """Type a line, see it on the screen, and see it gone after Enter."""
        self.keys(text)
        self.shows(f"{text}_")
        self.keys("\r")
        while f"{text}_" in self.text():
            self._await(f"{text!r} is to go:")

    def _await(self, what: str) -> None:
        assert select.select([self._master], [], [], LONG_S)[0], f"{what}\n{self.text()}"
        self._take()

    def _take(self) -> None:
        data = os.read(self._master, 65536)
        self.sent += data
        self._stream.feed(data)

    def ended(self) -> tuple[int, str]:
        """Wait for the end; return exit code and what was said on the error output."""
        _, said = self.child.communicate(timeout=LONG_S)
        while select.select([self._master], [], [], 0)[0]:
            self._take()
        os.write(self._slave, LAST)  # comes after all that the program wrote
        while LAST not in self.sent:
            self._take()
        return self.child.returncode, said

    def hang_up(self) -> tuple[int, str]:
        """Close the window on the program; return exit code and what was said on the way."""
        os.close(self._master)
        self._master = os.open(os.devnull, os.O_RDONLY)
        _, said = self.child.communicate(timeout=LONG_S)
        return self.child.returncode, said

    def is_put_back(self) -> bool:
        return termios.tcgetattr(self._slave) == self.settings and all(
            self.sent.rfind(back) >= self.sent.rfind(taken)
            for taken, back in ((b"\x1b[?1049h", b"\x1b[?1049l"), (b"\x1b[?25l", b"\x1b[?25h"))
        )

    def close(self) -> None:
        with contextlib.suppress(ProcessLookupError):
            self.child.kill()
        self.child.wait()
        os.close(self._master)
        os.close(self._slave)


@contextlib.contextmanager
def terminal(arguments: Sequence[str], **how: str) -> Iterator[Terminal]:
    opened = Terminal(arguments, **how)
    try:
        yield opened
    finally:
        opened.close()
