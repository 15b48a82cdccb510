"""What is wrong between the keys of a plan; `rig.plan.read_plan` calls it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

import attrs

from analysis.grid import Grid, GridError, grid_from_plan
from analysis.stabilisation import RuleError, rule_from_plan
from rig import plan_series, plan_value
from rig.plan_doing import LEAST_DARK_POINTS, Dark, Limits, WarmUp
from rig.plan_sections import Area, Device, GridPlan, Heights, Lamp
from rig.toml_faults import Fault

Sections = Mapping[str, Any]

KEYS_OF_LAYOUT: Final = {
    "cell-centres": ("rows", "columns"),
    "edge-inclusive": ("rows", "columns"),
    "lines": ("x_mm", "y_mm"),
    "explicit": ("x_mm", "y_mm", "weights_m2"),
}
KEYS_OF_SHAPE: Final = {"rectangle": ("width_mm", "depth_mm"), "round": ("diameter_mm",)}


def faults(sections: Sections, raw: Mapping[str, Any]) -> list[Fault]:
    """List what is wrong between the keys of a plan.

    Parameters
    ----------
    sections : mapping
        The sections that are sound in themselves, as objects.
    raw : mapping
        The plan as TOML has it.
    """
    grid, found = _grid(sections, raw)
    found += _lamp(sections, raw)
    found += _switching(sections.get("lamp"))
    found += _heights(sections)
    found += _limits(sections.get("limits"))
    found += _dark(sections.get("dark"), grid)
    found += _reference(sections, grid)
    found += _warm_up(sections.get("warm_up"), raw)
    found += plan_value.faults(raw)
    found += plan_series.faults(sections)
    return found


def _grid(sections: Sections, raw: Mapping[str, Any]) -> tuple[Grid | None, list[Fault]]:
    area: Area | None = sections.get("area")
    plan: GridPlan | None = sections.get("grid")
    found: list[Fault] = []
    if area is not None:
        found += _strangers("area", raw, "shape", area.shape, KEYS_OF_SHAPE)
    if plan is not None:
        found += _strangers("grid", raw, "layout", plan.layout, KEYS_OF_LAYOUT)
    if area is None or plan is None:
        return None, found
    try:
        return grid_from_plan(raw), found
    except GridError as error:
        return None, found + [_placed(fault) for fault in error.faults]


def _placed(fault: str) -> Fault:
    """Part the place from the sentence, where the sentence begins with one."""
    first, _, rest = fault.partition(" ")
    return Fault(tuple(first.split(".")), rest) if "." in first else Fault((), fault)


def _strangers(
    section: str,
    raw: Mapping[str, Any],
    chooser: str,
    chosen: str,
    keys: Mapping[str, tuple[str, ...]],
) -> Iterator[Fault]:
    """Find keys that belong to another choice: they would be ignored without a word."""
    every = {key for group in keys.values() for key in group}
    for key in raw.get(section, {}):
        if key in every and key not in keys[chosen]:
            yield Fault(
                (section, key),
                f'does not belong to {section}.{chooser} "{chosen}", which takes '
                f"{' and '.join(keys[chosen])}; leave it out",
            )


def _lamp(sections: Sections, raw: Mapping[str, Any]) -> Iterator[Fault]:
    """A run must know what it lights; of readings taken by hand the lamp may be unknown."""
    if sections.get("lamp") is None or "entered" in raw:
        return
    for item in attrs.fields(Lamp):
        if item.name in ("kind", "rated_power_w") and item.name not in raw["lamp"]:
            yield Fault(("lamp", item.name), f"is missing; {item.metadata['allowed']}")


def _switching(lamp: Lamp | None) -> Iterator[Fault]:
    """Two words light a lamp by program, so that neither stands there by chance."""
    if lamp is not None and (lamp.switching == "relay") != lamp.armed:
        yield Fault(
            ("lamp", "armed"),
            f'is {"true" if lamp.armed else "false"}, and lamp.switching is "{lamp.switching}"; '
            'give switching = "relay" and armed = true to have the relay light the lamp, or leave '
            "both out to light it by hand",
        )


def _heights(sections: Sections) -> Iterator[Fault]:
    heights: Heights | None = sections.get("heights")
    device: Device | None = sections.get("device")
    if heights is None:
        return
    if (heights.order == "random") != (heights.seed is not None):
        yield Fault(
            ("heights", "seed"),
            'is missing, and heights.order is "random"; give a whole number, so that the order '
            "can be had again"
            if heights.seed is None
            else f'is {heights.seed}, and heights.order is "{heights.order}"; it belongs to '
            '"random": leave it out',
        )
    if heights.return_to_first and len(heights.mounting_height_mm) == 1:
        yield Fault(
            ("heights", "return_to_first"),
            "is true, and there is one height: there is nothing to come back from; leave it out",
        )
    seen: set[float] = set()
    for position, height_mm in enumerate(heights.mounting_height_mm):
        place = ("heights", "mounting_height_mm", position)
        if height_mm in seen:
            yield Fault(place, f"is {height_mm} mm, which stands there already; give it once")
        seen.add(height_mm)
        if device is not None and height_mm < device.clearance_mm:
            yield Fault(
                place,
                f"is {height_mm} mm, below the clearance of the device "
                f"(device.clearance_mm = {device.clearance_mm}); "
                f"give {device.clearance_mm} mm or more",
            )


def _limits(limits: Limits | None) -> Iterator[Fault]:
    """No light has a mean above its peak, so no height could hold both limits."""
    if limits is None or limits.mean_ppfd_umol_m2_s is None or limits.peak_ppfd_umol_m2_s is None:
        return
    if limits.mean_ppfd_umol_m2_s > limits.peak_ppfd_umol_m2_s:
        yield Fault(
            ("limits", "mean_ppfd_umol_m2_s"),
            f"is {limits.mean_ppfd_umol_m2_s}, above the highest PPFD allowed "
            f"(limits.peak_ppfd_umol_m2_s = {limits.peak_ppfd_umol_m2_s}); give less",
        )


def _dark(dark: Dark | None, grid: Grid | None) -> Iterator[Fault]:
    if dark is None:
        return
    if dark.points == 0:
        if not dark.skip_reason.strip():
            yield Fault(
                ("dark", "skip_reason"),
                "is missing, and dark.points is 0; give the reason, e.g. "
                '"sensor shows 0.0 with its cap on"',
            )
        return
    if dark.skip_reason:
        yield Fault(
            ("dark", "skip_reason"),
            f"is {dark.skip_reason!r}, but dark.points is {dark.points!r}; leave it out, or set "
            "dark.points = 0",
        )
    if dark.points == "all":
        return
    most = len(grid) if grid is not None else None
    least = LEAST_DARK_POINTS if most is None else min(LEAST_DARK_POINTS, most)
    if dark.points < least:
        yield Fault(
            ("dark", "points"),
            f'is {dark.points}; give {least} or more, "all", or 0 with dark.skip_reason',
        )
    elif most is not None and dark.points > most:
        yield Fault(("dark", "points"), f'is {dark.points}; the grid has {most} points: give "all"')


def _reference(sections: Sections, grid: Grid | None) -> Iterator[Fault]:
    sampling = sections.get("sampling")
    if sampling is None or grid is None or sampling.reference_point == "auto":
        return
    row, column = sampling.reference_point
    if grid.index_of([row], [column])[0] < 0:
        yield Fault(
            ("sampling", "reference_point"),
            f'is [{row}, {column}], where the grid has no point; give "auto" or a row from 0 to '
            f"{grid.rows - 1} and a column from 0 to {grid.columns - 1} that holds one",
        )


def _warm_up(warm_up: WarmUp | None, raw: Mapping[str, Any]) -> Iterator[Fault]:
    if warm_up is None:
        return
    try:
        rule = rule_from_plan(raw)
    except RuleError as error:
        yield Fault((), str(error))
        return
    earliest_s = max(rule.minimum_on_s, rule.blocks * rule.block_s)
    if warm_up.maximum_s < earliest_s:
        yield Fault(
            ("warm_up", "maximum_s"),
            f"is {warm_up.maximum_s}; by this rule no lamp is called stable before "
            f"{earliest_s:g} s: give more",
        )
