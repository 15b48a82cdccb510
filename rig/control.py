"""``evenfall control LAB``: is the bench still the bench it was? The control reflector's chart."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table

from analysis import lab_folder
from analysis.control_chart import LEAST_RESULTS, RULES
from analysis.control_runs import ControlHistory, Epoch, HeightChart, control_history
from analysis.control_words import began, bench_between, calibrated, silent, verdicts
from analysis.digits import EFFICACY_UNIT, PPFD_UNIT, fixed, significant
from analysis.figures.control import Panel, control_figure
from analysis.figures.style import to_png, to_svg_file
from analysis.lab_folder import slug
from analysis.lab_records import LabFolderError
from analysis.results import RunSummary

FIGURES = "control"
_DPI = 200


def control_command(lab: Path, out: Path | None, console: Console | None = None) -> int:
    """Print the verdict on the bench, then the results, and draw a chart for each height.

    Raises
    ------
    LabFolderError
        Not a lab folder, or none of its runs is of a control reflector.
    """
    console = console or Console(highlight=False)
    history = control_history(lab)
    if not history.epochs:
        unread = f" {len(history.problems)} could not be read." if history.problems else ""
        raise LabFolderError(
            f"{lab}: none of its runs is of a control reflector.{unread} Give "
            "is_control = true in the section [device] of the plan of the one that the lab keeps, "
            "and measure it now and then."
        )
    newest = max(history.epochs, key=lambda epoch: max(_days(epoch), default=""))
    for sentence in (*verdicts(newest), began(newest), *calibrated(newest), silent(newest)):
        if sentence:
            console.print(sentence, markup=False)
    for chart in newest.charts:
        console.print()
        console.print(_table(chart))
    if any(len(chart.results) >= LEAST_RESULTS for chart in newest.charts):
        console.print(f"\nOut of the ordinary: {'; '.join(RULES)}.", markup=False)
    for epoch in history.epochs:
        if epoch is not newest:
            console.print(f"\n{_named(epoch)}:", markup=False)
            for sentence in (*verdicts(epoch), began(epoch), *calibrated(epoch)):
                if sentence:
                    console.print(f"  {sentence}", markup=False)
    left_out = [one for epoch in history.epochs for one in epoch.left_out]
    if left_out or history.problems:
        console.print("\nNot on a chart:", markup=False)
    for one in (*left_out, *history.problems):
        console.print(f"  {one}", markup=False)
    figures = out or lab / FIGURES
    drawn = draw(history, figures)
    if drawn:
        console.print(f"\nCharts: {figures}", markup=False, soft_wrap=True)
    return 0


def bench_of_labs(runs: Sequence[RunSummary]) -> tuple[str, ...]:
    """Say what the control reflector of the lab that all these runs lie in tells of their time.

    Nothing where they lie in no lab folder, in several, or in one without a control.
    """
    labs = {lab_folder.lab_of(run.path) for run in runs}
    lab = labs.pop() if len(labs) == 1 else None
    if lab is None:
        return ()
    try:
        return bench_between(control_history(lab), runs)
    except LabFolderError:
        return ()  # the runs stand alone; what is wrong with their lab, `evenfall control` says


def draw(history: ControlHistory, figures: Path) -> list[Path]:
    """Write the chart of each height, as SVG and as PNG; earlier epochs have a number of theirs."""
    drawn = []
    for number, epoch in enumerate(history.epochs, start=1):
        for chart in epoch.charts:
            figures.mkdir(parents=True, exist_ok=True)
            height = f"{chart.mounting_height_mm:g} mm"
            stem = figures / f"{number:02}-{slug(f'{chart.control} {height}')}"
            title = f"Control reflector {chart.control}, {height}"
            figure = control_figure(
                [
                    Panel(name="plane efficacy", unit=EFFICACY_UNIT, chart=chart.efficacy),
                    Panel(name="mean PPFD", unit=PPFD_UNIT, chart=chart.mean),
                ],
                begun=[one.begun_utc for one in chart.results],
                title=title,
                about=_about(epoch, chart),
            )
            svg = to_svg_file(figure, name=stem.name, alt=title)
            stem.with_suffix(".svg").write_bytes(svg)
            stem.with_suffix(".png").write_bytes(to_png(figure, _DPI))
            drawn.append(stem)
    return drawn


def _days(epoch: Epoch) -> list[str]:
    return [f"{one.begun_utc:%Y-%m-%d}" for chart in epoch.charts for one in chart.results]


def _named(epoch: Epoch) -> str:
    days = sorted(_days(epoch))
    return f"Chart of {days[0]} to {days[-1]}" if days else "A time without a usable map"


def _about(epoch: Epoch, chart: HeightChart) -> str:
    plan = epoch.runs[-1].plan
    walls, lamp = plan.get("area", {}), plan.get("lamp", {})
    parts = [
        f"lamp {lamp.get('sample') or 'not stated'}",
        f"walls {walls.get('walls_identity') or 'not stated'}",
    ]
    if walls.get("walls_state_date"):
        parts[-1] += f" as of {walls['walls_state_date']}"
    return "; ".join([*parts, chart.results[-1].map_.grid.label])


def _table(chart: HeightChart) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column(f"{chart.mounting_height_mm:g} mm")
    table.add_column("plane efficacy\nµmol/J", justify="right")
    table.add_column("mean PPFD\nµmol/m²/s", justify="right")
    table.add_column("out of the ordinary")
    for at, one in enumerate(chart.results):
        rules = [signal.rule for signal in chart.efficacy.signals if signal.at == at]
        table.add_row(
            f"{one.begun_utc:%Y-%m-%d}",
            fixed(one.efficacy_umol_j, 3),
            significant(one.mean_ppfd_umol_m2_s),
            "; ".join(rules),
        )
    return table
