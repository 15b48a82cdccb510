"""What a run is doing, by its events and by how long nothing has been written."""

from __future__ import annotations

import re
from typing import Any, Final

from attrs import define

from rig.live.words import DOING, asked, short

#: A run writes wall power all the time; silence for so long means that it does not run. [s]
SILENT_AFTER_S: Final = 60.0


@define
class Doing:
    """Follows the events of a run.

    Attributes
    ----------
    now_s, now_utc
        Moment of the newest row.
    """

    now_s: float = 0.0
    now_utc: str = ""
    _doing: str = "Nothing is written yet"
    _detail: str = ""
    _asked: str = ""
    _paused: str = ""
    _ended: str = ""
    _stopped: str = ""

    @property
    def is_going_on(self) -> bool:
        """Whether the run has neither ended nor been stopped."""
        return not (self._ended or self._stopped)

    def take(self, event: dict[str, str]) -> None:
        """Take in the next event."""
        name = event["event"]
        if name in DOING:
            self._doing, self._detail = DOING[name], ""
        if name in ("map-begun", "map-resumed"):
            height = re.search(r"mounting height (.*)", event["detail"])
            self._detail = f"at {height[1]}" if height else ""
        if name == "prompt":
            self._asked = asked(event)
        elif name in ("answer", "run-resumed", "stopped", "run-ended"):
            self._asked = ""
        if name == "paused":
            self._paused = short(event["detail"]).rstrip(".")
        elif name in ("pause-ended", "run-resumed", "stopped", "run-ended"):
            self._paused = ""
        if name == "run-resumed":
            self._ended = self._stopped = ""
        elif name == "run-ended":
            self._ended = event["detail"] or "complete"
        elif name == "stopped":
            self._stopped = short(event["detail"]).rstrip(".")

    def told(self, *, trouble: str, is_closed: bool, silent_s: float) -> dict[str, Any]:
        """Return the kind of state, a word for it, and a sentence.

        Parameters
        ----------
        trouble : str
            Why the folder cannot be read; empty if it can.
        is_closed : bool
            The recorder has closed the run.
        silent_s : float
            Since when nothing has been written. [s]
        """
        kind, word, sentence = self._judge(trouble, is_closed, silent_s)
        is_over = kind in ("done", "stopped", "unreadable")
        return {
            "kind": kind,
            "word": word,
            "sentence": sentence,
            "newest_utc": self.now_utc,
            "now_s": round(self.now_s, 1),
            # In steps, so that a quiet run is not told anew all the time.
            "silent_s": 0 if is_over or silent_s < SILENT_AFTER_S else 60 * int(silent_s // 60),
        }

    def _judge(self, trouble: str, is_closed: bool, silent_s: float) -> tuple[str, str, str]:
        if trouble:
            return "unreadable", "Cannot be read", f"{trouble}."
        if self._stopped:
            return (
                "stopped",
                "Stopped",
                f"{self._stopped}. What was read until then is kept; the run can be gone on with.",
            )
        if self._ended:
            return "done", "Done", "The run has ended; nothing is being measured."
        if is_closed:
            return "done", "Closed", "The run is closed; nothing is being measured."
        doing = f"{self._doing} {self._detail}".strip()
        if self._paused:
            return "paused", "Paused", f"{self._paused}. It goes on when that is mended."
        if self._asked:
            return "asks", "A person is needed", f"It asks: {self._asked}"
        if silent_s >= SILENT_AFTER_S:
            return (
                "silent",
                "No word",
                f"Last seen: {_lower(doing)}. Nothing has been written since. The program may have "
                "been killed, or the computer is off: look at the bench. What was read is kept, "
                "and the run can be gone on with.",
            )
        return "going", "Measuring", f"{doing}."


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
