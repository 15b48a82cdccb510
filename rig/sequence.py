"""The run: what is done in which order, from the dark reading to the last point.

The sequence knows the order and nothing of bytes, files or retries: the attendant
(`rig/attendant.py`) carries each step out with the log going on, and the fault table
(`rig/faults.py`) decides when a step has failed for good. A run that goes on after an
interruption is the same sequence, less what is on the disk already (`rig/done.py`).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from analysis.grid import Grid
from analysis.stabilisation import Rule
from rig import return_check
from rig.attendant import Attendant
from rig.course import Stay, height_to_check, stays
from rig.dark import DarkReading
from rig.done import HUNG, Done
from rig.faults import Interrupted, RunStopped
from rig.hand.lead import Lead
from rig.lamp import Lamp
from rig.mapping import Mapping
from rig.operator import Prompt
from rig.pause import Pause
from rig.plan import Plan
from rig.points import Points, spread_points
from rig.progress import RunProgress, duration
from rig.recovery import Recovery
from rig.safety import cautions_text
from rig.warm_up import LIT_SHARE, WarmUp
from rig.watches import LampOnLimit

#: Added to the last prompt before a lamp is lit by program.
RELAY_LIGHTS = (
    " Then close the isolator and the area, and step back before you answer: after that the relay "
    "lights the lamp without asking."
)
#: Before the wattmeter is asked whether the lamp is lit, it gets so long to show it. [s]
SHOWS_S = 3.0


class Sequence:
    """One device under test through all its stays.

    Parameters
    ----------
    plan : Plan
    grid : Grid
    rule : Rule
        When the lamp counts as stable.
    attendant : Attendant
    progress : RunProgress
    lamp : Lamp
        Who lights it, and how it goes off.
    on_limit : LampOnLimit
        Told when the lamp is lit and when it is off.
    done : Done
        What is on the disk already; nothing for a new run.
    look_back : callable
        Says what is on the disk by now.
    lead : Lead, optional
        Leads the person who carries the sensor; None where a stage does.

    Attributes
    ----------
    warm_up : WarmUp
        Knows how long the lamp has burned.
    """

    def __init__(
        self,
        plan: Plan,
        grid: Grid,
        rule: Rule,
        attendant: Attendant,
        progress: RunProgress,
        lamp: Lamp,
        on_limit: LampOnLimit,
        done: Done,
        look_back: Callable[[], Done],
        lead: Lead | None = None,
    ) -> None:
        self._plan = plan
        self._grid = grid
        self._attendant = attendant
        self._progress = progress
        self._lamp = lamp
        self._done = done
        self._look_back = look_back
        self._takes_over = done.has_homed
        self._clock = attendant.clock
        self._has_axis = attendant.instruments.stage.has_height_axis
        self._course = stays(plan, has_height_axis=self._has_axis)
        self._to_check = height_to_check(plan, self._course, has_height_axis=self._has_axis)
        self._lead = lead
        self._points = Points(plan, grid, attendant, lead)
        self._points.stay = self._course[0]
        self._dark = DarkReading(plan, grid, attendant, progress, self._points)
        self._mapping = Mapping(plan, grid, attendant, progress, self._points, self._ask)
        self.warm_up = WarmUp(plan, rule, attendant, progress, self._points, on_limit)
        self._recovery = Recovery(
            plan, attendant, lamp, self.warm_up, Pause(plan, attendant, progress)
        )
        self._dark_mean = 0.0

    def run(self) -> None:
        """Go through the whole run, or what is missing of it.

        Raises
        ------
        RunStopped
            The run ends early; everything read until then is on disk.
        """
        self._prepare()
        while True:
            try:
                self._go_through()
                return
            except Interrupted as trouble:
                self._progress.hold()
                if self._lead is not None:
                    self._lead.take_in_hand()
                self._recovery.carry_over(trouble, self._dark_mean)
                # Interrupted between being told to light and being seen to: looked at anew.
                self._takes_over = self._lamp.is_believed_lit and not self.warm_up.is_lit
                self._done = self._look_back()

    def _go_through(self) -> None:
        mapped = [self._done.map_of(stay).is_ended for stay in self._course]
        if all(mapped):
            if self._to_check is not None and not self._done.has_returned:
                self._take_up(self._course.index(self._to_check))
                self._check_return()
            self._finish()
            return
        at = mapped.index(False)
        self._take_up(at)
        if self._plan.sampling.quick_look and not self._done.has_looked:
            self._quick_look()
        means = self._mapping.read(self._done)
        for stay in self._course[at + 1 :]:
            if not stay.is_where(self._points.stay):
                self._points.choose_reference(means)
            self._change_to(stay)
            means = self._mapping.read(self._done)
        if self._to_check is not None:
            self._change_to(self._to_check)
            self._check_return()
        self._finish()

    # -- phases ---------------------------------------------------------------------------

    def _prepare(self) -> None:
        by_relay = self._lamp.is_lit_by_relay
        self._progress.phase("Cautions")
        self._ask(
            "cautions",
            cautions_text(self._plan.lamp.kind, by_hand=self._lead is not None)
            + ("\n\nThe stage will move. " if self._lead is None else "\n\n")
            + ("The relay will light the lamp without asking. " if by_relay else "")
            + "Have you read this, and is the test area clear?",
            ("yes", "stop"),
        )
        self._attendant.log.event("caution-acknowledged", self._plan.test.operator)
        if (reason := self._done.stop_reason).startswith("hazard"):
            self._ask(
                "hazard",
                f"This run was stopped for a {reason} Has the cause been found and mended? "
                "Isolate the lamp before you look.",
                ("yes", "stop"),
            )
        self._progress.phase("Instruments")
        self._refuse_others(self._attendant.identify())
        self._attendant.home()

    def _refuse_others(self, found: dict[str, str]) -> None:
        """A run is read with one set of instruments, from its first point to its last."""
        before = self._done.identities()
        for name in self._attendant.instruments.measuring():
            if before.get(name, found[name]) != found[name]:
                raise RunStopped(
                    f"measurement refused: {name}: {found[name]!r} answers, and the run was begun "
                    f"with {before[name]!r}. Connect that one, or begin a new run."
                )

    def _take_up(self, at: int) -> None:
        """Bring the bench to where the map of a stay can be read: hung, dark read, lamp stable."""
        stay, done = self._course[at], self._done
        self._points.stay = stay
        if (used := done.reference_of(stay)) is not None:
            self._points.reference = used
        elif at:
            self._points.choose_reference(done.map_of(self._course[at - 1]).means)
        needs_dark = at == 0 and bool(self._dark.missing(done))
        needs_hanging = not done.is_hung(stay)
        burns = self.warm_up.is_lit or (self._takes_over and self._lamp_burns())
        self._takes_over = False
        if burns and (needs_dark or needs_hanging):
            self._put_out("Something is still to be done with the lamp off.")
            burns = False
        if self._has_axis:
            self._points.park(stay.mounting_height_mm)
        if needs_hanging:
            if done.has_been_lit:  # and went off, perhaps just now
                self._cool()
            self._hang(stay)
        self._dark_mean = self._dark.read(done, self._see_lamp_off) if at == 0 else 0.0
        self._dark_mean = self._dark_mean or self._dark.mean(done)
        if self.warm_up.is_lit:
            # Homing has moved a height axis, and with it the lamp or the plane.
            if not self.warm_up.is_stable or self._has_axis:
                self._points.park()
                self.warm_up.stabilise(self._clock.elapsed_s())
        elif burns:
            self._points.park()
            self.warm_up.stabilise(self._burned_on())
        else:
            self._light()
            self.warm_up.stabilise(self.warm_up.lit_s)

    def _lamp_burns(self) -> bool:
        """Say whether the lamp is lit after an interruption; a relay is opened first.

        A person is asked where no meter can be.
        """
        if self._lamp.is_lit_by_relay:
            self._lamp.switch_off()
            return False
        if self._attendant.power_is_asked:
            return self._ask("lamp-burns", "Is the lamp lit now?", ("no", "yes", "stop")) == "yes"
        self._attendant.power_goes_to(self._points.place("background"))
        self._attendant.wait_until(self._clock.elapsed_s() + SHOWS_S)
        return self._attendant.latest_power_w > LIT_SHARE * self._plan.lamp.rated_power_w

    def _burned_on(self) -> float:
        """Take over a lamp that is lit; return since when the rule is to be judged. [s]"""
        now_s = self._clock.elapsed_s()
        lit_s = self._done.lit_since_s
        watts = f"The wattmeter shows {self._attendant.latest_power_w:.0f} W: the lamp is lit"
        if self._attendant.power_is_asked:
            watts = "The lamp is lit, as you say"
        answer = "no"
        if lit_s is not None:
            answer = self._ask(
                "lamp-burned",
                f"{watts}. Has it burned without a break since it was lit in this run, "
                f"{duration(self._done.last_s - lit_s)} before the interruption? If in doubt "
                "answer no: it then warms up anew.",
                ("yes", "no", "stop"),
            )
        if lit_s is not None and answer == "yes":
            self.warm_up.lamp_burned_on(lit_s - self._attendant.log.ahead_s)
        else:
            self.warm_up.lamp_was_lit()
        return now_s

    def _hang(self, stay: Stay) -> None:
        if not self._has_axis or stay.installation > 1:
            self._ask(
                "height",
                f"{'Take down and hang' if stay.installation > 1 else 'Hang'} "
                f"{self._plan.device.name} so that the mounting height is "
                f"{stay.mounting_height_mm:.0f} mm, lamp off and isolated. Measure it from the "
                "lamp's datum to the sensor's diffuser."
                + (RELAY_LIGHTS if self._lamp.is_lit_by_relay else ""),
                value_mm=stay.mounting_height_mm,
            )
        self._attendant.log.event(HUNG, self._plan.device.name, stay.place_words)

    def _see_lamp_off(self) -> None:
        if not self._lamp.is_lit_by_relay:
            self._ask(
                "lamp-off",
                "Dark reading: the lamp must be OFF and the area closed as for the map. "
                "Check that nothing glows, then answer.",
            )

    def _light(self) -> None:
        self._points.park()
        self._attendant.power_goes_to(self._points.place("warm-up"))
        if self._lamp.is_lit_by_relay:
            if self._lamp.may_be_lit_from_s > self._clock.elapsed_s():
                off_s = self._lamp.may_be_lit_from_s - self._clock.elapsed_s()
                self._progress.phase("Minimum off time", duration(off_s))
                self._attendant.wait_until(self._lamp.may_be_lit_from_s)
            self._lamp.light()
        else:
            self._ask(
                "lamp-on",
                "Light the lamp now, by hand. Close the area, step back. "
                "Never restrike a lamp that has not had its minimum off time "
                f"({duration(self._plan.lamp.minimum_off_s)}).",
            )
            self._lamp.is_lit_by_hand()
        self.warm_up.lamp_is_lit(self._dark_mean)

    def _quick_look(self) -> None:
        few = spread_points(self._grid, 5)
        self._attendant.log.event("quick-look")
        self._progress.phase("Quick look", f"{len(few)} points")
        self._attendant.power_goes_to(self._points.place("background"))
        values: list[float] = []
        self._points.visit_all(
            few, "quick-look", lambda _, read: values.append(float(np.nanmean(read)))
        )
        self._progress.phase("", "  ".join(f"{value:.0f}" for value in values) + " µmol/m²/s")

    def _check_return(self) -> None:
        stay = self._points.stay
        means = self._look_back().map_of(stay).means
        return_check.read_again(self._grid, self._attendant, self._progress, self._points, means)

    def _change_to(self, stay: Stay) -> None:
        if stay.is_where(self._points.stay):
            self._points.stay = stay
            return
        if stay.installation == self._points.stay.installation:
            self._points.stay = stay
            self._attendant.power_watch.expect(None)
            self._points.park(stay.mounting_height_mm)
            self.warm_up.stabilise(self._clock.elapsed_s())
            return
        self._put_out("Next installation.")
        self._points.stay = stay
        if self._has_axis:
            self._points.park(stay.mounting_height_mm)
        self._hang(stay)
        self._light()
        self.warm_up.stabilise(self.warm_up.lit_s)

    def _put_out(self, why: str) -> None:
        """Have the lamp off, isolated and cooled for its minimum off time."""
        self._attendant.power_watch.expect(None)
        if self._lamp.is_lit_by_relay:
            self._lamp.switch_off()
        else:
            self._ask(
                "lamp-off",
                f"{why} Switch the lamp OFF, isolate it, and let it cool before you touch "
                "anything. Answer when it is off.",
            )
            self._lamp.is_off_by_hand()
        self.warm_up.lamp_is_off()
        self._cool()

    def _cool(self) -> None:
        """Wait until the minimum off time is over, before hands go to what was lit."""
        if self._lamp.is_believed_lit:
            self._lamp.is_off_by_hand()  # found dark; since when nobody knows
        left_s = self._lamp.may_be_lit_from_s - self._clock.elapsed_s()
        if left_s > 0.0:
            self._progress.phase("Cooling", f"{duration(left_s)}; keep hands off until then")
            self._attendant.wait_until(self._lamp.may_be_lit_from_s)

    def _finish(self) -> None:
        self._attendant.power_watch.expect(None)
        last_word = "All points are read. Switch the lamp off."
        if self._lamp.is_lit_by_relay:
            self._lamp.switch_off()
            self.warm_up.lamp_is_off()
            last_word = "All points are read. The relay has switched the lamp off."
        if self._lead is None:
            self._points.park()
        self._attendant.log.event("run-ended", "", "complete")
        self._attendant.log.acknowledge()
        self._progress.phase("Done", last_word)

    # -- pieces ---------------------------------------------------------------------------

    def _ask(
        self,
        kind: str,
        text: str,
        choices: tuple[str, ...] = ("done", "stop"),
        value_mm: float | None = None,
    ) -> str:
        self._progress.hold()
        return self._attendant.ask(Prompt(kind=kind, text=text, choices=choices, value_mm=value_mm))
