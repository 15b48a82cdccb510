"""The page for the public: verdict, one map, one table, and what stands against them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from analysis.digits import EFFICACY_UNIT, PPFD_UNIT, fixed, significant
from analysis.figures.plan_view import bare_map
from analysis.figures.plane import Setting
from analysis.figures.style import to_svg
from analysis.report import page, sentences, tables
from analysis.report.cards import lead_map
from analysis.report.correction_part import mark_notes
from analysis.report.findings import Findings
from analysis.report.pictures import Picture
from analysis.results import MapSummary, RunSummary

HEADINGS: Final = (
    ("plane efficacy", EFFICACY_UNIT),
    ("mean PPFD", PPFD_UNIT),
    ("min/mean", ""),
)


def render(found: Findings, *, made_utc: str) -> str:
    """Return the page as HTML; `made_utc` as of `analysis.report.build.render`."""
    runs, together = found.runs, found.standing
    said = [sentences.verdict(run) for run in runs]
    if together is not None:
        said = [together.headline, *(together.sentences if together.order else said)]
    shown = lead_map(found)
    return page.fill(
        "public.html",
        title=page.title(runs),
        headline=said[0].replace(" ± ", "\u00a0±\u00a0"),
        verdicts=said[1:],
        stamps=found.stamps,
        picture=None if shown is None else _picture(found, *shown),
        headings=HEADINGS,
        lines=[
            (f"{device}, {height}", entries[: len(HEADINGS)])
            for device, height, entries in tables.key_numbers(runs)
        ],
        mark_notes=mark_notes(runs),
        caveats=_caveats(runs, is_compared=together is not None and bool(together.order)),
        made_utc=page.moment(made_utc),
    )


def _picture(found: Findings, run: RunSummary, map_: MapSummary) -> Picture:
    top, setting = significant(found.scale.top_umol_m2_s), Setting.from_plan(run.plan)
    lowest, highest = float(np.nanmin(map_.ppfd)), float(np.nanmax(map_.ppfd))
    target = setting.target_ppfd_umol_m2_s
    signs = [
        told
        for is_drawn, told in (
            (lowest < highest / 2, "solid line: half of the highest value"),
            (target is not None and lowest < target < highest, "dashed: the target"),
            (setting.lamp_axis in ("x", "y"), "dash and dot: the lamp's axis"),
            (bool(map_.spots), "rings: hot spots solid, cold ones dashed"),
        )
        if is_drawn
    ]
    caption = (
        f"{sentences.map_title(run, map_)}: PPFD in {PPFD_UNIT} at {map_.grid.label} on "
        f"{fixed(map_.grid.width_mm, 0)} × {fixed(map_.grid.depth_mm, 0)} mm, seen from above. "
        f"The scale runs from 0 to {top}" + "".join(f"; {one}" for one in signs) + "."
    )
    stamps = tuple(dict.fromkeys([*found.stamps, *run.marks]))
    figure = bare_map(map_, found.scale, setting)
    return Picture(to_svg(figure, name="public", alt=caption, stamps=stamps), caption)


def _caveats(runs: Sequence[RunSummary], *, is_compared: bool) -> list[str]:
    """Say in one paragraph what the figures hold for, and what stands against them."""
    several = len({sentences.device(run) for run in runs}) > 1
    said = [
        f"{sentences.device(run) + ': ' if several else ''}{caveat}"
        for run in runs
        for caveat in sentences.caveats(run)
    ]
    around = []
    for run in runs:
        area = run.plan.get("area", {})
        walls, floor = area.get("walls"), area.get("floor")
        within = f"walls of {walls}" if walls else "walls that are not stated"
        around.append(within + (f" over {floor}" if floor else ""))
    said.append(
        f"Read between {sentences.listed(list(dict.fromkeys(around)))}, whose reflected light "
        "counts: other surroundings give other figures."
    )
    lamps = list(dict.fromkeys(str(run.plan.get("lamp", {}).get("kind") or "") for run in runs))
    lamp = f" ({sentences.listed(lamps)})" if all(lamps) else ""
    specimen = "one specimen of each device" if several else "one specimen"
    said.append(f"They hold for {specimen} and for the lamp{lamp} and ballast it was read with.")
    if any(one.uncertainty is not None for run in runs for one in run.maps):
        shared = (
            " Much of it is common to all devices and cancels where they are compared."
            if is_compared
            else ""
        )
        said.append(f"± spans the 95 % interval.{shared}")
    return said
