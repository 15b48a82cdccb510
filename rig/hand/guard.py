"""Whatever ends the program, the terminal is put back first; whatever covers it, it is redrawn."""

from __future__ import annotations

import atexit
import os
import signal
from collections.abc import Callable
from types import FrameType
from typing import Any, Final

from rig.operator import LAST_ACTS

#: These end a program that does not handle them; Ctrl-C comes as an exception.
ENDING: Final = (signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT)


class Guard:
    """Sees signals and the end of the program on behalf of a terminal.

    Handlers that are there already are left alone: a run has its own way to stop.

    Parameters
    ----------
    put_back : callable
        Puts the terminal back as it was; may be called more than once.
    redraw : callable
        Draws the picture anew: the window has another size.
    take_over : callable
        Has the terminal as we need it, after the program was suspended.
    """

    def __init__(
        self,
        put_back: Callable[[], None],
        redraw: Callable[[], None],
        take_over: Callable[[], None],
    ) -> None:
        self._put_back = put_back
        self._redraw = redraw
        self._take_over = take_over
        self._before: dict[int, Any] = {}
        atexit.register(put_back)
        LAST_ACTS.append(put_back)
        handled = {signal.SIGWINCH: self._on_resize, signal.SIGCONT: self._on_return}
        handled |= {n: self._on_ending for n in ENDING if signal.getsignal(n) is signal.SIG_DFL}
        for number, handler in handled.items():
            self._before[number] = signal.signal(number, handler)

    def release(self) -> None:
        """Put back the handlers that were there before."""
        for number, handler in self._before.items():
            signal.signal(number, handler)
        LAST_ACTS.remove(self._put_back)
        atexit.unregister(self._put_back)

    def _on_resize(self, number: int, frame: FrameType | None) -> None:
        self._redraw()

    def _on_return(self, number: int, frame: FrameType | None) -> None:
        self._take_over()
        self._redraw()

    def _on_ending(self, number: int, frame: FrameType | None) -> None:
        self._put_back()
        signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)
