"""From a run folder to all that can be said about the run.

`summarise` never refuses a folder that `analysis.run_folder.load` could read: what is missing
is not stated, and a remark says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from attrs import evolve

from analysis.calibration_dates import overdue
from analysis.digits import significant
from analysis.drift import DEFAULT_LIMIT
from analysis.grid import Grid, GridError, grid_from_plan
from analysis.interruptions import remark_on_interruptions, remark_on_return
from analysis.lux import conversion_of
from analysis.map_remarks import Limits
from analysis.phases import Events, dark_reading, warm_ups
from analysis.results import Condition, MapSummary, RunSummary
from analysis.run_budget import with_uncertainty
from analysis.run_corrections import corrections_of
from analysis.run_folder import Run
from analysis.run_maps import summarise_maps
from analysis.samples import POWER, Flags, Readings, tabulate
from analysis.wall_power import WallPower, wall_power

__all__ = ["MapSummary", "RunSummary", "damage_sentences", "summarise"]

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
    remarks = damage_sentences(run)
    readings = tabulate(run.readings)
    events = _events(run)
    grid = _grid(run.plan, remarks)
    warmed = warm_ups(run.plan, readings, events, remarks)
    dark = dark_reading(grid, readings, events, remarks)
    # What the run went by, the warm-up above, is judged as read.
    corrections = corrections_of(run, grid, readings, remarks)
    readings = corrections.corrected(readings)
    maps: tuple[MapSummary, ...] = ()
    if grid is not None:
        maps = summarise_maps(grid, _limits(run.plan), readings, events, corrections, remarks)
        _remark_on_planned(run.plan, maps, remarks)
    _remark_on_status(readings, remarks)
    _remark_on_lamp(events, remarks)
    remark_on_interruptions(events, remarks)
    remark_on_return(events, remarks)
    ended = _remark_on_end(readings, events, remarks)
    for one in maps:
        prefix = f"{one.label[0].upper()}{one.label[1:]}: " if len(maps) > 1 else ""
        remarks += [prefix + remark for remark in one.remarks]
    instruments = _instruments(run.descriptor)
    of_reading = overdue(instruments, str(events[0]["utc"]) if events else "")
    converted = conversion_of(run.plan)
    if converted is not None:
        of_reading = (*of_reading, converted.remark)
        maps = tuple(evolve(one, origin=converted.mark) for one in maps)
    maps = tuple(evolve(one, remarks=(*one.remarks, *of_reading)) for one in maps)
    remarks += of_reading
    planned = _table(run.plan, "heights").get("mounting_height_mm", [])
    power = readings.where((readings.quantity == POWER) & readings.is_good)
    summary = RunSummary(
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
        warm_ups=warmed,
        dark=dark,
        wall_power=_power_of_maps(maps, power),
        power_series=(power.middle_s, power.value),
        conditions=_conditions(maps, readings),
        maps=maps,
        events=events,
        instruments=instruments,
        remarks=tuple(remarks),
    )
    return with_uncertainty(summary, run.rig)


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


def _events(run: Run) -> Events:
    columns = {name: run.events[name].tolist() for name in run.events.columns}
    return tuple(
        dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)
    )


# -- over all maps -------------------------------------------------------------------------


def _during_maps(maps: tuple[MapSummary, ...], readings: Readings) -> Flags:
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


def damage_sentences(run: Run) -> list[str]:
    """Say where a run folder is damaged; the first places, and how many more."""
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


def _remark_on_lamp(events: Events, remarks: list[str]) -> None:
    """Repeat what the run noted about its lamp: that it is not seasoned, or may not be."""
    for event in events:
        if event["event"] == "note" and event["subject"] == "lamp":
            said = str(event["detail"])
            remarks.append(f"{said[:1].upper()}{said[1:]}.")


def _remark_on_end(readings: Readings, events: Events, remarks: list[str]) -> bool:
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
