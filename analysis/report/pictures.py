"""The figures of a report, each drawn once, with what it shows in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import evolve, frozen

from analysis.digits import EFFICACY_UNIT, PPFD_UNIT, fixed, percent, plus_minus, significant
from analysis.figures import charts
from analysis.figures.plan_view import plan_view
from analysis.figures.plane import Setting
from analysis.figures.profiles import profiles
from analysis.figures.sheets import Panel, comparison_sheet
from analysis.figures.style import Scale, to_svg
from analysis.report import sentences
from analysis.results import MapSummary, RunSummary, WarmUp
from analysis.stated import of_efficacy


@frozen
class Picture:
    """A drawn figure and its caption."""

    svg: str
    caption: str


def shared_scale(runs: Sequence[RunSummary]) -> Scale:
    """Make the one scale that holds every map of these runs."""
    return Scale.covering(
        float(value) for run in runs for map_ in run.maps for value in np.asarray(map_.ppfd)
    )


def _range_in_words(map_: MapSummary) -> str:
    values = np.asarray(map_.ppfd, dtype=float)
    if not np.isfinite(values).any():
        return "no point was read"
    return (
        f"PPFD from {significant(float(np.nanmin(values)))} to "
        f"{significant(float(np.nanmax(values)))} {PPFD_UNIT}"
    )


def map_picture(
    run: RunSummary, map_: MapSummary, scale: Scale, *, name: str, stamps: Sequence[str] = ()
) -> Picture:
    """Draw the plan view of one map."""
    title = sentences.map_title(run, map_)
    setting = Setting.from_plan(run.plan)
    spots = [
        f"{spot.kind} spot at row {spot.row + 1}, column {spot.column + 1}" for spot in map_.spots
    ]
    missing = map_.n_expected - map_.n_used
    told = [
        f"Plan view of {title}: {_range_in_words(map_)} at {map_.grid.label}",
        *spots,
        *([f"{missing} cells not read"] if missing else []),
    ]
    figure = plan_view(map_, scale, setting, title=title)
    svg = to_svg(figure, name=name, alt="; ".join(told), stamps=stamps)
    corrected = "not corrected for drift" if map_.drift.source == "none" else "drift corrected"
    dark = "no dark reading subtracted" if run.dark.mean is None else "dark reading subtracted"
    return Picture(svg, f"{map_.grid.label}; {dark}, {corrected}.")


def how_to_read(scale: Scale) -> str:
    """Say once what holds for every plan view."""
    return (
        f"Plan views are seen from above; the number in each cell is its PPFD in {PPFD_UNIT}. "
        "Rows and columns count from the corner where x and y are 0. Contours join the points "
        "read by straight lines; nothing between points was measured. One scale holds for every "
        f"map here: 0 to {significant(scale.top_umol_m2_s)} {PPFD_UNIT}."
    )


def profile_picture(
    run: RunSummary, map_: MapSummary, scale: Scale, *, name: str
) -> Picture | None:
    """Draw the profiles of one map, or nothing where its points form no rows and columns."""
    if map_.grid.layout == "explicit" or not np.isfinite(map_.ppfd).any():
        return None
    figure = profiles(map_, scale, Setting.from_plan(run.plan))
    title = sentences.map_title(run, map_)
    alt = f"Profiles of {title} through the centre along x and y, within least and greatest"
    return Picture(
        to_svg(figure, name=name, alt=alt),
        "Profiles through the centre, and least to greatest across.",
    )


def _column(runs: Sequence[RunSummary], run: RunSummary) -> str:
    title = sentences.device(run)
    alike = [other for other in runs if sentences.device(other) == title]
    if len(alike) > 1:
        title += f", run {1 + next(at for at, other in enumerate(alike) if other is run)}"
    return title


def _efficacy(map_: MapSummary) -> str:
    if map_.stated_efficacy_umol_j is None:
        return "plane efficacy not stated"
    return f"{plus_minus(*of_efficacy(map_))} {EFFICACY_UNIT}"


def sheet_picture(
    runs: Sequence[RunSummary], scale: Scale, *, stamps: Sequence[str] = ()
) -> Picture | None:
    """Draw all maps on one sheet; None for a single one."""
    panels: list[Panel] = []
    ordered = sorted(
        ((run, map_) for run in runs for map_ in run.maps),
        key=lambda pair: (pair[1].mounting_height_mm is None, pair[1].mounting_height_mm or 0.0),
    )
    taken: set[tuple[str, str]] = set()
    for run, map_ in ordered:
        column, row = _column(runs, run), sentences.height(map_)
        if map_.replicate is not None:
            column += f", repl. {map_.replicate}"
        if (column, row) in taken:
            column += f", inst. {map_.installation}"
        taken.add((column, row))
        even = "not stated"
        if map_.uniformity is not None:
            even = fixed(map_.uniformity.min_to_mean, 2)
        panels.append(
            Panel(
                column=column,
                row=row,
                map_=map_,
                setting=Setting.from_plan(run.plan),
                caption=f"{_efficacy(map_)}\n"
                f"mean {significant(map_.mean_ppfd_umol_m2_s)} · min/mean {even}",
            )
        )
    if len(panels) < 2:
        return None
    order = {_column(runs, run): at for at, run in enumerate(runs)}
    panels.sort(key=lambda panel: order.get(panel.column, len(order)))
    heights = list(dict.fromkeys(sentences.height(map_) for _, map_ in ordered))
    panels.sort(key=lambda panel: heights.index(panel.row))
    told = "; ".join(
        f"{panel.column} at {panel.row}: {_range_in_words(panel.map_)}" for panel in panels
    )
    if len(order) == 1:  # one device: its heights beside each other, not in one tall column
        panels = [evolve(panel, column=panel.row, row=panel.column) for panel in panels]
    grids = list(dict.fromkeys(panel.map_.grid.label for panel in panels))
    has_target = any(panel.setting.target_ppfd_umol_m2_s is not None for panel in panels)
    caption = (
        f"All maps on one scale, 0 to {significant(scale.top_umol_m2_s)} {PPFD_UNIT}; below each "
        "its plane efficacy, mean PPFD and min/mean"
        + (f" at {grids[0]}." if len(grids) == 1 else ". The grids differ: no ratio compares.")
        + " Solid line: 50 % of that map's maximum."
        + (" Dashed line: the target." if has_target else "")
        + " Rings: solid for hot, dashed for cold spots."
    )
    figure = comparison_sheet(panels, scale)
    return Picture(to_svg(figure, name="sheet", alt=told, stamps=stamps), caption)


def warm_up_picture(run: RunSummary, warm: WarmUp, *, name: str) -> Picture | None:
    """Draw one warm-up; None where neither light nor power was read in it."""
    if warm.on_since_s is None:
        return None
    lines = []
    moment_s = None if warm.verdict is None else warm.verdict.moment_s
    for what, (elapsed_s, values), judged in (
        ("light", warm.light, None if warm.verdict is None else warm.verdict.light),
        ("wall power", warm.power, None if warm.verdict is None else warm.verdict.power),
    ):
        readings = charts.Series.of(elapsed_s, values)
        lit = readings.elapsed_s >= warm.on_since_s
        readings = charts.Series(elapsed_s=readings.elapsed_s[lit], values=readings.values[lit])
        if len(readings.values) < 2:
            continue
        blocks = _block_means(readings, warm.on_since_s, warm.rule.block_s)
        final = float(np.mean(blocks.values[-warm.rule.blocks :])) if len(blocks.values) else 0.0
        if judged is not None and moment_s is not None:
            means = judged.block_means[-warm.rule.blocks :]
            final = float(np.nanmean(means))
        if final > 0:
            lines.append(
                charts.WarmUpLine(name=what, readings=readings, block_means=blocks, final=final)
            )
    if not lines:
        return None
    figure = charts.warm_up(
        lines,
        on_since_s=warm.on_since_s,
        moment_s=moment_s,
        window_s=warm.rule.window_s,
        limit=warm.rule.limit,
        title=_warm_up_title(run, warm),
    )
    when = (
        "no moment of stability"
        if moment_s is None
        else f"stable {fixed((moment_s - warm.on_since_s) / 60, 0)} minutes after lighting"
    )
    left_out = [] if len(lines) == 2 else [f"only {lines[0].name} was read"]
    told = "; ".join([f"Light and wall power of {sentences.device(run)} while warming up", when,
                      *left_out])  # fmt: skip
    caption = (
        "Each as per cent of its mean over the window judged"
        if moment_s is not None
        else "Each as per cent of its mean over the last window recorded; the rule was never met"
    )
    return Picture(to_svg(figure, name=name, alt=told), caption + ".")


def _warm_up_title(run: RunSummary, warm: WarmUp) -> str:
    if len(run.warm_ups) == 1:
        return f"Warm-up, {sentences.device(run)}"
    number = 1 + next(at for at, one in enumerate(run.warm_ups) if one is warm)
    return f"Warm-up {number} of {len(run.warm_ups)}, {sentences.device(run)}"


def _block_means(series: charts.Series, on_since_s: float, block_s: float) -> charts.Series:
    block = ((series.elapsed_s - on_since_s) // block_s).astype(int)
    count = int(block[-1]) if len(block) else 0  # the last block is not complete
    within = block < count
    numbers = np.bincount(block[within], minlength=count)
    sums = np.bincount(block[within], series.values[within], minlength=count)
    seen = numbers > 0
    ends_s = on_since_s + block_s * np.arange(1, count + 1)
    return charts.Series(elapsed_s=ends_s[seen], values=sums[seen] / numbers[seen])


def _phases(run: RunSummary) -> list[charts.Phase]:
    phases = []
    moments = {str(event["event"]): float(event["elapsed_s"]) for event in reversed(run.events)}
    first_lit_s = run.warm_ups[0].on_since_s if run.warm_ups else None
    if "dark-begun" in moments and first_lit_s is not None and first_lit_s > moments["dark-begun"]:
        phases.append(charts.Phase(name="dark", begun_s=moments["dark-begun"], ended_s=first_lit_s))
    begins = [map_.begun_s for map_ in run.maps if map_.begun_s is not None]
    for warm in run.warm_ups:
        lit_s = warm.on_since_s
        if lit_s is None:
            continue
        ended_s = warm.recorded_stable_s or min((at for at in begins if at > lit_s), default=lit_s)
        if ended_s > lit_s:
            phases.append(charts.Phase(name="warm-up", begun_s=lit_s, ended_s=ended_s))
    for map_ in run.maps:
        if map_.begun_s is not None and map_.ended_s is not None:
            phases.append(
                charts.Phase(
                    name=f"map {sentences.at_height(map_)}",
                    short=sentences.height(map_), begun_s=map_.begun_s,
                    ended_s=map_.ended_s, is_map=True,
                )
            )  # fmt: skip
    return phases


def power_picture(run: RunSummary, *, name: str) -> Picture | None:
    """Draw the wall power of the run; None where it was not logged."""
    series = charts.Series.of(*run.power_series)
    if len(series.values) < 2:
        return None
    power = run.wall_power
    dips = [] if power is None else [(dip.start_s, dip.lowest_w) for dip in power.dips]
    rule = "not judged"
    if power is not None and np.isfinite(power.shortest_dip_seen_s):
        rule = f"longer than {fixed(power.shortest_dip_seen_s, 1)} s"
    figure = charts.wall_power(
        series,
        phases=_phases(run),
        dips=dips,
        mean_w=None if power is None else power.mean_w,
        title=f"Wall power, {sentences.device(run)}",
        dip_rule=rule,
    )
    told = f"Wall power of {sentences.device(run)} over the run"
    if power is not None:
        told += (
            f": mean {significant(power.mean_w, 4)} W, span {percent(power.span, 2)}, "
            f"{len(dips)} dips"
        )
    caption = (
        "Line: mean; grey: least to greatest of the readings behind each step of the line; "
        "shaded: while a map was read."
    )
    return Picture(to_svg(figure, name=name, alt=told), caption)


def drift_picture(run: RunSummary, *, name: str) -> Picture | None:
    """Draw what the reference read during each map; None where there was none."""
    tracks = []
    for map_ in run.maps:
        series = charts.Series.of(map_.drift.elapsed_s, map_.drift.values)
        if map_.drift.source != "none" and len(series.values) >= 2:
            tracks.append((f"{sentences.height(map_)}, {len(series.values)} visits", series))
    if not tracks:
        return None
    source = next(map_.drift.source for map_ in run.maps if map_.drift.source != "none")
    limit = next(map_.drift.limit for map_ in run.maps if map_.drift.source != "none")
    seen = {"reference": "Reference point", "monitor": "Monitor sensor"}[source]
    figure = charts.drift(tracks, limit=limit, title=f"{seen}, {sentences.device(run)}")
    spans = ", ".join(
        f"{sentences.at_height(map_)} {percent(map_.drift.span, 2)}"
        for map_ in run.maps
        if map_.drift.span is not None
    )
    told = f"{seen} of {sentences.device(run)} during the maps; span {spans}"
    return Picture(to_svg(figure, name=name, alt=told), "Each visit against the mean of its map.")
