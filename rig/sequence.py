"""The run: what is done in which order, from the dark reading to the last point.

The sequence knows the order and nothing of bytes, files or retries: the attendant
(`rig/attendant.py`) carries each step out with the log going on, and the fault table
(`rig/faults.py`) decides when a step has failed for good.
"""

from __future__ import annotations

import math
from collections.abc import Sequence as Series

import numpy as np
from attrs import define, evolve

from analysis.grid import Grid, serpentine
from analysis.quantities import MEASURED
from analysis.stabilisation import Judgement, Rule, judge
from rig import faults
from rig.attendant import Attendant
from rig.operator import Prompt
from rig.plan import Plan
from rig.progress import RunProgress, duration
from rig.rows import Place
from rig.safety import cautions_text

#: After the lamp is lit the light must be seen to rise within this time. [s]
LIGHT_DUE_S = 180.0
#: ... by more than this above the dark reading. [µmol m⁻² s⁻¹]
LIGHT_DUE_UMOL_M2_S = 3.0
#: A lamp counts as lit once it draws this share of its rated power.
LIT_SHARE = 0.1
#: So many neighbouring points with the very same reading mean a stuck sensor: a lamp's field
#: has a slope, and noise, nearly everywhere.
STUCK_POINTS = 6
#: Dark above this share of the smallest value expected is read at every point.
DARK_SHARE = 0.01
#: Share of a bare lamp's flux that reaches the weakest corner, per plane area, at the very
#: least; only used to judge the dark reading (common practice, no source).
WEAKEST_SHARE = 0.2


@define
class _Stay:
    """One mounting height under one hanging of the device."""

    mounting_height_mm: float
    installation: int


class Sequence:
    """One device under test through all its heights.

    Parameters
    ----------
    plan : Plan
    grid : Grid
    rule : Rule
        When the lamp counts as stable.
    attendant : Attendant
    progress : RunProgress
    """

    def __init__(
        self, plan: Plan, grid: Grid, rule: Rule, attendant: Attendant, progress: RunProgress
    ) -> None:
        self._plan = plan
        self._grid = grid
        self._rule = rule
        self._attendant = attendant
        self._progress = progress
        self._clock = attendant.clock
        self._reference = self._first_reference()
        self._lit_s = math.nan
        self._stay = _Stay(plan.heights.mounting_height_mm[0], 1)
        self._dark_mean = 0.0
        self._has_axis = attendant.instruments.stage.has_height_axis

    def run(self) -> None:
        """Go through the whole run.

        Raises
        ------
        RunStopped
            The run ends early; everything read until then is on disk.
        """
        self._prepare()
        self._hang(self._stay.mounting_height_mm)
        self._dark()
        self._light()
        self._stabilise(self._lit_s)
        if self._plan.sampling.quick_look:
            self._quick_look()
        for number, height_mm in enumerate(self._plan.heights.mounting_height_mm):
            if number:
                self._change_height(height_mm)
            means = self._map()
            self._choose_reference(means)
        self._finish()

    # -- phases ---------------------------------------------------------------------------

    def _prepare(self) -> None:
        self._progress.phase("Cautions")
        self._ask(
            "cautions",
            cautions_text(self._plan.lamp.kind)
            + "\n\nThe stage will move. Have you read this, and is the test area clear?",
            ("yes", "stop"),
        )
        self._attendant.event("caution-acknowledged", self._plan.test.operator)
        self._progress.phase("Instruments")
        self._attendant.identify()
        self._attendant.home()

    def _hang(self, height_mm: float) -> None:
        if self._has_axis:
            x_mm, y_mm = self._xy(self._reference)
            self._attendant.move(x_mm, y_mm, height_mm)
            return
        self._ask(
            "height",
            f"Hang {self._plan.device.name} so that the mounting height is {height_mm:.0f} mm, "
            "lamp off and isolated. Measure it from the lamp's datum to the sensor's diffuser.",
            value_mm=height_mm,
        )

    def _dark(self) -> None:
        plan = self._plan.dark
        if plan.points == 0:
            self._attendant.event("dark-skipped", "", plan.skip_reason)
            return
        self._ask(
            "lamp-off",
            "Dark reading: the lamp must be OFF and the area closed as for the map. "
            "Check that nothing glows, then answer.",
        )
        self._attendant.event("dark-begun")
        everywhere = list(serpentine(self._grid))
        few = everywhere if plan.points == "all" else self._spread_points(int(plan.points))
        self._progress.phase("Dark reading", f"{len(few)} points")
        place = self._place("dark")
        self._attendant.power_goes_to(evolve(place, mounting_height_mm=None))
        values = [np.nanmean(self._visit(index, place)) for index in few]
        limit = DARK_SHARE * self._weakest_expected()
        if abs(float(np.mean(values))) > limit and len(few) < len(everywhere):
            rest = [index for index in everywhere if index not in few]
            self._attendant.event(
                "note",
                "light_sensor",
                f"dark mean {np.mean(values):.2f} µmol/m²/s is above 1 % of the weakest value "
                f"expected ({limit:.2f}): the whole grid is read dark",
            )
            for index in rest:
                self._visit(index, place)
        self._dark_mean = float(np.mean(values))

    def _light(self) -> None:
        x_mm, y_mm = self._xy(self._reference)
        self._attendant.move(x_mm, y_mm)
        self._attendant.power_goes_to(self._place("warm-up"))
        self._ask(
            "lamp-on",
            "Light the lamp now, by hand. Close the area, step back. "
            "Never restrike a lamp that has not had its minimum off time "
            f"({duration(self._plan.lamp.minimum_off_s)}).",
        )
        self._attendant.event("lamp-lit", self._plan.lamp.sample)
        self._lit_s = self._clock.elapsed_s()
        self._await_light()

    def _await_light(self) -> None:
        """See both instruments answer to the lamp: a stuck one shows itself here."""
        dark = self._dark_mean
        lit_w = LIT_SHARE * self._plan.lamp.rated_power_w
        place = self._at_reference("warm-up")
        until_s = self._lit_s + LIGHT_DUE_S
        while True:
            light = self._attendant.read_light(place, 1)
            power_w = self._attendant.latest_power_w
            if light > dark + LIGHT_DUE_UMOL_M2_S and power_w > lit_w:
                return
            if self._clock.elapsed_s() > until_s:
                break
            self._progress.step(
                self._clock.elapsed_s() - self._lit_s,
                LIGHT_DUE_S,
                f"waiting for light: {light:.1f} µmol/m²/s, {power_w:.0f} W",
            )
            self._attendant.wait_until(self._clock.elapsed_s() + 1.0)
        if power_w > lit_w:
            raise faults.RunStopped(
                f"measurement fault: light sensor: still {light:.1f} µmol/m²/s {LIGHT_DUE_S:.0f} s "
                f"after lighting (dark {dark:.1f}), while the lamp draws {power_w:.0f} W. A stuck "
                "or covered sensor: take its cap off, check its cable, begin a new run."
            )
        raise faults.RunStopped(
            f"measurement fault: the wattmeter shows {power_w:.1f} W {LIGHT_DUE_S:.0f} s after "
            f"lighting (light {light:.1f} µmol/m²/s), expected above {lit_w:.0f} W. The lamp did "
            "not strike, or the meter is not in its feed. Switch off, let it cool, look."
        )

    def _stabilise(self, since_s: float) -> None:
        """Park at the reference and wait until light and power both hold the rule."""
        rule, plan = self._rule, self._plan.warm_up
        self._attendant.event("warm-up-begun", "", rule.name)
        self._attendant.power_goes_to(self._place("warm-up"))
        self._progress.phase("Warm-up", rule.name)
        place = self._at_reference("warm-up")
        light: list[tuple[float, float]] = []
        every_s = min(5.0, rule.block_s / 4.0)
        due_s = begun_s = self._clock.elapsed_s()
        next_block_s = begun_s + rule.block_s
        sample = 0
        while True:
            self._attendant.wait_until(due_s)
            sample += 1
            value = self._attendant.read_light(place, sample)
            now_s = self._clock.elapsed_s()
            light.append((now_s, value))
            due_s = max(due_s + every_s, now_s)
            if now_s < next_block_s:
                continue
            next_block_s += rule.block_s
            by_light, by_power = self._judge(light, since_s)
            self._progress.step(
                now_s - begun_s,
                plan.maximum_s,
                f"on {duration(now_s - self._lit_s)}  {value:.0f} µmol/m²/s  "
                f"{self._attendant.latest_power_w:.1f} W  {_holds(by_light, by_power)}",
            )
            if by_light.is_stable and by_power.is_stable:
                break
            if now_s - begun_s > plan.maximum_s:
                self._give_up_or_go_on(by_light, by_power)
                break
        self._attendant.event(
            "lamp-stable" if by_light.is_stable and by_power.is_stable else "warm-up-timeout",
            self._plan.lamp.sample,
            f"light {_measured(by_light)}; power {_measured(by_power)}",
        )
        self._attendant.watch_power(self._attendant.latest_power_w)
        self._attendant.acknowledge()

    def _judge(
        self, light: list[tuple[float, float]], since_s: float
    ) -> tuple[Judgement, Judgement]:
        power = [pair for pair in self._attendant.power_history if pair[0] >= since_s]
        first, second = (
            judge(self._rule, *np.array(pairs or [(math.nan, math.nan)]).T, on_since_s=self._lit_s)
            for pairs in (light, power)
        )
        return first, second

    def _give_up_or_go_on(self, by_light: Judgement, by_power: Judgement) -> None:
        after = duration(self._plan.warm_up.maximum_s)
        why = f"not stable after {after}; light {_measured(by_light)}; power {_measured(by_power)}"
        if self._plan.warm_up.on_timeout == "stop":
            self._attendant.event("warm-up-timeout", self._plan.lamp.sample, why)
            raise faults.RunStopped(
                f"measurement refused: the lamp is {why}. Find out why (mains, draught, lamp at "
                "the end of its life) or allow more time in warm_up.maximum_s."
            )
        self._ask("timeout", f"The lamp is {why}. Map it all the same?", ("stop", "go on"))

    def _quick_look(self) -> None:
        few = self._spread_points(5)
        self._attendant.event("quick-look")
        self._progress.phase("Quick look", f"{len(few)} points")
        self._attendant.power_goes_to(self._place("background"))
        values = [float(np.nanmean(self._visit(i, self._place("quick-look")))) for i in few]
        self._progress.phase("", "  ".join(f"{value:.0f}" for value in values) + " µmol/m²/s")

    def _map(self) -> np.ndarray:
        """Read every point of the grid in a serpentine, the reference point in between."""
        height_mm, plan = self._stay.mounting_height_mm, self._plan.sampling
        self._attendant.event(
            "map-begun",
            self._plan.device.name,
            f"installation {self._stay.installation}, mounting height {height_mm:g} mm",
        )
        self._attendant.power_goes_to(self._place("background"))
        order = [int(index) for index in serpentine(self._grid)]
        self._progress.phase("Map", f"{len(order)} points at {height_mm:.0f} mm")
        means = np.full(len(order), math.nan)
        spreads = np.full(len(order), math.nan)
        begun_s = self._clock.elapsed_s()
        self._visit_reference()
        recent: list[float] = []
        for done, index in enumerate(order):
            if done and done % plan.reference_every == 0:
                self._visit_reference()
            left_s = (self._clock.elapsed_s() - begun_s) / max(done, 1) * (len(order) - done)
            read = means[~np.isnan(means)]
            self._progress.step(
                done,
                len(order),
                f"{self._place('grid', index).words}  mean so far "
                f"{read.mean() if read.size else math.nan:.0f} µmol/m²/s  "
                f"{self._attendant.latest_power_w:.1f} W",
                left_s if done else None,
            )
            values = self._visit(index, self._place("grid"))
            means[index], spreads[index] = np.nanmean(values), np.ptp(values)
            recent = [*recent, *values][-STUCK_POINTS * plan.samples_per_point :]
            self._refuse_stuck(recent)
        self._visit_reference()
        self._offer_rereading(means, spreads)
        self._attendant.event("map-ended", self._plan.device.name)
        self._attendant.acknowledge()
        return means

    def _refuse_stuck(self, recent: Series[float]) -> None:
        samples = self._plan.sampling.samples_per_point
        if len(recent) >= STUCK_POINTS * samples and len(set(recent)) == 1:
            raise faults.RunStopped(
                f"measurement fault: light sensor: {recent[-1]:g} µmol/m²/s at each of the last "
                f"{STUCK_POINTS} points, where a slope is due. A stuck sensor: check its cable and "
                "that the stage really moves, begin a new run."
            )

    def _offer_rereading(self, means: np.ndarray, spreads: np.ndarray) -> None:
        """Before the lamp goes off, offer the points whose samples disagree to be read again."""
        usual = np.nanmedian(spreads)
        suspect = [
            int(index) for index in np.flatnonzero(spreads > np.maximum(6.0 * usual, 0.02 * means))
        ]
        if not suspect:
            return
        named = "; ".join(self._place("grid", index).words for index in suspect[:8])
        answer = self._ask(
            "suspect",
            f"The samples disagree more than usual at {len(suspect)} points ({named}). "
            "Read them again while the lamp is lit?",
            ("re-read", "keep", "stop"),
        )
        if answer == "re-read":
            for index in suspect:
                means[index] = np.nanmean(self._visit(index, self._place("grid")))
            self._visit_reference()

    def _change_height(self, height_mm: float) -> None:
        if self._has_axis:
            self._stay = evolve(self._stay, mounting_height_mm=height_mm)
            x_mm, y_mm = self._xy(self._reference)
            self._attendant.watch_power(None)
            self._attendant.move(x_mm, y_mm, height_mm)
            self._stabilise(self._clock.elapsed_s())
            return
        off_s = self._plan.lamp.minimum_off_s
        self._attendant.watch_power(None)
        self._ask(
            "lamp-off",
            "Next height. Switch the lamp OFF, isolate it, and let it cool before you touch "
            "anything. Answer when it is off.",
        )
        self._attendant.event("lamp-off", self._plan.lamp.sample)
        off_since_s = self._clock.elapsed_s()
        self._stay = _Stay(height_mm, self._stay.installation + 1)
        self._progress.phase("Cooling", duration(off_s))
        self._attendant.wait_until(off_since_s + off_s)
        self._hang(height_mm)
        self._light()
        self._stabilise(self._lit_s)

    def _finish(self) -> None:
        self._attendant.watch_power(None)
        x_mm, y_mm = self._xy(self._reference)
        self._attendant.move(x_mm, y_mm)
        self._attendant.event("run-ended", "", "complete")
        self._attendant.acknowledge()
        self._progress.phase("Done", "All points are read. Switch the lamp off.")

    # -- pieces ---------------------------------------------------------------------------

    def _visit(self, index: int, place: Place) -> np.ndarray:
        """Go to a point, settle, take the samples, and have them on disk before moving on."""
        x_mm, y_mm = self._xy(index)
        reached = self._attendant.move(x_mm, y_mm)
        still_s = self._attendant.instruments.stage.still_since_s
        begun_s = self._clock.elapsed_s() if still_s is None else still_s
        self._attendant.wait_until(begun_s + self._plan.sampling.settle_s)
        here = evolve(self._place(place.role, index), x_mm=reached.x_mm, y_mm=reached.y_mm)
        count = self._plan.sampling.samples_per_point
        values = np.array([self._sample(here, number + 1) for number in range(count)])
        self._attendant.acknowledge()
        return values

    def _sample(self, place: Place, number: int) -> float:
        """Take one sample; what cannot be true is kept, marked, and read again."""
        tries = 0
        while True:
            value = self._attendant.read_light(place, number)
            fault = self._implausible(value, place)
            if fault is None:
                return value
            tries += 1
            pause_s = faults.retry_pause_s(fault, tries)
            self._attendant.event("retry" if tries > 1 else "fault", "light_sensor", str(fault))
            if pause_s is None:
                raise faults.stop_for(fault, tries)
            self._attendant.wait_until(self._clock.elapsed_s() + pause_s)

    def _implausible(self, value: float, place: Place) -> faults.ImplausibleLight | None:
        low, high = MEASURED["ppfd_umol_m2_s"].plausible
        if math.isnan(value):
            received = "the sensor says that it has no value"
        elif not low <= value <= high:
            received = f"{value:g} µmol/m²/s, allowed {low:g} to {high:g}"
        else:
            return None
        return faults.ImplausibleLight(
            f"light sensor at {place.words}: {received}. Check the sensor and its cable."
        )

    def _visit_reference(self) -> None:
        self._visit(self._reference, self._place("reference"))

    def _ask(
        self,
        kind: str,
        text: str,
        choices: tuple[str, ...] = ("done", "stop"),
        value_mm: float | None = None,
    ) -> str:
        self._progress.hold()
        return self._attendant.ask(Prompt(kind=kind, text=text, choices=choices, value_mm=value_mm))

    def _xy(self, index: int) -> tuple[float, float]:
        return float(self._grid.x_mm[index]), float(self._grid.y_mm[index])

    def _place(self, role: str, index: int | None = None) -> Place:
        return Place(
            role=role,
            installation=self._stay.installation,
            grid_row=None if index is None else int(self._grid.row[index]),
            grid_column=None if index is None else int(self._grid.column[index]),
            mounting_height_mm=self._stay.mounting_height_mm,
        )

    def _at_reference(self, role: str) -> Place:
        x_mm, y_mm = self._xy(self._reference)
        return evolve(self._place(role, self._reference), x_mm=x_mm, y_mm=y_mm)

    def _spread_points(self, count: int) -> list[int]:
        """Choose so many points, the centre first, then as far from the chosen ones as can be."""
        x_mm, y_mm = self._grid.x_mm, self._grid.y_mm
        chosen = [self._centre()]
        while len(chosen) < min(count, len(x_mm)):
            away = np.min([np.hypot(x_mm - x_mm[i], y_mm - y_mm[i]) for i in chosen], axis=0)
            chosen.append(int(np.argmax(away)))
        return chosen

    def _centre(self) -> int:
        x_mm, y_mm = self._grid.x_mm, self._grid.y_mm
        middle_x, middle_y = (x_mm.min() + x_mm.max()) / 2, (y_mm.min() + y_mm.max()) / 2
        return int(np.argmin(np.hypot(x_mm - middle_x, y_mm - middle_y)))

    def _first_reference(self) -> int:
        """The planned point; else the cell nearest the centre, where a lamp's field is flattest."""
        planned = self._plan.sampling.reference_point
        if planned == "auto":
            return self._centre()
        row, column = planned
        found = np.flatnonzero((self._grid.row == row) & (self._grid.column == column))
        return int(found[0])

    def _choose_reference(self, means: np.ndarray) -> None:
        """With a map at hand, take the cell of the lowest slope for the maps to come."""
        if self._plan.sampling.reference_point != "auto":
            return
        matrix = self._grid.to_matrix(means)
        if min(matrix.shape) < 3:
            return
        slope = np.hypot(*np.gradient(matrix)) / matrix
        inner = np.full(matrix.shape, math.nan)
        inner[1:-1, 1:-1] = slope[1:-1, 1:-1]
        if np.isnan(inner).all():
            return
        row, column = np.unravel_index(int(np.nanargmin(inner)), matrix.shape)
        found = np.flatnonzero((self._grid.row == row) & (self._grid.column == column))
        self._reference = int(found[0])
        self._attendant.event(
            "reference-chosen",
            self._place("reference", self._reference).words,
            f"lowest slope, {100 * inner[row, column]:.2f} % a cell",
        )

    def _weakest_expected(self) -> float:
        flux = self._plan.lamp.rated_flux_umol_s
        if flux is None:
            # About 1.7 µmol/J for discharge lamps: common practice, no source.
            flux = 1.7 * self._plan.lamp.rated_power_w
        return WEAKEST_SHARE * flux / self._grid.area_m2


def _holds(by_light: Judgement, by_power: Judgement) -> str:
    if by_light.is_stable and by_power.is_stable:
        return "stable"
    waiting = [
        name
        for name, judgement in (("light", by_light), ("power", by_power))
        if not judgement.is_stable
    ]
    return "waiting for " + " and ".join(waiting)


def _measured(judgement: Judgement) -> str:
    numbers = (
        f"span {100 * judgement.span:.2f} %, slope at most {100 * judgement.slope_bound:.2f} % "
        "over the window"
    )
    return numbers + (f" ({judgement.reason})" if judgement.reason else "")
