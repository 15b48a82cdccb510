"""The run: what is done in which order, from the dark reading to the last point.

The sequence knows the order and nothing of bytes, files or retries: the attendant
(`rig/attendant.py`) carries each step out with the log going on, and the fault table
(`rig/faults.py`) decides when a step has failed for good.
"""

from __future__ import annotations

import math
from collections.abc import Sequence as Series

import numpy as np
from attrs import evolve

from analysis.grid import Grid, serpentine
from analysis.stabilisation import Rule
from rig import faults
from rig.attendant import Attendant
from rig.lamp import Lamp
from rig.operator import Prompt
from rig.plan import Plan
from rig.points import Points, Stay, spread_points
from rig.progress import RunProgress, duration
from rig.safety import cautions_text
from rig.warm_up import WarmUp

#: So many neighbouring points with the very same reading mean a stuck sensor: a lamp's field
#: has a slope, and noise, nearly everywhere.
STUCK_POINTS = 6
#: Dark above this share of the smallest value expected is read at every point.
DARK_SHARE = 0.01
#: Share of a bare lamp's flux that reaches the weakest corner, per plane area, at the very
#: least; only used to judge the dark reading (common practice, no source).
WEAKEST_SHARE = 0.2
#: Added to the last prompt before a lamp is lit by program.
RELAY_LIGHTS = (
    " Then close the isolator and the area, and step back before you answer: after that the relay "
    "lights the lamp without asking."
)


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
    lamp : Lamp
        Who lights it, and how it goes off.

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
    ) -> None:
        self._plan = plan
        self._grid = grid
        self._attendant = attendant
        self._progress = progress
        self._lamp = lamp
        self._clock = attendant.clock
        self._points = Points(plan, grid, attendant)
        self.warm_up = WarmUp(plan, rule, attendant, progress, self._points)
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
        self._hang(self._points.stay.mounting_height_mm)
        self._dark()
        self._light()
        self.warm_up.stabilise(self.warm_up.lit_s)
        if self._plan.sampling.quick_look:
            self._quick_look()
        _, *further_mm = self._plan.heights.mounting_height_mm
        means = self._map()
        for height_mm in further_mm:
            self._points.choose_reference(means)
            self._change_height(height_mm)
            means = self._map()
        self._finish()

    # -- phases ---------------------------------------------------------------------------

    def _prepare(self) -> None:
        by_relay = self._lamp.is_lit_by_relay
        self._progress.phase("Cautions")
        self._ask(
            "cautions",
            cautions_text(self._plan.lamp.kind)
            + "\n\nThe stage will move. "
            + ("The relay will light the lamp without asking. " if by_relay else "")
            + "Have you read this, and is the test area clear?",
            ("yes", "stop"),
        )
        self._attendant.log.event("caution-acknowledged", self._plan.test.operator)
        self._progress.phase("Instruments")
        self._attendant.identify()
        self._attendant.home()

    def _hang(self, height_mm: float) -> None:
        if self._has_axis:
            self._points.park(height_mm)
            return
        self._ask(
            "height",
            f"Hang {self._plan.device.name} so that the mounting height is {height_mm:.0f} mm, "
            "lamp off and isolated. Measure it from the lamp's datum to the sensor's diffuser."
            + (RELAY_LIGHTS if self._lamp.is_lit_by_relay else ""),
            value_mm=height_mm,
        )

    def _dark(self) -> None:
        plan = self._plan.dark
        if plan.points == 0:
            self._attendant.log.event("dark-skipped", "", plan.skip_reason)
            return
        if not self._lamp.is_lit_by_relay:
            self._ask(
                "lamp-off",
                "Dark reading: the lamp must be OFF and the area closed as for the map. "
                "Check that nothing glows, then answer.",
            )
        self._attendant.log.event("dark-begun")
        everywhere = list(serpentine(self._grid))
        few = everywhere if plan.points == "all" else spread_points(self._grid, int(plan.points))
        self._progress.phase("Dark reading", f"{len(few)} points")
        place = self._points.place("dark")
        self._attendant.power_goes_to(evolve(place, mounting_height_mm=None))
        values = [np.nanmean(self._points.visit(index, place)) for index in few]
        limit = DARK_SHARE * self._weakest_expected()
        if abs(float(np.mean(values))) > limit and len(few) < len(everywhere):
            rest = [index for index in everywhere if index not in few]
            self._attendant.log.event(
                "note",
                "light_sensor",
                f"dark mean {np.mean(values):.2f} µmol/m²/s is above 1 % of the weakest value "
                f"expected ({limit:.2f}): the whole grid is read dark",
            )
            for index in rest:
                self._points.visit(index, place)
        self._dark_mean = float(np.mean(values))

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
        values = [
            float(np.nanmean(self._points.visit(i, self._points.place("quick-look")))) for i in few
        ]
        self._progress.phase("", "  ".join(f"{value:.0f}" for value in values) + " µmol/m²/s")

    def _map(self) -> np.ndarray:
        """Read every point of the grid in a serpentine, the reference point in between."""
        height_mm, plan = self._points.stay.mounting_height_mm, self._plan.sampling
        self._attendant.log.event(
            "map-begun",
            self._plan.device.name,
            f"installation {self._points.stay.installation}, mounting height {height_mm:g} mm",
        )
        self._attendant.power_goes_to(self._points.place("background"))
        order = [int(index) for index in serpentine(self._grid)]
        self._progress.phase("Map", f"{len(order)} points at {height_mm:.0f} mm")
        means = np.full(len(order), math.nan)
        spreads = np.full(len(order), math.nan)
        begun_s = self._clock.elapsed_s()
        self._points.visit_reference()
        recent: list[float] = []
        for done, index in enumerate(order):
            if done and done % plan.reference_every == 0:
                self._points.visit_reference()
            left_s = (self._clock.elapsed_s() - begun_s) / max(done, 1) * (len(order) - done)
            read = means[~np.isnan(means)]
            self._progress.step(
                done,
                len(order),
                f"{self._points.place('grid', index).words}  mean so far "
                f"{read.mean() if read.size else math.nan:.0f} µmol/m²/s  "
                f"{self._attendant.latest_power_w:.1f} W",
                left_s if done else None,
            )
            values = self._points.visit(index, self._points.place("grid"))
            means[index], spreads[index] = np.nanmean(values), np.ptp(values)
            recent = [*recent, *values][-STUCK_POINTS * plan.samples_per_point :]
            self._refuse_stuck(recent)
        self._points.visit_reference()
        self._offer_rereading(means, spreads)
        self._attendant.log.event("map-ended", self._plan.device.name)
        self._attendant.log.acknowledge()
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
        named = "; ".join(self._points.place("grid", index).words for index in suspect[:8])
        answer = self._ask(
            "suspect",
            f"The samples disagree more than usual at {len(suspect)} points ({named}). "
            "Read them again while the lamp is lit?",
            ("re-read", "keep", "stop"),
        )
        if answer == "re-read":
            for index in suspect:
                means[index] = np.nanmean(self._points.visit(index, self._points.place("grid")))
            self._points.visit_reference()

    def _change_height(self, height_mm: float) -> None:
        if self._has_axis:
            self._points.stay = evolve(self._points.stay, mounting_height_mm=height_mm)
            self._attendant.watch_power(None)
            self._points.park(height_mm)
            self.warm_up.stabilise(self._clock.elapsed_s())
            return
        off_s = self._plan.lamp.minimum_off_s
        self._attendant.watch_power(None)
        if self._lamp.is_lit_by_relay:
            self._lamp.switch_off()
        else:
            self._ask(
                "lamp-off",
                "Next height. Switch the lamp OFF, isolate it, and let it cool before you touch "
                "anything. Answer when it is off.",
            )
            self._lamp.is_off_by_hand()
        self.warm_up.lamp_is_off()
        off_since_s = self._clock.elapsed_s()
        self._points.stay = Stay(height_mm, self._points.stay.installation + 1)
        self._progress.phase("Cooling", duration(off_s))
        self._attendant.wait_until(off_since_s + off_s)
        self._hang(height_mm)
        self._light()
        self.warm_up.stabilise(self.warm_up.lit_s)

    def _finish(self) -> None:
        self._attendant.watch_power(None)
        last_word = "All points are read. Switch the lamp off."
        if self._lamp.is_lit_by_relay:
            self._lamp.switch_off()
            self.warm_up.lamp_is_off()
            last_word = "All points are read. The relay has switched the lamp off."
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

    def _weakest_expected(self) -> float:
        flux = self._plan.lamp.rated_flux_umol_s
        if flux is None:
            # About 1.7 µmol/J for discharge lamps: common practice, no source.
            flux = 1.7 * self._plan.lamp.rated_power_w
        return WEAKEST_SHARE * flux / self._grid.area_m2
