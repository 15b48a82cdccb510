"""From a run folder to what a person looks at: summary, report, pictures, table."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table

from analysis import run_folder
from analysis.lab_folder import slug
from analysis.report.build import write_map_png, write_rendered
from analysis.report.pictures import shared_scale
from analysis.report.sentences import height
from analysis.report.standing import standing
from analysis.report.value_part import headlines
from analysis.summary import MapSummary, RunSummary, summarise

#: In the table a word would push the last columns out of 80.
NOT_STATED = "–"


def derive(folder: Path, *, made_utc: str) -> RunSummary:
    """Write summary and report into a run folder.

    Raises
    ------
    RunFolderError
        Not a run folder.
    """
    run = run_folder.load(folder)
    summary = summarise(run)
    text = json.dumps(summary.to_dict(), indent=1, ensure_ascii=False, allow_nan=False)
    (folder / run_folder.SUMMARY).write_text(text + "\n", encoding="utf-8")
    write_rendered([run], [summary], folder / run_folder.REPORT, made_utc=made_utc)
    return summary


def draw_maps(summaries: Sequence[RunSummary], figures: Path) -> None:
    """Write each map as a picture for publication, all on one scale."""
    figures.mkdir(exist_ok=True)
    scale = shared_scale(summaries)
    for summary in summaries:
        for one in summary.maps:
            name = f"{summary.device} {one.installation} {height(one)}"
            write_map_png(summary, one, figures / f"{slug(name)}.png", scale=scale)


def show_results(summaries: Sequence[RunSummary], console: Console) -> None:
    """Print one line for each map, then what is to be said about each run."""
    grids = {one.grid.label.replace(" × ", "×") for summary in summaries for one in summary.maps}
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column("\n\ndevice", min_width=12, overflow="fold")
    for heading in (
        "\nheight\nmm",
        "plane\nefficacy\nµmol/J",
        "delivered\nflux\nµmol/s",
        "mean\nPPFD\nµmol/m²/s",
        "\nmin/mean\n" + (grids.pop() if len(grids) == 1 else "(see report)"),
        "\nCV\n%",
        "wall\npower\nW",
        "\nhot\nspots",
    ):
        table.add_column(heading, justify="right", no_wrap=True)
    for summary in summaries:
        for number, one in enumerate(summary.maps):
            table.add_row(summary.device if not number else "", *_cells(one))
    console.print(table)
    if any(NOT_STATED in _cells(one) for summary in summaries for one in summary.maps):
        console.print(f"{NOT_STATED} not stated", markup=False)
    for summary in summaries:
        for remark in summary.remarks:
            console.print(f"{summary.device}: {remark}", markup=False)


def _cells(one: MapSummary) -> list[str]:
    def shown(value: float | None, decimals: int) -> str:
        return NOT_STATED if value is None else f"{value:.{decimals}f}"

    spread = one.uniformity
    return [
        shown(one.mounting_height_mm, 0),
        shown(one.stated_efficacy_umol_j, 3),
        shown(one.delivered_flux_umol_s, 0),
        shown(one.mean_ppfd_umol_m2_s, 0),
        shown(None if spread is None else spread.min_to_mean, 2),
        shown(None if spread is None else 100 * spread.coefficient_of_variation, 1),
        shown(one.mean_wall_power_w, 1),
        str(sum(spot.kind == "hot" for spot in one.spots)),
    ]


def show_verdicts(summaries: Sequence[RunSummary], console: Console) -> None:
    """Print what the report says about several runs together: verdicts, or why there are none."""
    together = standing(summaries)
    if together is None:
        return
    for sentence in (together.headline, *together.sentences, *together.remarks):
        console.print(f"\n{sentence}", markup=False)
    for pair, reason in together.refused:
        console.print(f"{pair}: {reason.sentence}", markup=False)
    for sentence in headlines(summaries):
        console.print(f"\n{sentence}", markup=False)
