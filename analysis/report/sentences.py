"""Plain sentences: the verdict of a run, its caveats, what happened."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from analysis.calibration_dates import overdue
from analysis.corrections import apply
from analysis.digits import (
    EFFICACY_UNIT,
    FLUX_UNIT,
    PPFD_UNIT,
    duration,
    fixed,
    percent,
    plus_minus,
    significant,
)
from analysis.replicates import replicate_words
from analysis.results import MapSummary, RunSummary, WarmUp
from analysis.stated import of_cells, of_deficit, of_efficacy, of_flux, of_points


def listed(parts: Sequence[str]) -> str:
    """Join as people do: "a", "a and b", "a, b and c"."""
    if len(parts) < 2:
        return "".join(parts)
    return ", ".join(parts[:-1]) + " and " + parts[-1]


def height(map_: MapSummary) -> str:
    """Name the mounting height: "400 mm"."""
    if map_.mounting_height_mm is None:
        return "height not stated"
    return f"{map_.mounting_height_mm:g} mm"


def at_height(map_: MapSummary) -> str:
    """Place a map: "at 400 mm"."""
    if map_.mounting_height_mm is None:
        return "at a height not stated"
    return f"at {map_.mounting_height_mm:g} mm"


def device(run: RunSummary) -> str:
    """Name what was tested."""
    return run.device or run.run_name


def map_title(run: RunSummary, map_: MapSummary) -> str:
    """Name one map: device and mounting height; installation, replicate where these do not tell."""
    title = f"{device(run)}, {height(map_)}"
    hung = {o.installation for o in run.maps if o.mounting_height_mm == map_.mounting_height_mm}
    if len(hung) > 1:
        title += f", installation {map_.installation}"
    title += replicate_words(map_.replicate)
    return f"{title}, {map_.mark}" if map_.mark else title


def _delivers(map_: MapSummary) -> str | None:
    if map_.stated_efficacy_umol_j is not None:
        return f"{plus_minus(*of_efficacy(map_))} {EFFICACY_UNIT}"
    if map_.delivered_flux_umol_s is not None:
        return f"{plus_minus(*of_flux(map_, 'delivered_flux_umol_s'))} {FLUX_UNIT}"
    return None


def verdict(run: RunSummary) -> str:
    """Say in one sentence what a run found, or why it found nothing."""
    name = device(run)
    if not run.maps:
        return f"{name}: no map was read, so nothing is stated about its light."
    stated = [(map_, what) for map_ in run.maps if (what := _delivers(map_)) is not None]
    if not stated:
        counts = listed([f"{map_.n_used} of {map_.n_expected} {at_height(map_)}"
                         for map_ in run.maps])  # fmt: skip
        return (
            f"{name}: no figure is stated for the whole plane, because not every point was "
            f"read ({counts})."
        )
    grids = list(dict.fromkeys(map_.grid.label for map_, _ in stated))
    if len(stated) == 1:
        map_, what = stated[0]
        even = ""
        if map_.uniformity is not None:
            ratio = plus_minus(*of_points(map_, "min_to_mean"))
            even = f", min/mean {ratio} at {grids[0]}"
        sentence = f"{name} delivers {what} to the plane {at_height(map_)}{even}."
    else:
        parts = []
        for map_, what in stated:
            even = ""
            if map_.uniformity is not None:
                even = f" (min/mean {plus_minus(*of_points(map_, 'min_to_mean'))})"
            parts.append(f"{what} {at_height(map_)}{even}")
        grid = f", each at {grids[0]}" if len(grids) == 1 else ""
        sentence = f"{name} delivers to the plane {listed(parts)}{grid}."
    if not any(map_.stated_efficacy_umol_j is not None for map_, _ in stated):
        sentence += " Plane efficacy is not stated: there is no wall power to go with the light."
    return " ".join([sentence, *(f"{mark}." for mark in run.marks)])


def caveats(run: RunSummary) -> list[str]:
    """Say what stands in the way of relying on the verdict, gravest first."""
    found: list[str] = []
    if not run.is_complete and run.maps:
        found.append("The run is not complete; what is missing stands under Remarks.")
    for map_ in run.maps:
        where = at_height(map_)
        if not map_.is_complete:
            bound = ""
            if map_.delivered_flux_lower_bound is not None:
                bound = (
                    f" The plane gets at least {significant(map_.delivered_flux_lower_bound)} "
                    f"{FLUX_UNIT}; the mean of the points read is "
                    f"{significant(map_.mean_ppfd_umol_m2_s)} {PPFD_UNIT}."
                )
            found.append(
                f"Not stated {where}: {map_.n_used} of {map_.n_expected} points were read.{bound}"
            )
        if not map_.drift.accepted:
            found.append(
                f"The map {where} is not accepted: the light changed by "
                f"{percent(map_.drift.span)} while it was read, more than the limit of "
                f"{percent(map_.drift.limit)}."
            )
    found += [
        f"{mark}: every figure of its light and wall power, and what follows from them, is what "
        "it would be there by this run's own fit."
        for mark in run.marks
    ]
    found += overdue(run.instruments, run.begun_utc)
    if any(warm.timed_out for warm in run.warm_ups):
        found.append(
            "The lamp was not stable by the rule when the longest wait had passed; what follows "
            "was read under a lamp still settling."
        )
    return found


def rule_sentences(runs: Sequence[RunSummary]) -> list[str]:
    """State each stabilisation rule that was used, with its source and how sure that is."""
    rules = [warm.rule for run in runs for warm in run.warm_ups]
    said = [
        f"Stable means, by rule {rule.name}: for light and for wall power, span and slope of the "
        f"means over {duration(rule.block_s)} keep within {percent(rule.limit)} over "
        f"{duration(rule.window_s)}, the lamp having been on for at least "
        f"{duration(rule.minimum_on_s)}. Source: {rule.source} ({rule.status})."
        for rule in rules
    ]
    return list(dict.fromkeys(said))


def warm_up_sentence(warm: WarmUp) -> str:
    """Say when the lamp was stable."""
    found = warm.verdict
    if found is None:
        return "Time to stable: not stated, light and wall power were not both read."
    if found.both_s is None:
        reasons = [
            f"{name}: {judgement.reason}"
            for name, judgement in (("light", found.light), ("wall power", found.power))
            if judgement.reason
        ]
        why = f" ({'; '.join(reasons)})" if reasons else ""
        return f"Not stable within what was recorded{why}."
    left = percent(min(found.light.margin, found.power.margin), 0)
    return (
        f"Light was stable after {duration(found.light_s)}, wall power after "
        f"{duration(found.power_s)}, both together after {duration(found.both_s)}; {left} of the "
        "limit was left unused then."
    )


def power_sentence(run: RunSummary) -> str:
    """Say what the wall power did while the maps were read."""
    power = run.wall_power
    entered = [map_.mean_wall_power_w for map_ in run.maps if map_.mean_wall_power_w is not None]
    if power is None and entered:
        watts = listed(list(dict.fromkeys(f"{significant(value, 4)} W" for value in entered)))
        return f"Wall power was typed in as {watts}, not logged; dips cannot be ruled out."
    if power is None:
        return (
            "Wall power: not stated, no readings were logged while the maps were read. "
            "Dips cannot be ruled out."
        )
    trend = ""
    if math.isfinite(power.trend_percent_per_hour):
        trend = (
            f" and changed by {fixed(power.trend_percent_per_hour, 2)} ± "
            f"{fixed(power.trend_interval, 2)} % per hour"
        )
    return (
        f"Wall power averaged {significant(power.mean_w, 4)} W while the maps were read, spanned "
        f"{significant(power.span_w, 2)} W ({percent(power.span, 2)}){trend}. "
        f"{power.dips_sentence}"
    )


def drift_sentence(map_: MapSummary) -> str:
    """Say what the light did during one map and what was done about it."""
    drift = map_.drift
    if drift.source == "none" or drift.span is None:
        return "Drift: not known, no reference was revisited; the map is not corrected for it."
    seen = {"reference": "reference point", "monitor": "monitor sensor"}[drift.source]
    mean_raw = raw_mean(map_)
    change = ""
    if mean_raw is not None and map_.mean_ppfd_umol_m2_s is not None:
        change = (
            f" Mean {significant(mean_raw, 4)} before, "
            f"{significant(map_.mean_ppfd_umol_m2_s, 4)} after ({PPFD_UNIT})."
        )
    return (
        f"Drift: the {seen} spanned {percent(drift.span, 2)} over {len(drift.values)} visits; the "
        f"largest correction of a point is {percent(drift.largest_correction, 2)}.{change}"
    )


def deficit_sentence(map_: MapSummary) -> str:
    """Say how far corners and edges fall below the mean."""
    parts = []
    for where, name in (("Corners", "corner_deficit"), ("edges", "edge_deficit")):
        deficit, reach = of_deficit(map_, name)
        if deficit is not None:
            size = percent(abs(deficit))
            if reach:
                size = f"{plus_minus(100 * abs(deficit), 100 * reach)}\u202f%"
            parts.append(f"{where} lie {size} {'below' if deficit >= 0 else 'above'} the mean")
    if not parts:
        return "Corners and edges: not stated."
    text = listed(parts)
    return f"{text[0].upper()}{text[1:]}."


def raw_mean(map_: MapSummary) -> float | None:
    """Return the area-weighted mean before drift is corrected, all else is. [µmol m⁻² s⁻¹]"""
    values = apply(map_.ppfd_raw, [one for one in map_.corrections if one.name != "drift"])
    read = np.isfinite(values)
    if not read.any():
        return None
    weights = map_.grid.weights_m2[read]
    return float((values[read] * weights).sum() / weights.sum())


def dark_sentence(run: RunSummary) -> str:
    """Say what was read with the lamp off."""
    dark = run.dark
    if dark.status == "skipped":
        return f"skipped: {dark.reason or 'no reason recorded'}"
    if dark.mean is None:
        planned = run.plan.get("dark", {})
        why = planned.get("skip_reason") if isinstance(planned, dict) else ""
        return f"none{f' ({why})' if why else ''}; nothing was subtracted"
    each = "each point has its own" if dark.status == "per point" else "one mean subtracted"
    return f"{fixed(dark.mean, 2)} {PPFD_UNIT} at {dark.points} points, {each}"


def points_sentence(map_: MapSummary) -> str:
    """Say how well the number at a single point is known; empty where that is not known."""
    reach = of_cells(map_)
    if reach is None:
        return ""
    least, most = (percent(one) for one in reach)
    size = f"± {most}" if least == most else f"± {least} to ± {most}"
    return f"A single point is known to {size} (95\u202f%), most of which all points share."


def spots_sentence(map_: MapSummary) -> str:
    """Say what the list of spots can and cannot show."""
    pitch = _pitch(map_)
    narrow = (
        f"Features narrower than the pitch of {pitch} can be missed."
        if pitch
        else "Features narrower than the distance between points can be missed."
    )
    if not map_.is_complete and not map_.spots:
        return f"No hot or cold spot was found among the points that were read. {narrow}"
    if not map_.spots:
        return f"No hot or cold spot stands out from its surroundings. {narrow}"
    return narrow


def _pitch(map_: MapSummary) -> str:
    grid = map_.grid
    if grid.layout == "explicit":
        return ""
    steps = [
        float(np.median(np.diff(np.unique(np.round(along, 2)))))
        for along, count in ((grid.x_mm, grid.columns), (grid.y_mm, grid.rows))
        if count > 1
    ]
    if not steps:
        return ""
    texts = list(dict.fromkeys(f"{fixed(step, 0)} mm" for step in steps))
    return " × ".join(texts)


_EVENTS: Final = {
    "run-begun": "Run begun",
    "identified": "Instrument answered with its identity",
    "homed": "Stage homed",
    "caution-acknowledged": "Cautions read and acknowledged",
    "dark-begun": "Dark reading begun, lamp off",
    "dark-skipped": "Dark reading skipped",
    "lamp-lit": "Lamp lit",
    "lamp-off": "Lamp off",
    "warm-up-begun": "Warm-up begun",
    "lamp-stable": "Lamp stable",
    "warm-up-timeout": "Longest wait passed before the lamp was stable",
    "quick-look": "Quick look",
    "map-begun": "Map begun",
    "map-ended": "Map ended",
    "reference-chosen": "Reference point chosen",
    "fault": "Fault",
    "retry": "Tried again",
    "prompt": "Asked",
    "answer": "Answered",
    "note": "Note",
    "stopped": "Stopped",
    "run-ended": "Run ended",
}
_OF_COURSE: Final = ("done", "yes", "ok", "")
_LONGEST_PROMPT: Final = 140
_REPEATED: Final = ("fault", "retry", "prompt", "answer", "identified")


def happenings(run: RunSummary) -> list[tuple[float, str]]:
    """Turn the events of a run into dated plain sentences; long repetitions are counted.

    Returns
    -------
    list of (elapsed_s, sentence)
    """
    told: list[tuple[float, str]] = []
    events = _without_routine(run.events)
    routine = len(run.events) - len(events)
    at = 0
    while at < len(events):
        event = events[at]
        same = at + 1
        while (
            same < len(events)
            and event["event"] in _REPEATED
            and events[same]["event"] == event["event"]
            and events[same]["subject"] == event["subject"]
            and events[same]["detail"] == event["detail"]
        ):
            same += 1
        if same - at > 3:
            told.append((float(event["elapsed_s"]), f"{_told(event)} ({same - at} times alike)"))
        else:
            told += [(float(one["elapsed_s"]), _told(one)) for one in events[at:same]]
        at = same
    if routine:
        told.append((float(run.events[-1]["elapsed_s"]),
                     f"{routine} routine prompts and answers are left out here"))  # fmt: skip
    return told


def _without_routine(events: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Leave out prompts that were answered as a matter of course, with their answers."""
    routine: set[int] = set()
    asked: int | None = None
    for at, event in enumerate(events):
        if event["event"] == "prompt":
            asked = at
        elif event["event"] == "answer":
            if str(event["detail"]).strip().lower() in _OF_COURSE:
                routine |= {at} if asked is None else {at, asked}
            asked = None
    return [event for at, event in enumerate(events) if at not in routine]


def _told(event: dict[str, Any]) -> str:
    name = str(event["event"])
    words = _EVENTS.get(name, name.replace("-", " ").capitalize())
    subject = str(event.get("subject") or "").replace("_", " ")
    detail = str(event.get("detail") or "")
    if name == "prompt" and len(detail) > _LONGEST_PROMPT:
        detail = detail[:_LONGEST_PROMPT].rsplit(" ", 1)[0] + " …"
    rest = ": ".join(part for part in (subject, detail) if part)
    return f"{words}: {rest}" if rest else words
