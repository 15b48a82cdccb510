"""What of a run is on the disk already: the places that need not be read again.

A point counts as read when a whole set of samples of it is there; one that was cut short is read
anew. Points that were put in doubt afterwards count as not read.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from attrs import frozen

from analysis import run_folder
from analysis.grid import Grid
from analysis.interruptions import in_doubt
from analysis.replicates import replicates_at
from analysis.samples import Floats, Integers, Sets, is_light, sample_sets, tabulate
from rig.course import Stay
from rig.return_check import RETURN_CHECK
from rig.rows import SKIPPED, Place

#: The event that says that a device was hung.
HUNG: Final = "hung"
#: The event with which a run goes on after an interruption of the program.
RESUMED: Final = "run-resumed"
#: The event that says that the lamp burned through an interruption.
BURNED_ON: Final = "lamp-burned-on"


@frozen(kw_only=True)
class LastReference:
    """The newest reading of a reference point, before anything is subtracted. [µmol m⁻² s⁻¹]"""

    index: int
    mean: float


@frozen(kw_only=True)
class MapDone:
    """What is there of one map.

    Attributes
    ----------
    means, spreads : array, shape (n,)
        Mean and largest difference of the samples of each point; NaN where it is to be read.
    skipped : frozenset of int
        Points that a person left out; those that were read since have a mean all the same.
    is_begun, is_ended : bool
    reference : LastReference or None
    """

    means: Floats
    spreads: Floats
    is_begun: bool = False
    is_ended: bool = False
    reference: LastReference | None = None
    skipped: frozenset[int] = frozenset()


@frozen(kw_only=True, eq=False)
class Done:
    """Rows and events of a run until now.

    Attributes
    ----------
    grid : Grid
    sets : Sets
        Whole sets of samples of the light sensor.
    stays : array of int, shape (k, 3)
        Installation, mounting height in tenths of a millimetre, and replicate (0 for none), of
        each set.
    spread : array, shape (k,)
        Largest difference between the samples of each. [µmol m⁻² s⁻¹]
    events : tuple of mapping
    last_s : float
        Elapsed time of the newest row; 0 where there is none. [s]
    """

    grid: Grid
    sets: Sets
    stays: Integers
    spread: Floats
    events: tuple[Mapping[str, Any], ...]
    last_s: float

    # -- the run as a whole -----------------------------------------------------------------

    @property
    def is_finished(self) -> bool:
        """Whether the run came to its own end."""
        return bool(self._named("run-ended"))

    @property
    def has_homed(self) -> bool:
        """Whether anything was done on the bench."""
        return bool(self._named("homed"))

    @property
    def stop_reason(self) -> str:
        """Why it was stopped last; nothing where it was killed or still goes on."""
        stops = [event for event in self.events if event["event"] in ("stopped", RESUMED)]
        return str(stops[-1]["detail"]) if stops and stops[-1]["event"] == "stopped" else ""

    @property
    def has_looked(self) -> bool:
        """Whether there was a quick look, or points of a map already."""
        return bool(self._named("quick-look")) or bool((self.sets.role == "grid").any())

    @property
    def has_returned(self) -> bool:
        """Whether the first height was read again at the end."""
        return bool(self._named(RETURN_CHECK))

    def identities(self) -> dict[str, str]:
        """Return what each instrument last said of itself."""
        return {str(e["subject"]): str(e["detail"]) for e in self._named("identified")}

    # -- the lamp -----------------------------------------------------------------------------

    @property
    def lit_since_s(self) -> float | None:
        """When the lamp was lit that was never noted as off; None where there is none. [s]"""
        switched = self._named("lamp-lit", "lamp-off")
        if not switched or switched[-1]["event"] == "lamp-off":
            return None
        return float(switched[-1]["elapsed_s"])

    @property
    def has_been_lit(self) -> bool:
        """Whether the lamp was lit in this run, whatever it does now."""
        return bool(self._named("lamp-lit"))

    @property
    def session_burned_s(self) -> float:
        """How long the lamp has burned since the run was begun or last resumed. [s]"""
        burned_s, lit_s = 0.0, math.nan
        for event in self._session():
            if event["event"] in ("lamp-lit", BURNED_ON):
                lit_s = float(event["elapsed_s"])
            elif event["event"] == "lamp-off" and not math.isnan(lit_s):
                burned_s += float(event["elapsed_s"]) - lit_s
                lit_s = math.nan
        return burned_s if math.isnan(lit_s) else burned_s + self.last_s - lit_s

    @property
    def session_starts(self) -> int:
        """How often it was lit since then."""
        return sum(event["event"] == "lamp-lit" for event in self._session())

    def _session(self) -> Sequence[Mapping[str, Any]]:
        begun = [n for n, event in enumerate(self.events) if event["event"] == RESUMED]
        return self.events[begun[-1] if begun else 0 :]

    # -- places -------------------------------------------------------------------------------

    def is_hung(self, stay: Stay) -> bool:
        """Say whether the device hangs as this stay has it, as far as hands do it."""
        return any(str(e["detail"]).startswith(stay.hanging) for e in self._named(HUNG))

    @property
    def dark_was_skipped(self) -> bool:
        """Whether the dark reading was left out, as planned."""
        return bool(self._named("dark-skipped"))

    def dark(self) -> dict[int, float]:
        """Return the mean of each point that was read dark."""
        index = self._index()
        return {int(index[k]): float(self.sets.mean[k]) for k in self._where(role="dark")}

    def map_of(self, stay: Stay) -> MapDone:
        """Return what is there of the map of one stay."""
        means, spreads = np.full((2, len(self.grid)), math.nan)
        index = self._index()
        # Only whole sets are kept here, so any visit of the reference proves something.
        doubted = in_doubt(self.sets, self.events, 1)
        for k in self._where(role="grid", stay=stay):
            if not doubted[k]:
                means[index[k]], spreads[index[k]] = self.sets.mean[k], self.spread[k]
        skipped = self._skipped(stay)
        is_missing = np.isnan(means)
        is_missing[list(skipped)] = False
        visits = [k for k in self._where(role="reference", stay=stay) if not doubted[k]]
        return MapDone(
            means=means,
            spreads=spreads,
            is_begun=self._has("map-begun", stay),
            is_ended=self._has("map-ended", stay) and not is_missing.any(),
            skipped=skipped,
            reference=(
                LastReference(index=int(index[visits[-1]]), mean=float(self.sets.mean[visits[-1]]))
                if visits
                else None
            ),
        )

    def reference_of(self, stay: Stay) -> int | None:
        """Return the reference point used where this stay is; None before there is one."""
        index = self._index()
        used = [
            int(index[k])
            for k in range(len(self.sets))
            if self.sets.role[k] in ("warm-up", "reference") and self._is_where(k, stay)
        ]
        return used[-1] if used else None

    def _skipped(self, stay: Stay) -> frozenset[int]:
        """Return the points of a map that a person left out, and did not read after that."""
        found: dict[str, float] = {}
        is_here = False
        for event in self._named("map-begun", "map-resumed", SKIPPED):
            if event["event"] == SKIPPED:
                if is_here:
                    found[str(event["subject"])] = float(event["elapsed_s"])
            else:
                is_here = str(event["detail"]) == stay.words
        words = [Place(grid_row=int(r), grid_column=int(c)).words
                 for r, c in zip(self.grid.row, self.grid.column, strict=True)]  # fmt: skip
        left_out = {index: found[word] for index, word in enumerate(words) if word in found}
        index = self._index()
        for k in self._where(role="grid", stay=stay):
            if self.sets.middle_s[k] > left_out.get(int(index[k]), math.inf):
                del left_out[int(index[k])]
        return frozenset(left_out)

    # -- pieces -------------------------------------------------------------------------------

    def _named(self, *names: str) -> list[Mapping[str, Any]]:
        return [event for event in self.events if event["event"] in names]

    def _has(self, name: str, stay: Stay) -> bool:
        return any(stay.words == str(event["detail"]) for event in self._named(name))

    def _index(self) -> Integers:
        return self.grid.index_of(self.sets.grid_row, self.sets.grid_column)

    def _is_where(self, k: int, stay: Stay) -> bool:
        installation, tenths, _ = self.stays[k]
        return bool(installation == stay.installation and tenths == stay.tenths_mm)

    def _is_of(self, k: int, stay: Stay) -> bool:
        return self._is_where(k, stay) and bool(self.stays[k][2] == (stay.replicate or 0))

    def _where(self, *, role: str, stay: Stay | None = None) -> list[int]:
        index = self._index()
        return [
            int(k)
            for k in np.flatnonzero(self.sets.role == role)
            if index[k] >= 0 and (stay is None or self._is_of(int(k), stay))
        ]


def look_back(folder: Path, grid: Grid, samples_per_point: int) -> Done:
    """Read what is on the disk of a run, which may still be going on.

    Raises
    ------
    RunFolderError
        Not a run folder, or it cannot be read.
    """
    run = run_folder.load(folder)
    readings = tabulate(run.readings)
    light = readings.where(is_light(readings) & readings.is_good)
    n = len(light)
    none = np.zeros(n, dtype=np.int64)
    sets = sample_sets(light, none, np.full(n, math.nan))
    # Where each set begins, as `sample_sets` has it: the rows are in order, the counts add up.
    first = np.concatenate([[0], np.cumsum(sets.count)[:-1]]).astype(int)[: len(sets)]
    spread = np.array(
        [np.ptp(light.value[at : at + count]) for at, count in zip(first, sets.count, strict=True)]
    )
    tenths = np.nan_to_num(np.round(10.0 * light.mounting_height_mm), nan=-1.0).astype(np.int64)
    whole = (sets.count >= samples_per_point) | (sets.role == "warm-up")
    events: list[Any] = run.events.to_dict("records")
    which = replicates_at(light.elapsed_s[first], events)
    last_s = [*readings.elapsed_s[-1:], *(float(event["elapsed_s"]) for event in events[-1:])]
    return Done(
        grid=grid,
        sets=sets.where(whole),
        stays=np.stack([light.installation[first], tenths[first], which], axis=1)[whole],
        spread=spread[whole].reshape(-1),
        events=tuple(events),
        last_s=float(max(last_s, default=0.0)),
    )
