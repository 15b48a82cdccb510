"""Leads a person from point to point: puts what the run asks for before them, takes the answers.

To the drivers this is the desk on which they put their questions (`drivers.manual.desk`). What
the person wishes in place of an answer goes another way: a point again, back or left out as a
`rig.hand.order.Wish`, a pause as an interruption of the fault table, a stop as the end of the run.
"""

from __future__ import annotations

import math
from typing import Final, Literal, Protocol

import numpy as np
from attrs import evolve

from analysis.grid import Grid
from drivers.clock import Clock
from drivers.manual.desk import Question, ReadOff
from drivers.manual.number import LEFT_OUT, typed_number
from drivers.manual.options import ManualStageOptions
from rig import faults
from rig.hand.known import Known
from rig.hand.moment import ALWAYS, Moment
from rig.hand.order import PointOrder, Way, Wish
from rig.hand.plausibility import Doubt
from rig.hand.view import HandAnswer, HandDesk, HandView
from rig.rows import Place

#: What is typed.
LIGHT_LABEL: Final = "PPFD in µmol/m²/s"
POWER_LABEL: Final = "Wall power in W"

_WAYS: Final[dict[str, Way]] = {"r": "redo", "b": "back"}
_Doing = Literal["nothing", "ready", "carry", "counting", "value", "reason", "doubt"]


class Note(Protocol):
    """Writes down that something happened."""

    def __call__(self, event: str, subject: str = "", detail: str = "") -> None:
        """Write an event."""
        ...


class Lead:
    """What the person is asked now.

    Parameters
    ----------
    desk : HandDesk
        The screen, or a script.
    clock : Clock
    options : ManualStageOptions
    is_keyed : bool
        Whether light is read off and typed; else a sensor on a port is read.

    Attributes
    ----------
    desk : HandDesk
    options : ManualStageOptions
    is_keyed : bool
    """

    def __init__(
        self, desk: HandDesk, clock: Clock, options: ManualStageOptions, *, is_keyed: bool
    ) -> None:
        self.desk = desk
        self.options = options
        self.is_keyed = is_keyed
        self._clock = clock
        self._note: Note = _forget
        self._moment: Moment
        self._known: Known
        self._doing: _Doing = "nothing"
        self._question: Question | None = None
        self._doubt: Doubt | None = None
        self._typed = ""
        self._until_s = math.inf
        self._carried_to: tuple[float, float] | None = None
        self._stands_at: tuple[float, float] | None = None

    # -- what the run says ----------------------------------------------------------------

    def begin(self, grid: Grid, device: str, rated_w: float, note: Note) -> None:
        """Take up a run. [W]"""
        self._note = note
        self._moment = Moment(grid=grid, device=device)
        self._known = Known(grid=grid, rated_w=rated_w)

    def begin_map(self, means: np.ndarray) -> None:
        """Take up a map, with what was read of its points before. [µmol m⁻² s⁻¹]"""
        self._known.begin_map(means)
        self._moment.left_s = None

    def takes(self, left_s: float | None) -> None:
        """Say how long the map will still take. [s]"""
        self._moment.left_s = left_s

    def turn_to(
        self, place: Place, index: int, reference: int, order: PointOrder | None = None
    ) -> None:
        """Say which point is next, and what for."""
        moment = self._moment
        moment.place, moment.index, moment.reference = place, index, reference
        moment.order, moment.visit, moment.sample = order, self._known.visits + 1, ""

    def reads(self, sample: int, count: int) -> None:
        """Say which of several readings of the point comes next, counted from 1."""
        self._moment.sample = f", reading {sample} of {count}" if count > 1 else ""

    def was_read(self, value: float) -> None:
        """Take note that the point was read; one may move on. [µmol m⁻² s⁻¹]"""
        moment = self._moment
        self._known.read(moment.place.role, moment.index, value)
        moment.last = f"{moment.place.words}: {value:.4g} µmol/m²/s"
        if not self.is_keyed:
            self.desk.cue()

    def forget_reference(self) -> None:
        """Forget the newest reading of the reference point: it is read again."""
        self._known.forget_reference()
        self.take_in_hand()

    def far_off(self) -> list[int]:
        """Return the points of the map that are far from those beside them."""
        return self._known.far_off()

    def take_in_hand(self) -> None:
        """Forget where the sensor stands: it is to be laid anew even if it is there."""
        self._stands_at = None

    def tell(self, live: str) -> None:
        """Show what goes on by itself at this point."""
        view = self._moment.at_point("The sensor is read by itself; stay away.")
        self.desk.show(evolve(view, live=live))

    # -- the desk of the drivers ----------------------------------------------------------

    @property
    def wake_s(self) -> float:
        """Elapsed time by which `reply` wants to be called, whatever is typed. [s]"""
        if self._doing == "ready":
            return -math.inf
        if self._doing != "counting":
            return math.inf
        left_s = self._until_s - self._clock.elapsed_s()
        return self._until_s - max(math.ceil(left_s - 1e-6) - 1, 0)

    def put(self, question: Question) -> None:
        """Put a question before the person, or answer it where nothing is to be done."""
        self._question = question
        if isinstance(question, ReadOff):
            self._ask_value()
            return
        self._carried_to = (question.x_mm, question.y_mm)
        if self.is_keyed or self._carried_to == self._stands_at:
            self._doing = "ready"  # where to read is said as the value is asked for
        else:
            self._ask_to_carry()

    def withdraw(self) -> None:
        """Take the question back."""
        self._doing, self._question = "nothing", None

    def reply(self) -> str | None:
        """Return the reply, or None before it is there.

        Raises
        ------
        Wish
            The person goes another way.
        RunStopped
            A pause, or the end of the run.
        """
        if self._doing == "ready":
            return self._end("")
        if self._doing == "counting" and self._clock.elapsed_s() >= self._until_s:
            return self._stands()
        answer = self.desk.answer()
        if answer is not None:
            return self._take(answer)
        if self._doing == "counting":
            self._count()
        return None

    def fileno(self) -> int | None:
        """Return the descriptor a clock can wait on, or None."""
        return self.desk.fileno()

    def readable(self) -> bool:
        """Say whether an answer may be waiting."""
        return self.desk.readable()

    # -- answers --------------------------------------------------------------------------

    def _take(self, answer: HandAnswer) -> str | None:
        key = answer.key
        if self._doing == "reason":
            return self._take_reason(answer)
        if key == "p":
            self.take_in_hand()
            raise faults.paused_by_person()
        if key == "x":
            raise faults.RunStopped("stopped by the operator at a point", exit_code=130)
        if self._doing == "doubt":
            return self._take_doubt(key)
        if key in _WAYS:
            self.take_in_hand()
            raise Wish(_WAYS[key])
        if key == "s":
            self._ask_reason()
        elif key == "l":
            return self._end("")
        elif key == "d":
            self._until_s = self._clock.elapsed_s() + self.options.step_back_s
            self._doing = "counting"
            self._count()
        elif key == "n":
            return self._stands()
        elif not key:
            return self._take_value(answer.text)
        return None

    def _take_value(self, text: str) -> str | None:
        text, is_power = text.strip(), self._is_power
        value = typed_number(text)
        if value is None:
            if text in LEFT_OUT and is_power:
                return self._end("")
            self._ask_value(f"{text!r} is no number: type digits, with a point or a comma.")
            return None
        moment = self._moment
        doubt = self._known.doubt(text, value, moment.place, moment.index, is_power=is_power)
        if doubt is None:
            return self._typed_in(text)
        self._doubt, self._typed = doubt, text
        self._ask_doubt(doubt)
        return None

    def _take_doubt(self, key: str) -> str | None:
        doubt, text = self._doubt, self._typed
        assert doubt is not None
        if key == "t":
            self._ask_value()
            return None
        is_kept = key == "k" or doubt.meant is None
        self._note(
            "typed-value",
            "power_meter" if self._is_power else "light_sensor",
            f"{self._moment.place.words}: {doubt.question} "
            + (f"{text} was kept" if is_kept else f"{text} was a slip"),
        )
        return self._typed_in(text if is_kept else doubt.meant or text)

    def _take_reason(self, answer: HandAnswer) -> str | None:
        if not answer.key:
            raise Wish("skip", answer.text.strip())
        if self._question is not None:  # thought better of it
            self.put(self._question)
        return None

    def _typed_in(self, text: str) -> str:
        self._known.typed(self._moment.place.role, text, is_power=self._is_power)
        return self._end(text)

    def _stands(self) -> str:
        self._stands_at = self._carried_to
        return self._end("")

    def _end(self, reply: str) -> str:
        self.withdraw()
        return reply

    # -- questions ------------------------------------------------------------------------

    @property
    def _is_power(self) -> bool:
        return isinstance(self._question, ReadOff) and self._question.quantity == "wall_power_w"

    def _ask_to_carry(self) -> None:
        self._doing = "carry"
        view = self._moment.at_point(
            "Carry the sensor there and lay it level. Press d as you let go of it: there is time "
            "then to step back and close the door."
        )
        keys = (("d", "done"), *self._moment.ways)
        self.desk.show(evolve(view, asks="key", keys=keys, enter_key="d"))

    def _count(self) -> None:
        left_s = max(self._until_s - self._clock.elapsed_s(), 0.0)
        view = self._moment.at_point("Step back and close the door.")
        keys = (("n", "now"), *ALWAYS)
        self.desk.show(evolve(view, asks="key", keys=keys, countdown_s=left_s))

    def _ask_value(self, message: str = "") -> None:
        self._doing = "value"
        self.desk.show(evolve(self._value_view(), message=message))

    def _value_view(self) -> HandView:
        moment = self._moment
        if self._is_power:
            view = moment.nowhere("Wattmeter", "Read its display, type the watts, press Enter.")
            keys = (("l", "leave out"), *ALWAYS)
            return evolve(view, asks="value", typed_label=POWER_LABEL, keys=keys)
        view = moment.at_point(
            "Lay the sensor there, level, and close the door as far as it goes. Read the display, "
            "type the number, press Enter."
        )
        return evolve(view, asks="value", typed_label=LIGHT_LABEL, keys=moment.ways)

    def _ask_doubt(self, doubt: Doubt) -> None:
        self._doing = "doubt"
        meant = (("m", f"meant {doubt.meant}"),) if doubt.meant is not None else ()
        self.desk.show(
            evolve(
                self._value_view(),
                instruction="Look at the display again. Your word counts.",
                message=doubt.question,
                asks="key",
                typed_label="",
                keys=(("k", f"keep {self._typed}"), *meant, ("t", "type again"), *ALWAYS),
            )
        )

    def _ask_reason(self) -> None:
        self._doing = "reason"
        view = self._moment.at_point(
            "Why is this point left out? Type a few words and press Enter."
        )
        keys = (("esc", "do not leave it out"),)
        self.desk.show(evolve(view, asks="text", typed_label="Reason", keys=keys))


def _forget(event: str, subject: str = "", detail: str = "") -> None:
    """Take no notes: no run has begun."""
