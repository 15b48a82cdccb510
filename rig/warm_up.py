"""Waiting for the lamp: that it is lit at all, and that it is stable."""

from __future__ import annotations

import math

import numpy as np

from analysis.stabilisation import Judgement, Rule, judge
from rig import faults
from rig.attendant import Attendant
from rig.done import BURNED_ON
from rig.operator import Prompt
from rig.plan import Plan
from rig.points import Points
from rig.progress import RunProgress, duration
from rig.watches import LampOnLimit

#: After the lamp is lit the light must be seen to rise within this time. [s]
LIGHT_DUE_S = 180.0
#: ... by more than this above the dark reading. [µmol m⁻² s⁻¹]
LIGHT_DUE_UMOL_M2_S = 3.0
#: While warming up, light is read this often, or four times in a block if that is shorter. [s]
LIGHT_EVERY_S = 10.0
#: Where a person reads the light off, it is asked for at this share of each block.
EARLY_SHARE = 0.1
#: A lamp counts as lit once it draws this share of its rated power.
LIT_SHARE = 0.1


class WarmUp:
    """The lamp between being lit and being stable.

    Parameters
    ----------
    plan : Plan
    rule : Rule
        When the lamp counts as stable.
    attendant : Attendant
    progress : RunProgress
    points : Points
    on_limit : LampOnLimit
        Told when the lamp is lit and when it is off.

    Attributes
    ----------
    is_lit, is_stable : bool
        What is known of the lamp.
    lit_s : float
        Elapsed time at which the lamp was last lit. [s]
    starts : int
        How often the lamp was lit since this program took it over.
    """

    def __init__(
        self,
        plan: Plan,
        rule: Rule,
        attendant: Attendant,
        progress: RunProgress,
        points: Points,
        on_limit: LampOnLimit,
    ) -> None:
        self._plan = plan
        self._rule = rule
        self._attendant = attendant
        self._progress = progress
        self._points = points
        self._clock = attendant.clock
        self._on_limit = on_limit
        self.lit_s = math.nan
        self.starts = 0
        self._burned_before_s = 0.0
        self._counts_from_s = math.nan
        self.is_lit = False
        self.is_stable = False

    def lamp_is_lit(self, dark_umol_m2_s: float) -> None:
        """See both instruments answer to a lamp that was just lit, and take note of it.

        A lamp counts as lit from when light or power shows it, not from when somebody said so:
        an answer given too soon must not shorten its time on.

        Raises
        ------
        RunStopped
            Light or wall power does not rise: a lamp that did not strike, a stuck sensor.
        """
        self._await_light(dark_umol_m2_s)

    def _note_lit(self) -> None:
        self._attendant.log.event("lamp-lit", self._plan.lamp.sample)
        self.lit_s = self._counts_from_s = self._clock.elapsed_s()
        self.starts += 1
        self.is_lit, self.is_stable = True, False
        self._on_limit.lit(self.lit_s)

    def lamp_burned_on(self, since_s: float) -> None:
        """Take over a lamp that was lit earlier in this run and is lit still. [s]"""
        self._attendant.log.event(BURNED_ON, self._plan.lamp.sample)
        self.lit_s, self._counts_from_s = since_s, self._clock.elapsed_s()
        self.is_lit, self.is_stable = True, False
        self._on_limit.lit(since_s)

    def lamp_was_lit(self) -> None:
        """Take over a lamp that somebody lit at a time not known: its time on counts from now."""
        self._note_lit()

    def lamp_is_off(self) -> None:
        """Take note that the lamp was switched off."""
        self._attendant.log.event("lamp-off", self._plan.lamp.sample)
        self._burned_before_s = self.burned_s()
        self.is_lit = self.is_stable = False
        self._on_limit.off()

    def burned_s(self) -> float:
        """Return how long the lamp has burned since this program took it over. [s]"""
        lit_now_s = self._clock.elapsed_s() - self._counts_from_s if self.is_lit else 0.0
        return self._burned_before_s + lit_now_s

    def _await_light(self, dark_umol_m2_s: float) -> None:
        """See both instruments answer to the lamp: a stuck one shows itself here."""
        dark = dark_umol_m2_s
        lit_w = LIT_SHARE * self._plan.lamp.rated_power_w
        place = self._points.at_reference("warm-up")
        begun_s = self._clock.elapsed_s()
        until_s = begun_s + LIGHT_DUE_S
        while True:
            self._attendant.read_power()
            light = self._attendant.read_light(place, 1)
            power_w = self._attendant.latest_power_w
            shines, draws = light > dark + LIGHT_DUE_UMOL_M2_S, power_w > lit_w
            if self._attendant.power_is_asked and math.isnan(power_w):
                draws = shines  # nobody reads a meter: the light has to do
            if (shines or draws) and not self.is_lit:
                self._note_lit()
            if shines and draws:
                return
            if self._clock.elapsed_s() > until_s:
                break
            self._progress.step(
                self._clock.elapsed_s() - begun_s,
                LIGHT_DUE_S,
                f"waiting for light: {light:.1f} µmol/m²/s, {power_w:.0f} W",
            )
            self._attendant.wait_until(self._clock.elapsed_s() + 1.0)
        if draws:
            raise faults.RunStopped(
                f"measurement fault: light sensor: still {light:.1f} µmol/m²/s {LIGHT_DUE_S:.0f} s "
                f"after lighting (dark {dark:.1f}), while the lamp draws {power_w:.0f} W. A stuck "
                "or covered sensor: take its cap off, check its cable, then resume the run."
            )
        raise faults.RunStopped(
            f"measurement fault: the wattmeter shows {power_w:.1f} W {LIGHT_DUE_S:.0f} s after "
            f"lighting (light {light:.1f} µmol/m²/s), expected above {lit_w:.0f} W. The lamp did "
            "not strike, or the meter is not in its feed. Switch off, let it cool, look."
        )

    def stabilise(self, since_s: float) -> None:
        """Park at the reference and wait until light and power both hold the rule."""
        rule, plan = self._rule, self._plan.warm_up
        self._attendant.log.event("warm-up-begun", "", rule.name)
        self._attendant.power_goes_to(self._points.place("warm-up"))
        self._progress.phase("Warm-up", rule.name)
        place = self._points.at_reference("warm-up")
        light: list[tuple[float, float]] = []
        is_keyed = self._points.is_keyed
        every_s = rule.block_s if is_keyed else min(LIGHT_EVERY_S, rule.block_s / 4.0)
        due_s = begun_s = self._clock.elapsed_s()
        next_block_s = begun_s + rule.block_s
        sample = 0
        while True:
            self._attendant.wait_until(due_s)
            self._attendant.read_power()
            sample += 1
            value = self._attendant.read_light(place, sample)
            now_s = self._clock.elapsed_s()
            light.append((now_s, value))
            due_s = self._next_block_s(now_s) if is_keyed else max(due_s + every_s, now_s)
            if now_s < next_block_s and not is_keyed:
                continue
            next_block_s += rule.block_s
            by_light, by_power = self._judge(light, since_s)
            self._progress.step(
                now_s - begun_s,
                plan.maximum_s,
                f"on {duration(now_s - self.lit_s)}  {value:.0f} µmol/m²/s  "
                f"{self._attendant.latest_power_w:.1f} W  {_holds(by_light, by_power)}",
            )
            if by_light.is_stable and by_power.is_stable:
                break
            if now_s - begun_s > plan.maximum_s:
                self._give_up_or_go_on(by_light, by_power)
                break
        self._attendant.log.event(
            "lamp-stable" if by_light.is_stable and by_power.is_stable else "warm-up-timeout",
            self._plan.lamp.sample,
            _both(by_light, by_power),
        )
        self._attendant.power_watch.expect(self._attendant.latest_power_w)
        self.is_stable = True
        self._attendant.log.acknowledge()

    def _next_block_s(self, now_s: float) -> float:
        """Return when a person is asked next: once in each block of the rule, early in it. [s]"""
        block_s = self._rule.block_s
        blocks = math.floor((now_s - self.lit_s) / block_s) + 1
        return self.lit_s + (blocks + EARLY_SHARE) * block_s

    def _judge(
        self, light: list[tuple[float, float]], since_s: float
    ) -> tuple[Judgement, Judgement]:
        power = [pair for pair in self._attendant.power_history if pair[0] >= since_s]

        def judged(pairs: list[tuple[float, float]]) -> Judgement:
            moments_s, values = np.array(pairs or [(math.nan, math.nan)]).T
            return judge(self._rule, moments_s, values, self.lit_s)

        by_light = judged(light)
        # Nobody reads a meter: the light has to do for both.
        return by_light, by_light if not power and self._attendant.power_is_asked else judged(power)

    def _give_up_or_go_on(self, by_light: Judgement, by_power: Judgement) -> None:
        after = duration(self._plan.warm_up.maximum_s)
        why = f"not stable after {after}; {_both(by_light, by_power)}"
        if self._plan.warm_up.on_timeout == "stop":
            self._attendant.log.event("warm-up-timeout", self._plan.lamp.sample, why)
            raise faults.RunStopped(
                f"measurement refused: the lamp is {why}. Find out why (mains, draught, lamp at "
                "the end of its life) or allow more time in warm_up.maximum_s."
            )
        self._progress.hold()
        question = f"The lamp is {why}. Map it all the same?"
        self._attendant.ask(Prompt(kind="timeout", text=question, choices=("stop", "go on")))


def _holds(by_light: Judgement, by_power: Judgement) -> str:
    if by_light.is_stable and by_power.is_stable:
        return "stable"
    waiting = [
        name
        for name, judgement in (("light", by_light), ("power", by_power))
        if not judgement.is_stable
    ]
    return "waiting for " + " and ".join(waiting)


def _both(by_light: Judgement, by_power: Judgement) -> str:
    power = "not read" if by_power is by_light else _measured(by_power)
    return f"light {_measured(by_light)}; power {power}"


def _measured(judgement: Judgement) -> str:
    numbers = (
        f"span {100 * judgement.span:.2f} %, slope at most {100 * judgement.slope_bound:.2f} % "
        "over the window"
    )
    return numbers + (f" ({judgement.reason})" if judgement.reason else "")
