"""What a person hears who has no eye for the screen: the bell, and words where there is speech."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
from contextlib import suppress
from typing import Final

#: Programs that speak the words of their last argument, the first one found is taken.
SPEAKERS: Final = ("spd-say", "espeak-ng", "espeak", "say")


class Speech:
    """Speaks by whichever program of the system can; silent where there is none.

    Never waits and never fails: each sentence is a process of its own, the next sentence ends
    the one before, and what has ended is cleared away.

    Parameters
    ----------
    speakers : tuple of str, optional
        Names of programs to look for.
    """

    def __init__(self, speakers: tuple[str, ...] = SPEAKERS) -> None:
        found = (shutil.which(name) for name in speakers)
        self._program = next((path for path in found if path), None)
        self._speaking: list[subprocess.Popen[bytes]] = []

    @property
    def is_there(self) -> bool:
        """Say whether there is a program that speaks."""
        return self._program is not None

    def say(self, words: str) -> None:
        """Begin to speak."""
        self._clear()
        if self._program is None or not words:
            return
        for process in self._speaking:
            _end(process)
        try:
            process = subprocess.Popen(
                [self._program, words.lstrip("-")],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        except OSError:
            self._program = None  # it is there and cannot be started: no more of it
            return
        self._speaking.append(process)

    def close(self) -> None:
        """Fall silent; nothing is left running."""
        for process in self._speaking:
            _end(process)
            process.wait()
        self._speaking = []

    def _clear(self) -> None:
        self._speaking = [process for process in self._speaking if process.poll() is None]


def _end(process: subprocess.Popen[bytes]) -> None:
    with suppress(OSError):
        os.killpg(process.pid, signal.SIGKILL)
