"""The phases before the map: dark reading, stray light and warm-up."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np

from analysis.grid import Grid
from analysis.results import Dark, WarmUp
from analysis.samples import POWER, Floats, Readings, is_light, newest_visits
from analysis.stabilisation import PRESETS, Rule, RuleError, rule_from_plan, time_to_stable

Events = tuple[dict[str, Any], ...]


def moments(events: Events, *names: str) -> list[float]:
    """When events of these names happened, in the order written. [elapsed s]"""
    return [float(event["elapsed_s"]) for event in events if event["event"] in names]


def warm_ups(
    plan: Mapping[str, Any],
    readings: Readings,
    events: Events,
    remarks: list[str],
) -> tuple[WarmUp, ...]:
    """One record for each lighting of the lamp that has warm-up readings."""
    begun = readings.where((readings.role == "warm-up") & readings.is_good)
    if len(begun) == 0:
        return ()
    rule = _rule(plan, remarks)
    lit = moments(events, "lamp-lit")
    edges = [*lit, math.inf] if lit else [-math.inf, math.inf]
    return tuple(
        _warm_up(rule, begun, events, start_s, end_s)
        for start_s, end_s in pairwise(edges)
        if ((begun.elapsed_s >= start_s) & (begun.elapsed_s < end_s)).any()
    )


def _rule(plan: Mapping[str, Any], remarks: list[str]) -> Rule:
    try:
        return rule_from_plan(plan)
    except RuleError as error:
        remarks.append(f"The stabilisation rule of the plan cannot be used: {error}.")
        return PRESETS["bench"]


def _warm_up(
    rule: Rule,
    begun: Readings,
    events: Events,
    start_s: float,
    end_s: float,
) -> WarmUp:
    stable = [at for at in moments(events, "lamp-stable") if start_s <= at < end_s]
    late = [at for at in moments(events, "warm-up-timeout") if start_s <= at < end_s]
    maps = [at for at in moments(events, "map-begun", "map-resumed") if start_s <= at < end_s]
    # A stage that moves the lamp warms up again between maps; that is not the warm-up itself.
    until_s = maps[0] if maps else end_s
    # The reading that closes the last block may carry the very moment of the map's beginning.
    own = begun.where((begun.elapsed_s >= start_s) & (begun.elapsed_s <= until_s))
    light, power = own.where(is_light(own)), own.where(own.quantity == POWER)
    on_since_s = start_s if math.isfinite(start_s) else None
    verdict = None
    if len(light) and len(power):
        verdict = time_to_stable(
            rule,
            light=(light.elapsed_s, light.value),
            power=(power.elapsed_s, power.value),
            on_since_s=float(own.elapsed_s[0]) if on_since_s is None else on_since_s,
        )
    return WarmUp(
        rule=rule,
        installation=int(own.installation[0]) if len(own) else 1,
        on_since_s=on_since_s,
        recorded_stable_s=stable[0] if stable else None,
        timed_out=bool(late),
        verdict=verdict,
        light=(light.elapsed_s, light.value),
        power=(power.elapsed_s, power.value),
    )


def dark_reading(
    grid: Grid | None,
    readings: Readings,
    events: Events,
    remarks: list[str],
) -> Dark:
    """Describe the dark reading of the run; what is wrong with it goes to the remarks."""
    skipped = [event for event in events if event["event"] == "dark-skipped"]
    read = newest_visits(
        readings.where(is_light(readings) & (readings.role == "dark") & readings.is_good)
    )
    if len(read):
        place = read.grid_row * 100_000 + read.grid_column
        _, of_place = np.unique(place, return_inverse=True)
        means = np.bincount(of_place, read.value) / np.bincount(of_place)
        whole = grid is not None and _mean_by_point(grid, read) is not None
        return Dark(
            status="per point" if whole else "measured",
            mean=float(means.mean()),
            sd=float(means.std(ddof=1)) if len(means) > 1 else None,
            points=len(means),
            reason="",
        )
    if skipped:
        reason = str(skipped[-1]["detail"])
        remarks.append(f"The dark reading was skipped ({reason}); nothing is subtracted.")
        return Dark(status="skipped", mean=None, sd=None, points=0, reason=reason)
    remarks.append("There is no dark reading; nothing is subtracted.")
    return Dark(status="missing", mean=None, sd=None, points=0, reason="")


def _mean_by_point(grid: Grid, read: Readings) -> Floats | None:
    """Mean reading of each point, or None unless every point was read."""
    point = grid.index_of(read.grid_row, read.grid_column)
    known = point >= 0
    count = np.bincount(point[known], minlength=len(grid))
    if not (count > 0).all():
        return None
    return np.bincount(point[known], read.value[known], minlength=len(grid)) / count


def dark_for(grid: Grid, dark: Readings, installation: int) -> Floats:
    """What is subtracted at each point under one installation, 0 without a dark reading.

    The dark reading of the same installation is preferred to one of another.
    """
    own = dark.where(dark.installation == installation)
    used = own if len(own) else dark
    if len(used) == 0:
        return np.zeros(len(grid))
    by_point = _mean_by_point(grid, used)
    return np.full(len(grid), used.value.mean()) if by_point is None else by_point


def stray_for(
    grid: Grid,
    stray: Readings,
    dark: Floats,
    installation: int,
    mounting_height_mm: float | None,
) -> Floats | None:
    """Stray light at each point of one map: stray reading less dark; None without a reading.

    The stray readings of the same installation and height are preferred, then those of the same
    installation, then any.
    """
    if len(stray) == 0:
        return None
    own = stray.installation == installation
    at_height = own & (stray.mounting_height_mm == (mounting_height_mm or math.nan))
    used = stray
    if own.any():
        used = stray.where(at_height if at_height.any() else own)
    by_point = _mean_by_point(grid, used)
    if by_point is not None:
        return by_point - dark
    at = grid.index_of(used.grid_row, used.grid_column)
    beyond_dark = used.value - np.where(at >= 0, dark[at], dark.mean())
    return np.full(len(grid), beyond_dark.mean())
