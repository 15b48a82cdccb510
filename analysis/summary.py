"""From a run folder to all that can be said about the run.

`summarise` never refuses a folder that `analysis.run_folder.load` could read: what is missing
is not stated, and a remark says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise
from typing import Any, Final

import numpy as np
from attrs import evolve, frozen

from analysis.digits import significant
from analysis.drift import DEFAULT_LIMIT
from analysis.grid import Grid, GridError, grid_from_plan
from analysis.map_summary import Limits, MapReadings, summarise_map
from analysis.results import Condition, Dark, MapSummary, RunSummary, WarmUp
from analysis.run_folder import Run
from analysis.samples import (
    LIGHT,
    MONITOR,
    POWER,
    Floats,
    Integers,
    Readings,
    Sets,
    sample_sets,
    tabulate,
)
from analysis.stabilisation import PRESETS, Rule, RuleError, rule_from_plan, time_to_stable
from analysis.wall_power import WallPower, wall_power
from analysis.windows import means_over_windows

__all__ = ["MapSummary", "RunSummary", "summarise"]

NEW_LIGHT: Final = ("lamp-lit", "warm-up-begun")
"""Events after which light is not compared with light before, without a new reference."""
BROKEN_OFF: Final = ("stopped", "fault")
SHOWN_DAMAGE: Final = 5
CONDITIONS: Final = (
    "line_voltage_v",
    "line_current_a",
    "power_factor",
    "line_frequency_hz",
    "temperature_c",
)


def summarise(run: Run) -> RunSummary:
    """Work out everything that is said about a run.

    Parameters
    ----------
    run : Run
        As `analysis.run_folder.load` gives it; damaged and cut-off folders too.

    Returns
    -------
    RunSummary
        What could not be worked out is None there, and a remark says why.
    """
    remarks = _remarks_on_damage(run)
    readings = tabulate(run.readings)
    events = _events(run)
    grid = _grid(run.plan, remarks)
    warm_ups = _warm_ups(run.plan, readings, events, remarks)
    dark = _dark(grid, readings, events, remarks)
    maps: tuple[MapSummary, ...] = ()
    if grid is not None:
        maps = _maps(grid, _limits(run.plan), readings, events, remarks)
        _remark_on_planned(run.plan, maps, remarks)
    _remark_on_status(readings, remarks)
    ended = _remark_on_end(readings, events, remarks)
    for one in maps:
        prefix = f"{one.label[0].upper()}{one.label[1:]}: " if len(maps) > 1 else ""
        remarks += [prefix + remark for remark in one.remarks]
    planned = _table(run.plan, "heights").get("mounting_height_mm", [])
    power = readings.where((readings.quantity == POWER) & readings.is_good)
    return RunSummary(
        run_name=run.path.name,
        path=run.path,
        name=_text(run.plan, "test", "name"),
        device=_text(run.plan, "device", "name"),
        specimen=_text(run.plan, "device", "specimen"),
        device_kind=_text(run.plan, "device", "kind"),
        lamp=_text(run.plan, "lamp", "sample"),
        ballast=_text(run.plan, "ballast", "sample"),
        plan=run.plan,
        descriptor=run.descriptor,
        is_complete=ended
        and len(maps) > 0
        and len(maps) >= len(planned)
        and all(one.is_complete for one in maps),
        warm_ups=warm_ups,
        dark=dark,
        wall_power=_power_of_maps(maps, power),
        power_series=(power.middle_s, power.value),
        conditions=_conditions(maps, readings),
        maps=maps,
        events=events,
        instruments=_instruments(run.descriptor),
        remarks=tuple(remarks),
    )


# -- what the plan and the descriptor say ---------------------------------------------------


def _table(plan: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    table = plan.get(name, {})
    return table if isinstance(table, Mapping) else {}


def _text(plan: Mapping[str, Any], table: str, key: str) -> str:
    return str(_table(plan, table).get(key, ""))


def _figure(plan: Mapping[str, Any], table: str, key: str) -> float | None:
    value = _table(plan, table).get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _limits(plan: Mapping[str, Any]) -> Limits:
    drift_percent = _figure(plan, "limits", "drift_percent")
    return Limits(
        drift=DEFAULT_LIMIT if drift_percent is None else drift_percent / 100,
        peak_ppfd_umol_m2_s=_figure(plan, "limits", "peak_ppfd_umol_m2_s"),
        target_ppfd_umol_m2_s=_figure(plan, "limits", "target_ppfd_umol_m2_s"),
        minimum_to_mean=_figure(plan, "limits", "minimum_to_mean"),
        rated_flux_umol_s=_figure(plan, "lamp", "rated_flux_umol_s"),
        samples_per_point=int(_figure(plan, "sampling", "samples_per_point") or 1),
    )


def _grid(plan: Mapping[str, Any], remarks: list[str]) -> Grid | None:
    try:
        return grid_from_plan(plan)
    except GridError as error:
        remarks.append(f"No map can be made: {error}.")
        return None


def _instruments(descriptor: Mapping[str, Any]) -> tuple[dict[str, Any], ...]:
    held = descriptor.get("evenfall", {})
    listed = held.get("instruments", []) if isinstance(held, Mapping) else []
    if isinstance(listed, Mapping):
        listed = [{"name": name, **facts} for name, facts in listed.items()]
    return tuple(item for item in listed if isinstance(item, dict))


def _events(run: Run) -> tuple[dict[str, Any], ...]:
    columns = {name: run.events[name].tolist() for name in run.events.columns}
    return tuple(
        dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)
    )


# -- the phases of the run ------------------------------------------------------------------


def _is_light(readings: Readings) -> Any:
    return (readings.quantity == LIGHT) & (readings.instrument != MONITOR)


def _moments(events: tuple[dict[str, Any], ...], *names: str) -> list[float]:
    return [float(event["elapsed_s"]) for event in events if event["event"] in names]


def _warm_ups(
    plan: Mapping[str, Any],
    readings: Readings,
    events: tuple[dict[str, Any], ...],
    remarks: list[str],
) -> tuple[WarmUp, ...]:
    begun = readings.where((readings.role == "warm-up") & readings.is_good)
    if len(begun) == 0:
        return ()
    rule = _rule(plan, remarks)
    lit = _moments(events, "lamp-lit")
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
    events: tuple[dict[str, Any], ...],
    start_s: float,
    end_s: float,
) -> WarmUp:
    stable = [at for at in _moments(events, "lamp-stable") if start_s <= at < end_s]
    late = [at for at in _moments(events, "warm-up-timeout") if start_s <= at < end_s]
    maps = [at for at in _moments(events, "map-begun") if start_s <= at < end_s]
    # A stage that moves the lamp warms up again between maps; that is not the warm-up itself.
    until_s = maps[0] if maps else end_s
    own = begun.where((begun.elapsed_s >= start_s) & (begun.elapsed_s < until_s))
    light, power = own.where(_is_light(own)), own.where(own.quantity == POWER)
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


def _dark(
    grid: Grid | None,
    readings: Readings,
    events: tuple[dict[str, Any], ...],
    remarks: list[str],
) -> Dark:
    skipped = [event for event in events if event["event"] == "dark-skipped"]
    read = readings.where(_is_light(readings) & (readings.role == "dark") & readings.is_good)
    if len(read):
        place = read.grid_row * 100_000 + read.grid_column
        _, of_place = np.unique(place, return_inverse=True)
        means = np.bincount(of_place, read.value) / np.bincount(of_place)
        whole = grid is not None and _dark_by_point(grid, read) is not None
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


def _dark_by_point(grid: Grid, dark: Readings) -> Floats | None:
    """Mean dark reading of each point, or None unless every point was read."""
    point = grid.index_of(dark.grid_row, dark.grid_column)
    known = point >= 0
    count = np.bincount(point[known], minlength=len(grid))
    if not (count > 0).all():
        return None
    return np.bincount(point[known], dark.value[known], minlength=len(grid)) / count


def _dark_for(grid: Grid, dark: Readings, installation: int) -> Floats:
    own = dark.where(dark.installation == installation)
    used = own if len(own) else dark
    if len(used) == 0:
        return np.zeros(len(grid))
    by_point = _dark_by_point(grid, used)
    return np.full(len(grid), used.value.mean()) if by_point is None else by_point


# -- the maps -------------------------------------------------------------------------------


@frozen(kw_only=True, eq=False)
class _Light:
    """Accepted rows of one light sensor with the power of their windows."""

    rows: Readings
    segment: Integers
    power_w: Floats
    covered: Floats

    def sets(self, mask: Any) -> Sets:
        return sample_sets(
            self.rows.where(mask), self.segment[mask], self.power_w[mask], self.covered[mask]
        )


def _light(rows: Readings, power: Readings, breaks_s: Floats) -> _Light:
    means = means_over_windows(
        rows.window_start_s,
        rows.window_end_s,
        power.window_start_s,
        power.window_end_s,
        power.value,
    )
    segment = np.searchsorted(breaks_s, rows.middle_s, side="right").astype(np.int64)
    return _Light(rows=rows, segment=segment, power_w=means.mean, covered=means.covered)


def _maps(
    grid: Grid,
    limits: Limits,
    readings: Readings,
    events: tuple[dict[str, Any], ...],
    remarks: list[str],
) -> tuple[MapSummary, ...]:
    good = readings.is_good
    mapped = (readings.role == "grid") | (readings.role == "reference")
    is_light = _is_light(readings)
    power = readings.where((readings.quantity == POWER) & good)
    breaks_s = np.sort(np.array(_moments(events, *NEW_LIGHT), dtype=float))
    light = _light(readings.where(is_light & mapped & good), power, breaks_s)
    monitor = _light(
        readings.where((readings.quantity == LIGHT) & (readings.instrument == MONITOR) & good),
        power,
        breaks_s,
    )
    dark = readings.where(is_light & (readings.role == "dark") & good)
    failed = readings.where(is_light & mapped & (readings.status == "failed"))
    on_grid = light.rows.role == "grid"
    keys = dict.fromkeys(
        zip(
            light.rows.installation[on_grid].tolist(),
            np.nan_to_num(light.rows.mounting_height_mm[on_grid], nan=-1.0).tolist(),
            strict=True,
        )
    )
    if not keys:
        remarks.append("No point of a map was read.")
    maps = []
    for installation, height_mm in keys:
        own, lost = (
            (rows.installation == installation)
            & (np.nan_to_num(rows.mounting_height_mm, nan=-1.0) == height_mm)
            for rows in (light.rows, failed)
        )
        read = MapReadings(
            installation=installation,
            mounting_height_mm=None if height_mm == -1.0 else height_mm,
            sets=light.sets(own),
            monitor=_monitor_during(monitor, light.rows.where(own), events),
            dark=_dark_for(grid, dark, installation),
            power=power,
            entered_power_w=_entered_power(power, installation, height_mm),
            n_retried=int(lost.sum()),
        )
        maps.append(summarise_map(grid, limits, read))
    return tuple(maps)


def _monitor_during(monitor: _Light, own: Readings, events: tuple[dict[str, Any], ...]) -> Sets:
    """Sets of the monitor sensor while a map was read, less what it shows in the dark."""
    lit = _moments(events, "lamp-lit")
    rows = monitor.rows
    during = np.zeros(len(rows), dtype=bool)
    if len(own) and len(rows):
        begun_s, ended_s = own.middle_s.min(), own.middle_s.max()
        slack_s = float(np.median(rows.window_end_s - rows.window_start_s))
        during = (rows.middle_s >= begun_s - slack_s) & (rows.middle_s <= ended_s + slack_s)
    sets = monitor.sets(during)
    in_dark = rows.elapsed_s < (lit[0] if lit else -math.inf)
    offset = float(rows.value[in_dark].mean()) if in_dark.any() else 0.0
    return evolve(sets, mean=sets.mean - offset)


def _entered_power(power: Readings, installation: int, height_mm: float) -> float | None:
    """Mean wall power that was entered for a map, or for the run if not for the map."""
    entered = power.where(~np.isfinite(power.window_start_s))
    own = (entered.installation == installation) & (
        np.nan_to_num(entered.mounting_height_mm, nan=-1.0) == height_mm
    )
    used = entered.value[own] if own.any() else entered.value
    return float(used.mean()) if len(used) else None


def _during_maps(maps: tuple[MapSummary, ...], readings: Readings) -> Any:
    during = np.zeros(len(readings), dtype=bool)
    for one in maps:
        if one.begun_s is not None and one.ended_s is not None:
            during |= (readings.window_end_s > one.begun_s) & (
                readings.window_start_s < one.ended_s
            )
    return during


def _power_of_maps(maps: tuple[MapSummary, ...], power: Readings) -> WallPower | None:
    own = power.where(_during_maps(maps, power))
    whole = wall_power(own.window_start_s, own.window_end_s, own.value)
    gaps = [one.wall_power.longest_gap_s for one in maps if one.wall_power is not None]
    if whole is None or not gaps:
        return whole
    # The time between two maps is no gap in the record of either.
    return evolve(whole, longest_gap_s=max(gaps))


def _conditions(maps: tuple[MapSummary, ...], readings: Readings) -> dict[str, Condition]:
    during = _during_maps(maps, readings) & readings.is_good
    found = {}
    for quantity in CONDITIONS:
        values = readings.value[during & (readings.quantity == quantity)]
        if len(values):
            found[quantity] = Condition(
                mean=float(values.mean()), minimum=float(values.min()), maximum=float(values.max())
            )
    return found


# -- remarks on the whole run ---------------------------------------------------------------


def _remarks_on_damage(run: Run) -> list[str]:
    shown = [
        f"{item.file}, line {item.line}: {item.problem}; what it held is not used."
        for item in run.damage[:SHOWN_DAMAGE]
    ]
    if len(run.damage) > SHOWN_DAMAGE:
        shown.append(f"{len(run.damage) - SHOWN_DAMAGE} more places of the folder are damaged.")
    return shown


def _remark_on_planned(
    plan: Mapping[str, Any], maps: tuple[MapSummary, ...], remarks: list[str]
) -> None:
    planned = _table(plan, "heights").get("mounting_height_mm", [])
    read = [one.mounting_height_mm for one in maps if one.mounting_height_mm is not None]
    for height_mm in planned if isinstance(planned, list) else []:
        if maps and read and not any(abs(height_mm - other) < 0.05 for other in read):
            remarks.append(
                f"Mounting height {significant(height_mm, 3)} mm was planned; no point of it "
                "was read."
            )


def _remark_on_status(readings: Readings, remarks: list[str]) -> None:
    kinds, counts = np.unique(readings.status.astype(str), return_counts=True)
    others = {
        kind: int(count)
        for kind, count in zip(kinds, counts, strict=True)
        if kind != "ok" and count
    }
    if others:
        listed = ", ".join(f"{count} {kind}" for kind, count in others.items())
        remarks.append(
            f"Readings that were recorded but not accepted: {listed}. None is in a result."
        )


def _remark_on_end(
    readings: Readings, events: tuple[dict[str, Any], ...], remarks: list[str]
) -> bool:
    """Say whether the run came to its planned end, and what stopped it if not."""
    if len(readings) and (readings.instrument == "entered").all():
        return True
    ends = [event for event in events if event["event"] in ("run-ended", "stopped")]
    if ends and ends[-1]["event"] == "run-ended":
        detail = str(ends[-1]["detail"])
        if detail in ("", "complete"):
            return True
        remarks.append(f"The run ended early: {detail}")
        return False
    if ends:
        remarks.append(f"The run was stopped: {ends[-1]['detail'] or ends[-1]['subject']}")
        return False
    remarks.append("The run did not end in order; the folder holds what was read until then.")
    return False
