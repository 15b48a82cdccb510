"""From a run folder to what a person looks at: summary, report, pictures, table."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table

from analysis import run_folder
from analysis.digits import plus_minus
from analysis.figures.style import many_figures, to_png, to_svg_file
from analysis.lab_folder import slug
from analysis.report.build import write_map_png
from analysis.report.cards import card_of
from analysis.report.correction_part import mark_notes
from analysis.report.drawn import keep_drawings, map_stem
from analysis.report.findings import Findings, find
from analysis.report.height_part import height_verdicts
from analysis.report.pages import write_pages
from analysis.report.tables import MARK
from analysis.report.value_part import headlines
from analysis.stated import (
    Stated,
    of_efficacy,
    of_flux,
    of_points,
    of_variation,
    of_wall_power,
)
from analysis.summary import MapSummary, RunSummary, summarise
from drivers.clock import Clock
from rig.pdf import write_pdf

#: In the table a word would push the last columns out of 80.
NOT_STATED = "–"


def derive(folder: Path, *, made_utc: str) -> Findings:
    """Write summary and report into a run folder, and return what was found in it.

    Raises
    ------
    RunFolderError
        Not a run folder.
    """
    summary = summarise(run_folder.load(folder))
    text = json.dumps(summary.to_dict(), indent=1, ensure_ascii=False, allow_nan=False)
    (folder / run_folder.SUMMARY).write_text(text + "\n", encoding="utf-8")
    found = find([summary])
    write_pages(found, folder / run_folder.REPORT, made_utc=made_utc)
    return found


def derive_with_pictures(folder: Path, *, made_utc: str) -> Findings:
    """Write all that stands beside a run's readings: what `derive` writes, and the pictures.

    Raises
    ------
    RunFolderError
        Not a run folder.
    """
    found, figures = derive(folder, made_utc=made_utc), folder / run_folder.FIGURES
    draw_pictures(found, figures)
    keep_drawings(found, folder / run_folder.REPORT, figures)
    return found


def utc_text(clock: Clock) -> str:
    """Return the time of day as it is printed in a report."""
    return clock.utc().strftime("%Y-%m-%dT%H:%M:%SZ")


@many_figures()
def draw_pictures(found: Findings, figures: Path) -> None:
    """Write pictures for publication: each map, all on one scale, differences, and the card."""
    figures.mkdir(exist_ok=True)
    for at, summary in enumerate(found.runs):
        for one in summary.maps:
            name = f"{map_stem(found, at, one)}.png"
            write_map_png(summary, one, figures / name, scale=found.scale, stamps=found.stamps)
    for difference in found.differences:
        at_mm = slug(f"{difference.height_mm:g} mm")
        pair = f"{slug(difference.first)}-over-{slug(difference.second)}-{at_mm}"
        stem = figures / f"difference-{pair}"
        png = to_png(difference.figure(), dpi=200, stamps=found.stamps)
        stem.with_suffix(".png").write_bytes(png)
        stem.with_suffix(".svg").write_bytes(
            to_svg_file(
                difference.figure(), name=pair, alt=difference.alt_text, stamps=found.stamps
            )
        )
    card = card_of(found)
    if card is not None:
        card.write(figures)


def show_pages(
    pages: Sequence[Path], console: Console, *, figures: Path, pdf: bool = False
) -> None:
    """Print where the pages and pictures are; print the pages as PDF, too, on request.

    Raises
    ------
    NoPdf
        A page could not be printed; all the rest is there.
    """
    names = ("Report", "For the lab's file", "For the public")
    for name, page in zip(names, pages, strict=True):
        console.print(f"{name}: {page}", markup=False, soft_wrap=True)
    console.print(f"Pictures: {figures}", markup=False, soft_wrap=True)
    for page in pages if pdf else ():
        console.print(f"PDF: {write_pdf(page)}", markup=False, soft_wrap=True)


def show_results(summaries: Sequence[RunSummary], console: Console) -> None:
    """Print one line for each map, then what is to be said about each run."""
    grids = {one.grid.label.replace(" × ", "×") for summary in summaries for one in summary.maps}
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    # A short name leaves its room to the figures, so that the last column stays in 80 signs.
    longest = max((len(summary.device) for summary in summaries), default=0)
    table.add_column("\n\ndevice", min_width=max(6, min(9, longest)), overflow="fold")
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
    console.print("± is the half-width of the 95 % interval.", markup=False)
    held = [one.uncertainty for summary in summaries for one in summary.maps]
    assumed = [told for one in held if one is not None for told in one.assumptions]
    for told in dict.fromkeys(assumed):
        console.print(told, markup=False)
    if any(NOT_STATED in _cells(one) for summary in summaries for one in summary.maps):
        console.print(f"{NOT_STATED} not stated", markup=False)
    for note in mark_notes(summaries):
        console.print(note, markup=False)
    for summary in summaries:
        for remark in summary.remarks:
            console.print(f"{summary.device}: {remark}", markup=False)


def _cells(one: MapSummary) -> list[str]:
    mark = MARK if one.mark else ""

    def shown(stated: Stated) -> str:
        if stated.value is None:
            return NOT_STATED
        return plus_minus(*stated).replace(" ± ", "±") + mark

    height_mm = one.mounting_height_mm
    return [
        NOT_STATED if height_mm is None else f"{height_mm:.0f}",
        shown(of_efficacy(one)),
        shown(of_flux(one, "delivered_flux_umol_s")),
        shown(of_flux(one, "mean_ppfd_umol_m2_s")),
        shown(of_points(one, "min_to_mean")),
        shown(of_variation(one).times(100)),
        shown(of_wall_power(one)),
        str(sum(spot.kind == "hot" for spot in one.spots)),
    ]


def show_verdicts(found: Findings, console: Console) -> None:
    """Print what the report says about several runs together: verdicts, or why there are none."""
    together = found.standing
    if together is None:
        return
    console.print(f"\n{together.headline}", markup=False)
    for stamp in together.stamps:
        console.print(stamp, markup=False, style="reverse bold")
    for sentence in (*together.sentences, *together.remarks):
        console.print(f"\n{sentence}", markup=False)
    for pair, mismatch in together.refused:
        console.print(f"{pair}: {mismatch.sentence}", markup=False)
    if together.refused:
        console.print(
            f"To compare all the same: evenfall compare, with {together.accept_words}", markup=False
        )
    for sentence in headlines(found.ranking):
        console.print(f"\n{sentence}", markup=False)


def show_heights(found: Findings, console: Console) -> None:
    """Print how low each device may hang, for the runs that were read at two heights or more."""
    verdicts = height_verdicts(found)
    if verdicts:
        console.print()
    for verdict in verdicts:
        console.print(verdict, markup=False)
