"""What a run will do in which order, how long that takes, and how much energy.

From plan and profile alone, by the same order as `rig/sequence.py`. What cannot be known
beforehand is assumed, and each assumption is a sentence of the result. Warm-up is its least:
a lamp that is not stable by then takes longer, up to ``warm_up.maximum_s`` each time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any, Final

from attrs import frozen

from analysis.grid import Grid, grid_from_plan, serpentine
from analysis.replicates import replicate_words
from analysis.stabilisation import Rule, rule_from_plan
from drivers.contracts import Position
from drivers.gcode import travel
from drivers.registry import KINDS
from rig.course import Stay, height_to_check, stays
from rig.plan import Plan
from rig.points import first_reference, spread_points
from rig.profile import Profile
from rig.progress import duration
from rig.return_check import POINTS

#: What a person takes to do what is asked and to answer. [s]
ANSWER_S: Final = 20.0
#: What reading a display off once more takes. [s]
TYPING_S: Final = 6.0
#: From lighting until light and power have risen enough to be seen. [s]
RISE_S: Final = 5.0
#: Confirming that the stage stands: two reports in a row, 0.2 s apart, and the lines. [s]
CONFIRM_S: Final = 0.23
#: What asking takes on the slowest bus, beside the measurement itself. [s]
ASKING_S: Final = 0.3
#: Homing in the plane is done at this share of the speed of a move.
HOMING_SHARE: Final = 0.5
#: Wall power for one watt of the lamp: losses of the ballast.
WALL_PER_LAMP_W: Final = {"electronic": 1.07, "magnetic": 1.10, "none": 1.0}
WALL_PER_LAMP_W_OTHERWISE: Final = 1.08
#: Length of a row of readings.csv, and how many quantities a wattmeter gives. [bytes]
ROW_BYTES: Final = 220
POWER_ROWS: Final = 5


@frozen(kw_only=True)
class Step:
    """One step of a run.

    Attributes
    ----------
    what : str
        What is done.
    duration_s : float
        [s]
    lamp_is_lit : bool
    at_least : bool
        The duration is the least; the lamp decides.
    """

    what: str
    duration_s: float
    lamp_is_lit: bool = False
    at_least: bool = False


@frozen(kw_only=True)
class Estimate:
    """Steps, sums and what they rest on.

    Attributes
    ----------
    steps : tuple of Step
    wall_power_w : float
        Assumed while the lamp is lit. [W]
    assumptions : tuple of str
        Each a sentence.
    row_bytes : float
        What the readings will take on disk. [bytes]
    """

    steps: tuple[Step, ...]
    wall_power_w: float
    assumptions: tuple[str, ...]
    row_bytes: float

    @property
    def duration_s(self) -> float:
        """The whole run. [s]"""
        return sum(step.duration_s for step in self.steps)

    @property
    def lit_s(self) -> float:
        """How long the lamp is lit. [s]"""
        return sum(step.duration_s for step in self.steps if step.lamp_is_lit)

    @property
    def energy_kwh(self) -> float:
        """What ballast and lamp take from the wall. [kWh]"""
        return self.wall_power_w * self.lit_s / 3.6e6


def estimate(plan: Plan, profile: Profile, *, light_reading_s: float | None = None) -> Estimate:
    """Estimate a run.

    Parameters
    ----------
    plan : Plan
        A plan for a run, which the profile's rig can do.
    profile : Profile
    light_reading_s : float, optional
        Time one light reading was seen to take. Default: as the profile lets expect. [s]
    """
    sensor = profile.light_sensor.options
    reading_s = light_reading_s or sensor.averaging_s + sensor.lag_s + ASKING_S
    is_keyed = KINDS[profile.light_sensor.kind].by_hand
    if is_keyed:
        # The first is part of what a person takes for a point.
        reading_s = TYPING_S * (1.0 - 1.0 / plan.sampling.samples_per_point)
    course = _Course(plan, profile, reading_s)
    steps = tuple(course.steps())
    share = WALL_PER_LAMP_W.get(plan.ballast.kind, WALL_PER_LAMP_W_OTHERWISE)
    total_s = sum(step.duration_s for step in steps)
    return Estimate(
        steps=steps,
        wall_power_w=plan.lamp.rated_power_w * share,
        assumptions=(
            f"A person takes {ANSWER_S:.0f} s for each thing that is asked (our assumption).",
            "The lamp is stable at the first moment that its rule allows; each warm-up may take up "
            f"to {duration(plan.warm_up.maximum_s)}.",
            *(
                ["The relay finds the lamp off for its minimum off time; else it waits for that."]
                if plan.lamp.switching == "relay"
                else []
            ),
            *(
                [
                    f"One light reading takes {reading_s:.2f} s "
                    + ("(as just seen)." if light_reading_s else "(from averaging_s and lag_s).")
                ]
                if not is_keyed
                else []
            ),
            (
                f"A person takes {profile.stage.options.point_s:g} s for a point (stage.point_s)."
                if profile.is_by_hand
                else f"Moves at the speeds of the profile, {CONFIRM_S:.2f} s to confirm each; "
                "homing from mid-travel, at half of it in the plane (our assumption)."
            ),
            f"Wall power is {share:.2f} times the rated lamp power for ballast "
            f"'{plan.ballast.kind}' (common practice, no source).",
        ),
        row_bytes=ROW_BYTES * POWER_ROWS * total_s / plan.sampling.power_interval_s,
    )


class _Course:
    """Walks through a run as the sequence will, adding up the time."""

    def __init__(self, plan: Plan, profile: Profile, reading_s: float) -> None:
        self._plan = plan
        self._stage: Any = profile.stage.options
        self._by_hand = profile.is_by_hand
        self._has_axis = self._stage.travel_z_mm is not None
        self._grid: Grid = grid_from_plan(plan.raw)
        self._rule: Rule = rule_from_plan(plan.raw)
        self._reading_s = reading_s
        self._is_keyed = KINDS[profile.light_sensor.kind].by_hand
        self._reference = first_reference(plan, self._grid)
        self._at = self._home()
        self._by_relay = plan.lamp.switching == "relay" and plan.lamp.armed
        # The relay does without asking what a person is asked for.
        self._switching_s = 0.0 if self._by_relay else ANSWER_S

    def steps(self) -> Iterator[Step]:
        plan = self._plan
        course = stays(plan, has_height_axis=self._has_axis)
        yield Step(what="cautions, to be acknowledged", duration_s=ANSWER_S)
        homing = "" if self._by_hand else "; the stage homes"
        yield Step(what=f"instruments say who they are{homing}", duration_s=self._homing())
        yield self._hang(course[0])
        if plan.dark.points != 0:
            few = self._dark_points()
            yield Step(
                what=f"dark reading at {len(few)} points, lamp off",
                duration_s=self._switching_s + self._visits(few),
            )
        yield self._light()
        yield from self._warm_up("warm-up", on_before_s=0.0)
        if plan.sampling.quick_look:
            yield Step(
                what="quick look at 5 points",
                duration_s=self._visits(spread_points(self._grid, 5)),
                lamp_is_lit=True,
            )
        for before, stay in zip((None, *course), course, strict=False):
            if before is not None:
                yield from self._change_to(stay, before)
            yield Step(
                what=f"map of {len(self._grid)} points at {stay.mounting_height_mm:g} mm"
                + replicate_words(stay.replicate),
                duration_s=self._visits(self._map_order()),
                lamp_is_lit=True,
            )
        if check := height_to_check(plan, course, has_height_axis=self._has_axis):
            yield from self._change_to(check, course[-1])
            yield Step(
                what=f"return check of {POINTS} points at {check.mounting_height_mm:g} mm",
                duration_s=self._visits(spread_points(self._grid, POINTS)),
                lamp_is_lit=True,
            )
        if self._by_hand:
            yield Step(what="the lamp is switched off", duration_s=0.0, lamp_is_lit=True)
            return
        yield Step(what="park; the lamp is switched off", duration_s=self._park(), lamp_is_lit=True)

    def _light(self) -> Step:
        who = "the RELAY, without asking" if self._by_relay else "a person"
        return Step(what=f"the lamp is lit by {who}", duration_s=self._park() + self._switching_s)

    def _hang(self, stay: Stay) -> Step:
        """Only a height axis under the first hanging asks nobody for anything."""
        height_mm = stay.mounting_height_mm
        if self._has_axis and stay.installation == 1:
            return Step(
                what=f"drive to mounting height {height_mm:g} mm", duration_s=self._park(height_mm)
            )
        driving_s = self._park(height_mm) if self._has_axis else 0.0
        return Step(
            what=f"hang the device {height_mm:g} mm high, by hand", duration_s=driving_s + ANSWER_S
        )

    def _dark_points(self) -> list[int]:
        points = self._plan.dark.points
        if points == "all":
            return [int(index) for index in serpentine(self._grid)]
        return spread_points(self._grid, int(points))

    def _warm_up(self, what: str, *, on_before_s: float) -> Iterator[Step]:
        """Until the first end of a block at which the rule can hold."""
        rule = self._rule
        if not on_before_s:
            yield Step(what="light and power rise", duration_s=RISE_S, lamp_is_lit=True)
            on_before_s = RISE_S
        least_s = max(rule.minimum_on_s - on_before_s, rule.blocks * rule.block_s)
        yield Step(
            what=f"{what}, rule '{rule.name}'",
            duration_s=math.ceil(least_s / rule.block_s - 1e-9) * rule.block_s,
            lamp_is_lit=True,
            at_least=True,
        )

    def _change_to(self, stay: Stay, before: Stay) -> Iterator[Step]:
        if stay.is_where(before):
            return
        if stay.installation == before.installation:
            yield Step(
                what=f"drive to mounting height {stay.mounting_height_mm:g} mm",
                duration_s=self._park(stay.mounting_height_mm),
                lamp_is_lit=True,
            )
            yield from self._warm_up("steady again", on_before_s=math.inf)
            return
        off_s = self._plan.lamp.minimum_off_s
        yield Step(what="lamp off, isolated; cooling", duration_s=self._switching_s + off_s)
        yield self._hang(stay)
        yield self._light()
        yield from self._warm_up("warm-up", on_before_s=0.0)

    def _map_order(self) -> Iterator[int]:
        yield self._reference
        for done, index in enumerate(serpentine(self._grid)):
            if done and done % self._plan.sampling.reference_every == 0:
                yield self._reference
            yield int(index)
        yield self._reference

    # -- times ------------------------------------------------------------------------------

    def _home(self) -> Position:
        """Where homing ends, as far as can be assumed: at the lower ends, the height at its top."""
        stage = self._stage
        if self._by_hand:
            return Position(math.nan, math.nan)
        return Position(
            stage.travel_x_mm[0] - stage.x_at_origin_mm,
            stage.travel_y_mm[0] - stage.y_at_origin_mm,
            stage.travel_z_mm[1] if self._has_axis else None,
        )

    def _homing(self) -> float:
        """Assume that each axis stands in the middle of its travel. [s]"""
        stage = self._stage
        if self._by_hand:
            return 0.0
        ways_s = [
            (high - low) / 2 / speed
            for (low, high), speed in (
                (stage.travel_x_mm, HOMING_SHARE * stage.speed_mm_s),
                (stage.travel_y_mm, HOMING_SHARE * stage.speed_mm_s),
                *([(stage.travel_z_mm, stage.height_speed_mm_s)] if self._has_axis else []),
            )
        ]
        return stage.banner_within_s + max(ways_s)

    def _move(self, x_mm: float, y_mm: float, z_mm: float | None = None) -> float:
        target = Position(x_mm, y_mm, self._at.z_mm if z_mm is None else z_mm)
        if self._by_hand:
            self._at, before = target, self._at
            is_there = target == before and not self._is_keyed  # which is read off all the same
            return 0.0 if is_there else self._stage.point_s
        moving_s = travel.travel_s(self._stage, self._at, target)
        self._at = target
        return moving_s

    def _park(self, height_mm: float | None = None) -> float:
        if self._is_keyed:  # where to read is said as the value is asked for
            return 0.0
        x_mm, y_mm = self._grid.x_mm[self._reference], self._grid.y_mm[self._reference]
        return self._move(float(x_mm), float(y_mm), height_mm) + CONFIRM_S

    def _visits(self, indices: Iterable[int]) -> float:
        sampling = self._plan.sampling
        settle_s = max(CONFIRM_S, sampling.settle_s)
        if self._by_hand:  # a sensor on a port has settled once it is steady
            steady_s = self._stage.step_back_s + settle_s + self._stage.steady_window_s
            settle_s = 0.0 if self._is_keyed else steady_s
        return sum(
            self._move(float(self._grid.x_mm[index]), float(self._grid.y_mm[index]))
            # Settling is counted from standing, which is confirmed meanwhile.
            + settle_s
            + sampling.samples_per_point * self._reading_s
            for index in indices
        )
