"""What a person at the bench is shown and answers: plain values between the run and its screen.

The run makes a `HandView` of the moment and never draws; the screen draws it and never decides.
So the same run is led from a terminal, or from a test's script.
"""

from __future__ import annotations

from typing import Literal, Protocol

from attrs import evolve, field, frozen

#: "outside" is a cell of a round area's lattice that is no point.
PointState = Literal["open", "done", "skipped", "next", "outside"]
Asks = Literal["key", "value", "text", "nothing"]


@frozen(kw_only=True)
class HandView:
    """Everything the screen shows at one moment.

    `countdown_s`, `last`, `live`, `left_s` and `states` may change while a question stands; a
    change of anything else is another question.

    Attributes
    ----------
    headline : str
        Where in the work we are: ``"Point 23 of 64"``, ``"Reference point, visit 3"``.
    device : str
    mounting_height_mm : float
        [mm]
    instruction : str
        What to do now, in one or two sentences.
    row, column : int or None
        The point, counted from 0 as everywhere in the code; the screen counts from 1. None
        where no point is meant.
    from_left_mm, from_front_mm : float or None
        Its distances from the left and the front wall: x and y of the plane. [mm]
    states : tuple of tuple of PointState
        The grid, row 0 first, which lies nearest the front wall.
    reference : (int, int)
        Row and column of the reference point, from 0.
    asks : str
        What ends the wait: one key, a number and Enter, a line and Enter, or nothing but a
        reading that comes by itself. The keys hold in each case but a line, which is words.
    typed_label : str
        What a typed number is: ``"PPFD in µmol/m²/s"``.
    keys : tuple of (str, str)
        Allowed one-key answers and what they mean: ``(("d", "done"), ("s", "skip"))``.
    enter_key : str
        The key that Enter and the space bar stand for too; empty: they answer nothing.
    countdown_s : float, optional
        Time left to step back and close the door. [s]
    message : str
        A remark or a question: ``"612 follows 61: meant 612?"``.
    last : str
        What was read last: ``"row 3, column 4: 612 µmol/m²/s"``.
    live : str
        What changes by itself: ``"612 W   steady for 3 of 5 s"``.
    left_s : float, optional
        Time the run will still take. [s]
    """

    headline: str
    device: str
    mounting_height_mm: float
    instruction: str
    row: int | None = None
    column: int | None = None
    from_left_mm: float | None = None
    from_front_mm: float | None = None
    states: tuple[tuple[PointState, ...], ...]
    reference: tuple[int, int]
    asks: Asks
    typed_label: str = ""
    keys: tuple[tuple[str, str], ...] = field(default=())
    enter_key: str = ""
    countdown_s: float | None = None
    message: str = ""
    last: str = ""
    live: str = ""
    left_s: float | None = None

    @property
    def question(self) -> HandView:
        """The view without what may change while its question stands."""
        counts_down = self.countdown_s is not None
        return evolve(
            self, countdown_s=0.0 if counts_down else None, last="", live="", left_s=None, states=()
        )


@frozen
class HandAnswer:
    """One answer: a key of the view's, or a typed line.

    Attributes
    ----------
    key : str
        The key that was pressed; empty for a typed line.
    text : str
        The line that was typed, as it was typed; empty for a key.
    """

    key: str = ""
    text: str = ""


class HandDesk(Protocol):
    """The person at the bench, seen from the run."""

    def show(self, view: HandView) -> None:
        """Show the moment; what was typed before another question was shown answers nothing."""
        ...

    def answer(self) -> HandAnswer | None:
        """Return what was answered to the view shown, or None; never waits."""
        ...

    def cue(self) -> None:
        """Let it be heard that the point is read and one may move on."""
        ...

    def fileno(self) -> int | None:
        """Return the descriptor a clock can wait on, or None."""
        ...

    def readable(self) -> bool:
        """Say whether an answer may be waiting."""
        ...

    def close(self) -> None:
        """Put the terminal back as it was."""
        ...
