"""A person at the virtual bench: carries its sensor by hand and reads its displays off."""

from __future__ import annotations

from typing import Final

from drivers.clock import VirtualClock
from drivers.simulated.bench import LIGHT_SENSOR, VirtualBench
from rig.hand.lead import POWER_LABEL
from rig.hand.view import HandAnswer, HandView
from rig.operator import ProgramAnswers

#: How long carrying, reading off and typing take. [s]
TAKES_S: Final = 12.0
#: How long a look at a display takes in. [s]
LOOKS_S: Final = 2.0


class VirtualHand(ProgramAnswers[HandAnswer]):
    """Does what a view asks for, and answers it, on the bench in this process: a `HandDesk`.

    Parameters
    ----------
    bench : VirtualBench
    clock : VirtualClock
    """

    def __init__(self, bench: VirtualBench, clock: VirtualClock) -> None:
        self._bench = bench
        self._clock = clock
        self._view: HandView | None = None
        self.cues = 0

    def show(self, view: HandView) -> None:
        """Go and do it; the answer is there `TAKES_S` later."""
        counts_down = view.countdown_s is not None
        self._view = view
        if view.asks == "nothing" or counts_down:
            return
        if view.from_left_mm is not None and view.from_front_mm is not None:
            now_s, gantry = self._clock.elapsed_s(), self._bench.gantry
            if not gantry.is_homed(now_s):
                gantry.home(now_s)  # only now are its places those of the plane
            gantry.move(now_s, view.from_left_mm, view.from_front_mm)

        def done() -> None:
            if self._view is view:
                self._answer = self.answer_to(view)

        self._clock.call_at(self._clock.elapsed_s() + TAKES_S, done)

    def answer_to(self, view: HandView) -> HandAnswer:
        """Return the usual answer: the number on the display, or the first key."""
        if view.asks != "value":
            return HandAnswer(key=view.keys[0][0])
        now_s = self._clock.elapsed_s()
        if view.typed_label == POWER_LABEL:
            shown = self._bench.measured_electrical(now_s - LOOKS_S, now_s)["wall_power_w"]
        else:
            shown = self._bench.measured_ppfd(LIGHT_SENSOR, now_s - LOOKS_S, now_s)
        return HandAnswer(text=f"{shown:.1f}")

    def cue(self) -> None:
        """Count how often one may move on."""
        self.cues += 1

    def close(self) -> None:
        """Do nothing: there is no terminal."""
