"""What shows only between the keys of a plan, and between a plan and the rig it is run on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from analysis.grid import Grid, GridError, grid_from_plan
from analysis.stabilisation import RuleError, resolvability, rule_from_plan
from rig.plan import LEAST_DARK_POINTS, Area, Dark, Device, GridPlan, Heights, Plan, WarmUp
from rig.toml_faults import Fault

if TYPE_CHECKING:
    from rig.profile import Profile

Sections = Mapping[str, Any]

_KEYS_OF_LAYOUT: Final = {
    "cell-centres": ("rows", "columns"),
    "edge-inclusive": ("rows", "columns"),
    "lines": ("x_mm", "y_mm"),
    "explicit": ("x_mm", "y_mm", "weights_m2"),
}
_KEYS_OF_SHAPE: Final = {"rectangle": ("width_mm", "depth_mm"), "round": ("diameter_mm",)}


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
    found += _heights(sections)
    found += _dark(sections.get("dark"), grid)
    found += _reference(sections, grid)
    found += _warm_up(sections.get("warm_up"), raw)
    return found


def _grid(sections: Sections, raw: Mapping[str, Any]) -> tuple[Grid | None, list[Fault]]:
    area: Area | None = sections.get("area")
    plan: GridPlan | None = sections.get("grid")
    found: list[Fault] = []
    if area is not None:
        found += _strangers("area", raw, "shape", area.shape, _KEYS_OF_SHAPE)
    if plan is not None:
        found += _strangers("grid", raw, "layout", plan.layout, _KEYS_OF_LAYOUT)
    if area is None or plan is None:
        return None, found
    try:
        return grid_from_plan(raw), found
    except GridError as error:
        return None, found + [Fault((), fault) for fault in error.faults]


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


def _heights(sections: Sections) -> Iterator[Fault]:
    heights: Heights | None = sections.get("heights")
    device: Device | None = sections.get("device")
    if heights is None:
        return
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


# --- plan against rig ------------------------------------------------------------------------


def cross_check(plan: Plan, profile: Profile) -> list[str]:
    """List what the rig of a profile cannot do of a plan.

    Parameters
    ----------
    plan : Plan
        A plan that is sound in itself.
    profile : Profile
        A profile that is sound in itself.

    Returns
    -------
    list of str
        Each a whole line: where, what, what is allowed. Empty if the plan can be run.
    """
    grid = grid_from_plan(plan.raw)
    return [
        *_travel(grid, profile),
        *_height_axis(plan, profile),
        *_resolution(plan, grid, profile),
    ]


def _travel(grid: Grid, profile: Profile) -> Iterator[str]:
    stage = profile.stage.options
    for axis, points_mm, origin_mm, travel_mm in (
        ("x", grid.x_mm, stage.x_at_origin_mm, stage.travel_x_mm),
        ("y", grid.y_mm, stage.y_at_origin_mm, stage.travel_y_mm),
    ):
        lowest_mm, highest_mm = travel_mm
        at_mm = points_mm + origin_mm
        out = (at_mm < lowest_mm) | (at_mm > highest_mm)
        if out.any():
            worst = int(np.argmax(np.maximum(lowest_mm - at_mm, at_mm - highest_mm)))
            yield (
                f"grid: {int(out.sum())} of {len(grid)} points lie beyond the travel of the "
                f"stage, the worst at {axis} {points_mm[worst]:g} mm (stage {axis} "
                f"{at_mm[worst]:g} mm); stage.travel_{axis}_mm is {lowest_mm:g} to "
                f"{highest_mm:g} mm: change the grid, or stage.{axis}_at_origin_mm"
            )


def _height_axis(plan: Plan, profile: Profile) -> Iterator[str]:
    travel_mm = profile.stage.options.travel_z_mm
    if travel_mm is None:
        return
    lowest_mm, highest_mm = travel_mm
    for position, height_mm in enumerate(plan.heights.mounting_height_mm):
        if not lowest_mm <= height_mm <= highest_mm:
            fault = Fault(
                ("heights", "mounting_height_mm", position),
                f"is {height_mm} mm, outside the travel of the height axis; give "
                f"{lowest_mm:g} to {highest_mm:g} mm (stage.travel_z_mm)",
            )
            yield str(fault)


def _resolution(plan: Plan, grid: Grid, profile: Profile) -> Iterator[str]:
    """Judge the sensor by the level that the plan lets expect, if it lets any be expected."""
    sensor = profile.light_sensor.options
    step, noise = sensor.step_umol_m2_s, sensor.noise_umol_m2_s
    if step is None and noise is None:
        return
    if plan.limits.target_ppfd_umol_m2_s is not None:
        level = plan.limits.target_ppfd_umol_m2_s
    elif plan.lamp.rated_flux_umol_s is not None:
        level = plan.lamp.rated_flux_umol_s / grid.area_m2
    else:
        return
    problem = resolvability(
        rule_from_plan(plan.raw),
        step=step or 0.0,
        noise=noise or 0.0,
        level=level,
        interval_s=max(sensor.averaging_s, plan.sampling.power_interval_s),
    )
    if problem is not None:
        yield f"light_sensor against warm_up: {problem}"
