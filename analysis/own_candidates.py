"""Which heights a device may be given as its own: those at which the limits of its plan hold.

The rule is that of the maps as read: a height is out if its mean map there passes a limit of the
plan. Where that leaves no height, all stay in, and it is said wherever they are compared that
limits are broken. How low a device may hang with 95 % confidence is another question, answered by
`analysis.heights`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from attrs import frozen

from analysis.plane_results import Result, usable_maps
from analysis.results import MapSummary, RunSummary

PEAK: Final = "peak PPFD"
MEAN: Final = "mean PPFD"
MIN_TO_MEAN: Final = "min/mean"


@frozen(kw_only=True)
class Candidates:
    """The heights that one device may be given as its own.

    Attributes
    ----------
    heights : tuple of tuple of MapSummary
        For each height, lowest first, its usable maps, one for each hanging.
    broken : mapping of float to tuple of str
        Limits that are broken, for each usable height at which any is. [mm]
    left_out : str
        Which heights are not for choice, and why; empty if all are.
    """

    heights: tuple[tuple[MapSummary, ...], ...]
    broken: Mapping[float, tuple[str, ...]]
    left_out: str

    def of(self, found: Sequence[Result]) -> tuple[Result, ...]:
        """Return those of a run's results that stand at one of the heights."""
        kept_mm = {maps[0].mounting_height_mm for maps in self.heights}
        return tuple(one for one in found if one.mounting_height_mm in kept_mm)


def candidates(run: RunSummary, name: str) -> Candidates:
    """Choose the heights of a run that keep the limits of its plan; all of them if none does."""
    usable, _ = usable_maps(run, name)
    broken = {}
    for maps in usable:
        found = _broken(maps, run.plan)
        if found:
            broken[float(maps[0].mounting_height_mm or 0.0)] = found
    kept = tuple(maps for maps in usable if (maps[0].mounting_height_mm or 0.0) not in broken)
    if not kept or not broken:
        return Candidates(heights=usable, broken=broken, left_out="")
    left_out = "; ".join(f"{at:g} mm ({', '.join(why)})" for at, why in broken.items())
    return Candidates(heights=kept, broken=broken, left_out=f"{name} at {left_out}")


def remark_on(left_out: Iterable[str]) -> tuple[str, ...]:
    """Say in one sentence which heights of which devices were not for choice; none if all were."""
    told = "; ".join(one for one in left_out if one)
    if not told:
        return ()
    return (
        "Not taken for an own height, because limits of the plan are broken there as read: "
        f"{told}.",
    )


def _broken(maps: Sequence[MapSummary], plan: Mapping[str, Any]) -> tuple[str, ...]:
    limits = plan.get("limits", {})
    peak, floor = limits.get("peak_ppfd_umol_m2_s"), limits.get("minimum_to_mean")
    mean = limits.get("mean_ppfd_umol_m2_s")
    even = [one.uniformity for one in maps if one.uniformity is not None]
    found = {
        PEAK: peak is not None and any(one.maximum > peak for one in even),
        MEAN: mean is not None and any(one.mean < mean for one in even),
        MIN_TO_MEAN: floor is not None and any(one.min_to_mean < floor for one in even),
    }
    return tuple(key for key, is_broken in found.items() if is_broken)
