"""The maps of a run: which readings belong to which, and the power of their moments."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from attrs import evolve, frozen

from analysis.grid import Grid
from analysis.interruptions import in_doubt
from analysis.line_voltage import MapSeries, scaling
from analysis.map_remarks import Limits
from analysis.map_summary import MapReadings, summarise_map
from analysis.phases import Events, dark_for, moments, stray_for
from analysis.replicates import replicates_at
from analysis.results import MapSummary
from analysis.run_corrections import RunCorrections
from analysis.samples import (
    LIGHT,
    MONITOR,
    POWER,
    Flags,
    Floats,
    Integers,
    Readings,
    Sets,
    is_light,
    newest_visits,
    sample_sets,
)
from analysis.windows import means_over_windows

VOLTAGE: Final = "line_voltage_v"
NEW_LIGHT: Final = ("lamp-lit", "warm-up-begun")
"""Events after which light is not compared with light before, without a new reference."""


@frozen(kw_only=True, eq=False)
class _Light:
    """Accepted rows of one light sensor with the power of their windows."""

    rows: Readings
    segment: Integers
    power_w: Floats

    def sets(self, mask: Any) -> Sets:
        return sample_sets(self.rows.where(mask), self.segment[mask], self.power_w[mask])


def _light(rows: Readings, power: Readings, breaks_s: Floats) -> _Light:
    power_w = means_over_windows(
        rows.window_start_s,
        rows.window_end_s,
        power.window_start_s,
        power.window_end_s,
        power.value,
    )
    segment = np.searchsorted(breaks_s, rows.middle_s, side="right").astype(np.int64)
    return _Light(rows=rows, segment=segment, power_w=power_w)


def summarise_maps(
    grid: Grid,
    limits: Limits,
    readings: Readings,
    events: Events,
    corrections: RunCorrections,
    remarks: list[str],
) -> tuple[MapSummary, ...]:
    """Summarise each installation, mounting height and replicate of a run, in the order read."""
    good = readings.is_good
    mapped = (readings.role == "grid") | (readings.role == "reference")
    by_sensor = is_light(readings)
    power = readings.where((readings.quantity == POWER) & good)
    breaks_s = np.sort(np.array(moments(events, *NEW_LIGHT), dtype=float))
    light = _light(readings.where(by_sensor & mapped & good), power, breaks_s)
    monitor = _light(
        readings.where((readings.quantity == LIGHT) & (readings.instrument == MONITOR) & good),
        power,
        breaks_s,
    )
    dark, stray = (
        readings.where(by_sensor & (readings.role == role) & good) for role in ("dark", "stray")
    )
    dark = newest_visits(dark)
    failed = readings.where(by_sensor & mapped & (readings.status == "failed"))
    on_grid = light.rows.role == "grid"
    keys = dict.fromkeys(
        zip(
            light.rows.installation[on_grid].tolist(),
            np.nan_to_num(light.rows.mounting_height_mm[on_grid], nan=-1.0).tolist(),
            replicates_at(light.rows.elapsed_s, events)[on_grid].tolist(),
            strict=True,
        )
    )
    if not keys:
        remarks.append("No point of a map was read.")
    read = []
    for installation, key_mm, replicate in keys:
        own, lost = (
            (rows.installation == installation)
            & (np.nan_to_num(rows.mounting_height_mm, nan=-1.0) == key_mm)
            & (replicates_at(rows.elapsed_s, events) == replicate)
            for rows in (light.rows, failed)
        )
        height_mm = None if key_mm == -1.0 else key_mm
        in_dark = dark_for(grid, dark, installation)
        told: list[str] = []
        to_do = corrections.for_map(
            grid,
            height_mm,
            told,
            dark=in_dark,
            stray=stray_for(grid, stray, in_dark, installation, height_mm),
        )
        read.append(
            MapReadings(
                installation=installation,
                mounting_height_mm=height_mm,
                sets=_trusted(light, own, events, limits.samples_per_point),
                monitor=_monitor_during(monitor, light.rows.where(own), dark, installation),
                corrections=to_do,
                power=power,
                entered_power_w=_entered_power(
                    power.where(replicates_at(power.elapsed_s, events) == replicate),
                    installation,
                    key_mm,
                ),
                n_retried=int(lost.sum()),
                told=tuple(told),
                replicate=replicate or None,
            )
        )
    maps = tuple(summarise_map(grid, limits, one) for one in read)
    if corrections.nominal_v is None or not maps:
        return maps
    voltage = readings.where((readings.quantity == VOLTAGE) & good)
    series = [_series(one, map_) for one, map_ in zip(read, maps, strict=True)]
    scaled = scaling(corrections.nominal_v, series, voltage, power, remarks)
    if scaled is None:
        return maps
    return tuple(
        summarise_map(
            grid, limits, evolve(one, corrections=evolve(one.corrections, nominal=nominal))
        )
        for one, nominal in zip(read, scaled, strict=True)
    )


def _series(read: MapReadings, map_: MapSummary) -> MapSeries:
    """What a map tells of how light follows the line voltage."""
    sets = read.monitor
    if map_.drift.source != "monitor":
        sets = read.sets.where(read.sets.role == "reference")
    used = sets.where(np.isin(sets.middle_s, map_.drift.elapsed_s))
    points = read.sets.where(np.isin(read.sets.middle_s, map_.read_s))
    return MapSeries(
        begun_s=map_.begun_s or 0.0,
        ended_s=map_.ended_s or 0.0,
        point_start_s=points.start_s,
        point_end_s=points.end_s,
        point_duration_s=points.duration_s,
        start_s=used.start_s,
        end_s=used.end_s,
        light=map_.drift.values,
    )


def _trusted(light: _Light, own: Flags, events: Events, samples_per_point: int) -> Sets:
    """Sets of a map that nothing puts in doubt; what happened in another map does not."""
    sets = light.sets(own)
    last_s = light.rows.elapsed_s[own].max()
    next_s = light.rows.elapsed_s[~own & (light.rows.elapsed_s > last_s)].min(initial=math.inf)
    until_now = [event for event in events if float(event["elapsed_s"]) < next_s]
    return sets.where(~in_doubt(sets, until_now, samples_per_point))


def _monitor_during(monitor: _Light, own: Readings, dark: Readings, installation: int) -> Sets:
    """Sets of the monitor sensor while a map was read, less what it showed in the dark."""
    offset = 0.0
    if len(dark):
        hanging = (
            installation if (dark.installation == installation).any() else dark.installation[0]
        )
        in_dark = _beside(monitor.rows, dark.where(dark.installation == hanging))
        if in_dark.any():
            offset = float(monitor.rows.value[in_dark].mean())
    sets = monitor.sets(_beside(monitor.rows, own))
    return evolve(sets, mean=sets.mean - offset)


def _beside(rows: Readings, others: Readings) -> Flags:
    """Rows read between the first and the last of some others, give or take one window."""
    if len(rows) == 0 or len(others) == 0:
        return np.zeros(len(rows), dtype=bool)
    slack_s = float(np.nan_to_num(np.median(rows.window_end_s - rows.window_start_s)))
    middle_s, span_s = rows.middle_s, others.middle_s
    return (middle_s >= span_s.min() - slack_s) & (middle_s <= span_s.max() + slack_s)


def _entered_power(power: Readings, installation: int, height_mm: float) -> float | None:
    """Mean wall power that was entered for a map, or for the run if not for the map.

    So is what a person reads off a display: no window of it is known. What was read while the
    lamp warmed up is no part of it.
    """
    is_of_maps = ~np.isin(power.role, ("warm-up", "dark"))
    entered = power.where(~np.isfinite(power.window_start_s) & is_of_maps)
    own = (entered.installation == installation) & (
        np.nan_to_num(entered.mounting_height_mm, nan=-1.0) == height_mm
    )
    used = entered.value[own] if own.any() else entered.value
    return float(used.mean()) if len(used) else None
