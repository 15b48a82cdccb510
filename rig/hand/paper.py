"""Where the screen's text goes: redrawn on a terminal that can, else line after line.

Nothing here ever waits. A terminal that takes no bytes, a connection that hangs, a window
closed: what does not get through is left out, and the run goes on.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import IO, Final

from rich.console import Console
from rich.text import Text

from rig.hand.lettering import Lettering

ENTER_SCREEN: Final = "\x1b[?1049h\x1b[?25l\x1b[2J"
LEAVE_SCREEN: Final = "\x1b[0m\x1b[?25h\x1b[?1049l"
BELL: Final = "\a"
#: Used where the terminal does not say how large it is, and what the screen is made for.
WIDTH, HEIGHT = 80, 24
#: Bytes kept for a terminal that takes none for a while.
MOST_KEPT: Final = 100_000


class Paper:
    """One terminal to draw on.

    Parameters
    ----------
    sink : text file, optional
        Default standard output.

    Attributes
    ----------
    can_redraw : bool
        False on something that is no terminal or cannot move its cursor.
    lettering : Lettering
        Which characters it can show.
    """

    def __init__(self, sink: IO[str] | None = None) -> None:
        self._sink = sink or sys.stdout
        known = Console(file=self._sink)
        self.can_redraw = known.is_terminal and not known.is_dumb_terminal
        self.lettering = Lettering.for_encoding(known.encoding)
        self._encoding = known.encoding
        # It only turns styles into bytes: a terminal that is gone must not be written to by it.
        self._console = Console(
            file=io.StringIO(),
            force_terminal=self.can_redraw,
            color_system="auto" if self.can_redraw else None,
            no_color=known.no_color,
            highlight=False,
            markup=False,
            emoji=False,
            width=1000,
        )
        self._fd = self._sink.fileno()
        self._own_fd = _opened_again(self._fd) if known.is_terminal else None
        self._rest = b""
        self._drawn = ""
        self._is_on_screen = False

    def size(self) -> tuple[int, int]:
        """Return columns and rows."""
        try:
            size = os.get_terminal_size(self._fd)
        except OSError:
            return WIDTH, HEIGHT
        return size.columns or WIDTH, size.lines or HEIGHT

    def draw(self, lines: Sequence[Text], *, afresh: bool = False) -> None:
        """Show these lines in place of what was there; afresh if the window was changed."""
        frame = "\r\n".join(self._styled(line) + "\x1b[K" for line in lines)
        if frame == self._drawn and not self._rest and not afresh:
            return
        self._send("")
        if self._rest:
            self._drawn = ""
            return  # a picture is still on its way; the next one will be newer than this
        before = "" if self._is_on_screen else ENTER_SCREEN
        self._is_on_screen = True
        self._drawn = frame
        self._send(f"{before}\x1b[H{frame}\x1b[J")

    def append(self, lines: Sequence[Text]) -> None:
        """Put these lines under what was there."""
        self._send("".join(f"{line.plain}\n" for line in lines))

    def echo(self, text: str) -> None:
        """Put text where the cursor is."""
        self._send(text)

    def ring(self) -> None:
        """Ring the terminal's bell."""
        if self._own_fd is not None:
            self._send(BELL)

    def leave(self) -> None:
        """Give the screen back as it was before."""
        if self._is_on_screen:
            _, rows = self.size()
            self._is_on_screen = False
            self._drawn = ""
            self._send(f"\x1b[{rows};1H{LEAVE_SCREEN}\r\n")

    def close(self) -> None:
        """Give the screen back and let go of the terminal."""
        self.leave()
        if self._own_fd is not None:
            with suppress(OSError):
                os.close(self._own_fd)
            self._own_fd = None

    def _styled(self, line: Text) -> str:
        with self._console.capture() as captured:
            self._console.print(line, end="", no_wrap=True, crop=False, soft_wrap=True)
        return captured.get()

    def _send(self, text: str) -> None:
        self._rest += text.encode(self._encoding, errors="replace")
        if len(self._rest) > MOST_KEPT:
            self._rest = b""
        fd = self._fd if self._own_fd is None else self._own_fd
        while self._rest:
            try:
                self._rest = self._rest[os.write(fd, self._rest) :]
            except BlockingIOError:
                return
            except OSError:
                self._rest = b""  # nobody sees it any more


def _opened_again(fd: int) -> int | None:
    """Open the terminal a second time, so that not waiting holds for us alone."""
    try:
        return os.open(os.ttyname(fd), os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError:
        return None
