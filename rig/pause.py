"""A run that waits: for an instrument to answer again, or for a person to mend something.

The lamp stays as it is, for so long and no longer; the stage is stopped; the log goes on.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from drivers.errors import DriverError
from rig.attendant import Attendant
from rig.faults import PERSON, Interrupted, RunStopped, Then
from rig.operator import Prompt
from rig.plan import Plan
from rig.progress import RunProgress, duration

#: Time between two looks whether an instrument answers again. [s]
LOOK_EVERY_S: Final = 10.0
#: Said where the run goes on without a word from anybody.
MOVES_BY_ITSELF: Final = (
    " The stage homes by itself once it answers: before you reach into the area, stop the run or "
    "use the emergency stop."
)
#: Said to whoever is asked to mend.
STANDS: Final = (
    "The stage is stopped and will not move by itself; the lamp is as it was. Switch the lamp off "
    "before you reach into the area. When it is mended and the area is clear, the stage homes as "
    "soon as you answer."
)
#: Said instead where the stage can be told nothing.
CANNOT_BE_STOPPED: Final = (
    "The stage cannot be told to stop from here: a move that was under way goes to its end. The "
    "lamp is as it was. Use the emergency stop, and switch the lamp off, before you reach into the "
    "area. When the port is back and the area is clear, the stage homes as soon as you answer."
)
#: Added where the lamp is lit by program.
RELAY_LIGHTS: Final = (
    " If the lamp is off by then, the relay lights it without asking, after its minimum off time."
)
#: A run that is interrupted more often than this is no run (our own figure).
MOST_INTERRUPTIONS: Final = 10


#: Said where a person wished for the pause.
AS_IT_WAS: Final = (
    "The lamp is as it was, for at most {most}; do not leave it alone while it is lit. The log "
    "goes on. When you go on, the reference point is read before any other."
)


class Pause:
    """Carries a run over an interruption, or ends it.

    Parameters
    ----------
    plan : Plan
    attendant : Attendant
    progress : RunProgress
    """

    def __init__(self, plan: Plan, attendant: Attendant, progress: RunProgress) -> None:
        self._most_s = 60.0 * plan.trouble.pause_most_min
        self._homes_unasked = plan.trouble.home_unasked
        self._by_relay = plan.lamp.switching == "relay" and plan.lamp.armed
        self._attendant = attendant
        self._clock = attendant.clock
        self._progress = progress
        self._interruptions = 0

    def count(self, trouble: Interrupted) -> None:
        """Take note of one more interruption.

        Raises
        ------
        RunStopped
            There were too many.
        """
        if trouble.subject == PERSON:
            return
        self._interruptions += 1
        if self._interruptions > MOST_INTERRUPTIONS:
            raise RunStopped(f"{trouble.reason} Interrupted {self._interruptions} times: no more.")

    def wait(self, trouble: Interrupted, lamp_is_out: Callable[[], None]) -> None:
        """Return when the run may go on.

        Parameters
        ----------
        trouble : Interrupted
        lamp_is_out : callable
            Called where the lamp goes out while a person is awaited: whoever mends something has
            switched it off, and it must not come on again before they say so.

        Raises
        ------
        RunStopped
            It may not: the time is over, or somebody says stop.
        """
        until_s = self._clock.elapsed_s() + self._most_s
        waiting = [trouble]
        while waiting:
            trouble = waiting[-1]
            if not self._most_s:
                raise RunStopped(trouble.reason)
            self._attendant.log.event("paused", trouble.subject, trouble.reason)
            self._attendant.log.acknowledge()
            by_itself = "" if any(map(self._is_for_a_person, waiting)) else MOVES_BY_ITSELF
            self._progress.phase(
                "Paused", f"{trouble.reason} For at most {duration(self._most_s)}.{by_itself}"
            )
            try:
                self._await(trouble, until_s)
                waiting.pop()
            except Interrupted as another:
                self.count(another)
                if another.row.then is Then.RELIGHT:
                    if not any(map(self._is_for_a_person, waiting)):
                        raise
                    lamp_is_out()
                elif another.row.then is not Then.REJOIN:
                    # One more fails while we wait: within one limit, and after it this one still.
                    waiting.append(another)

    def _is_for_a_person(self, trouble: Interrupted) -> bool:
        then = trouble.row.then
        return then is Then.AWAIT_PERSON or (
            then is Then.AWAIT_STAGE_PORT and not self._homes_unasked
        )

    def _await(self, trouble: Interrupted, until_s: float) -> None:
        if self._is_for_a_person(trouble):
            self._await_person(trouble, until_s)
        else:
            self._await_instrument(trouble, until_s)
        self._attendant.log.event("pause-ended", trouble.subject)

    def _await_person(self, trouble: Interrupted, until_s: float) -> None:
        safety = CANNOT_BE_STOPPED if trouble.port_lost else STANDS
        prompt = Prompt(
            kind="mend",
            text=f"{trouble.reason}\n{safety}" + (RELAY_LIGHTS if self._by_relay else ""),
            choices=("go on", "stop"),
        )
        if trouble.subject == PERSON:
            text = f"{trouble.reason} {AS_IT_WAS.format(most=duration(self._most_s))}"
            prompt = Prompt(kind="pause", text=text, choices=("go on", "stop"))
        while True:
            answer = self._attendant.ask_within(prompt, until_s)
            if answer != "go on":
                raise self._end(trouble, answer is None)
            if not trouble.port_lost or self._is_open(trouble.subject):
                return
            # Not by itself once it is back: who said "go on" too early may be at the plug.
            next_s = self._clock.elapsed_s() + LOOK_EVERY_S
            if next_s >= until_s:
                raise self._end(trouble, True)
            self._progress.phase("Paused", "The port is not back yet.")
            self._attendant.wait_until(next_s)

    def _await_instrument(self, trouble: Interrupted, until_s: float) -> None:
        with self._attendant.without(self._attendant.instruments.all()[trouble.subject]):
            while not self._is_back(trouble):
                next_s = self._clock.elapsed_s() + LOOK_EVERY_S
                if next_s >= until_s:
                    raise self._end(trouble, True)
                self._attendant.wait_until(next_s)

    def _is_open(self, subject: str) -> bool:
        try:
            self._attendant.instruments.reopen(subject)
        except DriverError:
            return False
        self._attendant.stand_still()  # now that it can be told
        return True

    def _is_back(self, trouble: Interrupted) -> bool:
        if trouble.row.then is Then.AWAIT_STAGE_PORT:
            return self._is_open(trouble.subject)
        readings = self._attendant.answers(trouble.subject, reopen=trouble.port_lost)
        return readings is not None and all(
            reading.value >= trouble.least_power_w
            for reading in readings
            if reading.quantity == "wall_power_w"
        )

    def _end(self, trouble: Interrupted, is_over: bool) -> RunStopped:
        why = f" Paused for {duration(self._most_s)}, no longer." if is_over else ""
        return RunStopped(trouble.reason + why)
