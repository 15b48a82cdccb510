"""One map: every point of the grid in a serpentine, the reference point in between."""

from __future__ import annotations

import math
from collections.abc import Sequence as Series
from typing import Protocol

import numpy as np

from analysis.grid import Grid, serpentine
from analysis.interruptions import REFERENCE, REPLACED
from rig import faults
from rig.attendant import Attendant
from rig.done import Done, LastReference
from rig.hand.order import PointOrder, Wish
from rig.plan import Plan
from rig.points import Points
from rig.progress import RunProgress

#: So many neighbouring points with the very same reading mean a stuck sensor: a lamp's field
#: has a slope, and noise, nearly everywhere.
STUCK_POINTS = 6
#: From one visit of the reference point to the next the light changes by less than this share,
#: whatever lamp and mains do (our own figure).
STEP_SHARE = 0.2


class Ask(Protocol):
    """Puts a question to the operator."""

    def __call__(self, kind: str, text: str, choices: tuple[str, ...]) -> str:
        """Return one of the choices."""
        ...


class Mapping:
    """Reads the points of a map that are not on the disk yet.

    Parameters
    ----------
    plan : Plan
    grid : Grid
    attendant : Attendant
    progress : RunProgress
    points : Points
    ask : Ask
    """

    def __init__(
        self,
        plan: Plan,
        grid: Grid,
        attendant: Attendant,
        progress: RunProgress,
        points: Points,
        ask: Ask,
    ) -> None:
        self._plan = plan
        self._grid = grid
        self._attendant = attendant
        self._clock = attendant.clock
        self._progress = progress
        self._points = points
        self._ask = ask
        self._reference = self._reference_before = math.nan

    def read(self, done: Done) -> np.ndarray:
        """Read the map of the stay at hand, or what is missing of it; return the means."""
        stay, plan = self._points.stay, self._plan.sampling
        there = done.map_of(stay)
        means, spreads = there.means.copy(), there.spreads.copy()
        self._attendant.log.event(
            "map-resumed" if there.is_begun else "map-begun", self._plan.device.name, stay.words
        )
        # What follows is told from another map of this height by this event: first on the disk.
        self._attendant.log.acknowledge()
        self._attendant.power_goes_to(self._points.place("background"))
        order = PointOrder(
            [int(index) for index in serpentine(self._grid)],
            done=np.flatnonzero(~np.isnan(means)).tolist(),
            skipped=there.skipped,
        )
        if self._points.lead is not None:
            self._points.lead.begin_map(means)
        self._progress.phase("Map", f"{order.left} points at {stay.mounting_height_mm:.0f} mm")
        begun_s = self._clock.elapsed_s()
        self._reference = math.nan
        visited: set[int] = set()
        is_offered = is_after_reference = False
        recent: list[float] = []
        read = 0
        while True:
            index = order.at
            try:
                if index is None and order.skipped and not is_offered:
                    is_offered = True
                    self._offer_skipped(order)
                    continue
                if math.isnan(self._reference):
                    self._join(there.reference, self._visit_reference(order))
                    is_after_reference = True
                elif order.position not in visited and (
                    index is None or (read and order.position % plan.reference_every == 0)
                ):
                    self._visit_reference(order)
                    visited.add(order.position)
                    is_after_reference = True
                if index is None:
                    break
                left_s = (self._clock.elapsed_s() - begun_s) / max(read, 1) * order.left
                self._tell(order, read, means, left_s if read else None)
                values = self._points.visit(index, self._points.place("grid"), order)
            except Wish as wish:
                if wish.way == "redo" and is_after_reference:
                    self._read_reference_again(order)
                else:
                    self._points.follow(order, "grid", wish)
                continue
            is_after_reference = False
            read += 1
            if np.isnan(values).all():
                untrue = Wish("skip", "what was typed there cannot be true; it is on record")
                self._points.follow(order, "grid", untrue)
                continue
            means[index], spreads[index] = np.nanmean(values), np.ptp(values)
            order.read()
            if not self._points.is_keyed:  # whoever types sees, and is asked
                recent = [*recent, *values][-STUCK_POINTS * plan.samples_per_point :]
                self._refuse_stuck(recent)
        self._offer_rereading(means, spreads)
        self._attendant.log.event("map-ended", self._plan.device.name, stay.words)
        self._attendant.log.acknowledge()
        return means

    def _tell(self, order: PointOrder, read: int, means: np.ndarray, left_s: float | None) -> None:
        """Show how far the map is."""
        if self._points.lead is not None:
            self._points.lead.takes(left_s)
        known = means[~np.isnan(means)]
        self._progress.step(
            read,
            read + order.left,
            f"{self._points.place('grid', order.at).words}  mean so far "
            f"{known.mean() if known.size else math.nan:.0f} µmol/m²/s  "
            f"{self._attendant.latest_power_w:.1f} W",
            left_s,
        )

    def _visit_reference(self, order: PointOrder) -> float:
        now = self._points.visit_reference(order)
        self._reference_before = self._reference
        self._refuse_step(now)
        return now

    def _read_reference_again(self, order: PointOrder) -> None:
        """Read the reference point once more: what was read there last does not count."""
        self._attendant.log.event(REPLACED, self._points.place("", self._points.reference).words)
        self._reference = self._reference_before
        lead = self._points.lead
        if lead is not None:
            lead.forget_reference()
        self._refuse_step(self._points.visit_reference())

    def _offer_skipped(self, order: PointOrder) -> None:
        """Before the last reference reading, offer the points that a person left out."""
        answer = self._ask(
            "skipped",
            f"{len(order.skipped)} of {order.count} points were left out "
            f"({self._named(order.skipped)}). Read them now, while the lamp is lit?",
            ("leave out", "read", "stop"),
        )
        if answer == "read":
            order.reopen()

    def _named(self, indices: Series[int]) -> str:
        """Name the first few of these points."""
        return "; ".join(self._points.place("grid", index).words for index in indices[:8])

    def _join(self, before: LastReference | None, now: float) -> None:
        """Say whether the light is what it was before an interruption; never join silently."""
        if before is None:
            return
        if before.index != self._points.reference:
            self._attendant.log.event(
                "reference-unlike", "", "another reference point than before: nothing to compare"
            )
            return
        allowed = self._plan.sampling.resume_within_percent
        change = 100.0 * (now / before.mean - 1.0)
        words = (
            f"{now:.1f} µmol/m²/s, before the interruption {before.mean:.1f}: {change:+.2f} %, "
            f"allowed {allowed:g} %"
        )
        if abs(change) <= allowed:
            self._attendant.log.event("reference-agrees", "", words)
            return
        self._attendant.log.event("reference-unlike", "", words)
        self._progress.phase(
            "Reference",
            f"{words}. What was read before and after is joined by the drift correction alone.",
        )

    def _refuse_step(self, reference: float) -> None:
        """A reference that jumps without any pause: a lamp or a reflector that breaks, or moves."""
        before, self._reference = self._reference, reference
        if abs(reference - before) > STEP_SHARE * before:
            raise faults.stop_for(
                faults.UnexplainedStep(
                    f"the light at the reference point went from {before:.1f} to {reference:.1f} "
                    "µmol/m²/s. A lamp may be breaking, or something has moved: do not go near it "
                    "while it is lit; switch off first."
                ),
                1,
                REFERENCE,
            )

    def _refuse_stuck(self, recent: Series[float]) -> None:
        samples = self._plan.sampling.samples_per_point
        if len(recent) >= STUCK_POINTS * samples and len(set(recent)) == 1:
            raise faults.stop_for(
                faults.StuckSensor(
                    f"light sensor: {recent[-1]:g} µmol/m²/s at each of the last {STUCK_POINTS} "
                    "points, where a slope is due. A stuck sensor: check its cable and that the "
                    "stage really moves."
                ),
                1,
                "light_sensor",
            )

    def _offer_rereading(self, means: np.ndarray, spreads: np.ndarray) -> None:
        """Before the lamp goes off, offer the points whose samples disagree to be read again."""
        if np.isnan(spreads).all():
            return
        usual = np.nanmedian(spreads)
        suspect = [
            int(index) for index in np.flatnonzero(spreads > np.maximum(6.0 * usual, 0.02 * means))
        ]
        why = "The samples disagree more than usual"
        if not suspect and self._points.is_keyed and self._points.lead is not None:
            suspect, why = self._points.lead.far_off(), "The value is far from those beside it"
        if not suspect:
            return
        answer = self._ask(
            "suspect",
            f"{why} at {len(suspect)} point{'s' if len(suspect) != 1 else ''} "
            f"({self._named(suspect)}). Read them again while the lamp is lit?",
            ("re-read", "keep", "stop"),
        )
        if answer == "re-read":

            def take(index: int, read: np.ndarray) -> None:
                means[index] = np.nanmean(read)

            self._points.visit_all(suspect, "grid", take)
            self._points.visit_reference()
