"""Show the progress of a run, and tell somebody who is not there when it pauses."""

from __future__ import annotations

from rig.notices import Notices
from rig.progress import RunProgress

#: The phase of a run that waits for something to be mended (`rig/pause.py`).
PAUSED = "Paused"


class TellingProgress:
    """Passes everything on, and has a notice sent for each pause.

    Parameters
    ----------
    shown : RunProgress
        What shows it.
    notices : Notices
    what : str
        What the run is called.
    """

    def __init__(self, shown: RunProgress, notices: Notices, what: str) -> None:
        self._shown = shown
        self._notices = notices
        self._what = what

    def phase(self, name: str, detail: str = "") -> None:
        """Say that a new phase has begun."""
        if name == PAUSED:
            self._notices.send("trouble", f"{self._what} has paused", detail)
        self._shown.phase(name, detail)

    def step(self, done: float, total: float, text: str, left_s: float | None = None) -> None:
        """Say how far the phase is. [s]"""
        self._shown.step(done, total, text, left_s)

    def hold(self) -> None:
        """Take the bar off the screen."""
        self._shown.hold()
