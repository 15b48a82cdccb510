"""How a run was measured, in words, from its plan, its instruments and what it recorded."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import numpy as np
from attrs import frozen

from analysis.digits import duration, fixed, significant
from analysis.grid import Grid, GridError, grid_from_plan
from analysis.report import sentences
from analysis.results import RunSummary

DEFINITIONS: Final = (
    ("delivered flux", "Σ aᵢ · PPFDᵢ over all cells of the plane; aᵢ is the area of a cell."),
    (
        "plane efficacy",
        "Σ aᵢ · PPFDᵢ ÷ Pᵢ, with the wall power Pᵢ of the very moments in which cell i was read, "
        "so that a change of the lamp cancels; where power was not logged, delivered flux ÷ mean "
        "wall power.",
    ),
    ("mean PPFD", "Σ aᵢ · PPFDᵢ ÷ Σ aᵢ."),
    ("min/mean", "Lowest cell ÷ mean PPFD; for its grid only, and the lower the finer the grid."),
    (
        "coefficient of variation",
        "Area-weighted standard deviation of the cells, as of a population, ÷ mean PPFD.",
    ),
    (
        "Christiansen uniformity",
        "1 − Σ aᵢ · |PPFDᵢ − mean| ÷ (Σ aᵢ · mean). Source: J. E. Christiansen, Bulletin 670, "
        "University of California (1942).",
    ),
    ("low-quarter uniformity", "Mean of the darkest quarter of the area ÷ mean PPFD."),
    (
        "hot or cold spot",
        "A cell that departs from a smooth field through its neighbours by more than 5 % and by "
        "more than four times the standard uncertainty of that departure.",
    ),
    (
        "uncertainty",
        "Named causes, propagated to first order (JCGM 100:2008), a minimum and other figures "
        "that no straight line follows by drawing (JCGM 101:2008). ± reaches to the farther end "
        "of the 95 % interval. Two runs share the causes that they have in common.",
    ),
    (
        "comparison",
        "Ratio of plane efficacies. Where several pairs are judged together, the chance of any "
        "false “more” is held to 5 % (after Holm).",
    ),
)
"""Name and definition of each figure stated."""
_LAYOUTS: Final = {
    "cell-centres": "at the centres of equal cells",
    "edge-inclusive": "from edge to edge, those on an edge standing for less area",
    "lines": "on unevenly spaced lines, each standing for its own area",
    "explicit": "as listed in the plan, each with its own area",
}


@frozen
class MethodPart:
    """The method of the runs named."""

    names: str
    lines: tuple[tuple[str, str], ...]


def method_parts(runs: Sequence[RunSummary]) -> list[MethodPart]:
    """Tell the method of all runs; of those that were measured alike, once."""
    held: dict[tuple[tuple[str, str], ...], list[str]] = {}
    for run in runs:
        lines = tuple((name, told) for name, tell in _LINES if (told := tell(run, run.plan)))
        names = held.setdefault(lines, [])
        if (name := sentences.device(run)) not in names:
            names.append(name)
    return [MethodPart(sentences.listed(names), lines) for lines, names in held.items()]


def _table(plan: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    held = plan.get(name)
    return held if isinstance(held, Mapping) else {}


def _grid(_run: RunSummary, plan: Mapping[str, Any]) -> str:
    try:
        grid = grid_from_plan(plan)
    except GridError:
        return "Not stated: the plan describes no grid that can be used."
    across = f"{fixed(grid.width_mm, 0)} × {fixed(grid.depth_mm, 0)} mm"
    over = f"a round area of {fixed(grid.width_mm, 0)} mm" if grid.shape == "round" else across
    centre = "" if grid.centre_is_read else " The very centre is not read."
    return f"{grid.label} over {over}, {_LAYOUTS[grid.layout]}; {_cells(grid)}.{centre}"


def _cells(grid: Grid) -> str:
    areas = grid.weights_m2[grid.weights_m2 > 0]
    least, most = (significant(float(end)) for end in (np.min(areas), np.max(areas)))
    return f"a point stands for {least if least == most else f'{least} to {most}'} m²"


def _heights(run: RunSummary, plan: Mapping[str, Any]) -> str:
    held = _table(plan, "heights")
    planned = held.get("mounting_height_mm")
    stated = [f"{one:g}" for one in planned] if isinstance(planned, list) else []
    if not stated:
        return "Mounting height: not stated."
    moved = {"lamp": "the device was moved", "plane": "the plane was moved"}
    by = f"; between them {moved[axis]}" if len(stated) > 1 and (
        axis := str(held.get("axis"))) in moved else ""  # fmt: skip
    hung = len({one.installation for one in run.maps})
    anew = f", in {hung} installations" if hung > 1 else ""
    return f"{sentences.listed(stated)} mm above the plane{by}{anew}."


def _entered(_run: RunSummary, plan: Mapping[str, Any]) -> str:
    held = _table(plan, "entered")
    if not held:
        return ""
    sensor = f" Sensor: {held['sensor']}." if held.get("sensor") else ""
    day = f" Measured on {held['measured_on']}." if held.get("measured_on") else ""
    return (
        f"Entered by hand from the table {held.get('table', 'not named')} (SHA-256 "
        f"{held.get('sha256', 'not stated')}): one value a point, without the moment of reading."
        f"{sensor}{day}"
    )


def _sampling(run: RunSummary, plan: Mapping[str, Any]) -> str:
    held = _table(plan, "sampling")
    if _table(plan, "entered") or not held:
        return ""
    count = held.get("samples_per_point", 1)
    settle = held.get("settle_s")
    still = "" if settle is None else f", {settle:g} s after the sensor stood still"
    plural = "s" if count != 1 else ""
    told = f"{count} sample{plural} at each point{still}; the points row by row, to and fro."
    if run.wall_power is not None:
        every = held.get("power_interval_s")
        rate = "" if every is None else f" every {every:g} s and"
        told += (
            f" Wall power was asked for{rate} averaged over the time window of each light reading."
        )
    again = sum(map_.n_retried for map_ in run.maps)
    if again:
        plural = "s" if again != 1 else ""
        told += f" {again} attempt{plural} failed and {'were' if again != 1 else 'was'} repeated."
    return told


def _dark(run: RunSummary, _plan: Mapping[str, Any]) -> str:
    told = sentences.dark_sentence(run)
    if told.startswith("none"):
        told = told.replace("none", "no dark reading", 1)
    return f"{told[:1].upper()}{told[1:]}."


def _warm_up(run: RunSummary, plan: Mapping[str, Any]) -> str:
    if not run.warm_ups:
        return "Not stated: the run holds no record of a warm-up."
    longest = _table(plan, "warm_up").get("maximum_s")
    wait = "" if longest is None else f" Longest wait planned: {duration(float(longest))}."
    told = [sentences.warm_up_sentence(warm) for warm in run.warm_ups]
    return " ".join([*sentences.rule_sentences([run]), *told]) + wait


def _drift(run: RunSummary, plan: Mapping[str, Any]) -> str:
    limits = list(dict.fromkeys(fixed(100 * one.drift.limit, 1) for one in run.maps))
    beyond = (
        f" A map whose light changes by more than {sentences.listed(limits)} % is not accepted."
    )
    told = []
    for source in dict.fromkeys(one.drift.source for one in run.maps):
        if source == "none":
            told.append("No reference was revisited: drift is neither known nor corrected.")
        else:
            every = _table(plan, "sampling").get("reference_every")
            seen = "the monitor sensor, read beside every point" if source == "monitor" else (
                "one reference point" + (f", revisited every {every} points" if every else "")
            )  # fmt: skip
            told.append(
                f"Each reading is rescaled to the time-weighted mean of {seen}, over that map "
                "alone; plane efficacy is taken from readings as they were, with the power of the "
                "same moments."
            )
    return " ".join(told) + beyond if told else ""


def _corrections(run: RunSummary, _plan: Mapping[str, Any]) -> str:
    held = dict.fromkeys((one.on, one.name) for map_ in run.maps for one in map_.corrections)
    parts = [
        f"{words}: {', '.join(name for on, name in held if on == what)}"
        for what, words in (("light", "to light"), ("power", "to wall power"))
        if any(on == what for on, _ in held)
    ]
    if not parts:
        return "Nothing was corrected: figures stand as they were read." if run.maps else ""
    return f"In this order, {'; '.join(parts)}. Readings are kept as they were read."


_LINES: Final[tuple[tuple[str, Callable[[RunSummary, Mapping[str, Any]], str]], ...]] = (
    ("grid", _grid),
    ("mounting height", _heights),
    ("how it was read", _entered),
    ("how it was read", _sampling),
    ("dark reading", _dark),
    ("warm-up", _warm_up),
    ("drift", _drift),
    ("corrections", _corrections),
)
