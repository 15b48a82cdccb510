"""The command ``evenfall heights``: how low a device may hang, from one run."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console
from rich.table import Table

from analysis import run_folder
from analysis.figures.height_curves import height_trade_off
from analysis.figures.style import to_png
from analysis.heights import Heights, NoHeights, heights
from analysis.report import height_words
from analysis.summary import damage_sentences, summarise
from rig.toml_faults import ConfigError

PICTURE = "mounting-height.png"
DPI = 160


def heights_command(folder: Path, out: Path | None) -> int:
    """Print the verdict, the table and what stands behind them; draw the curves.

    Returns
    -------
    int
        0, or 1 where no map of the run can be used.

    Raises
    ------
    RunFolderError
        Not a run folder.
    ConfigError
        There is no place for the picture; nothing was written.
    """
    if out is not None and (out.is_dir() or not out.absolute().parent.is_dir()):
        problem = "is a folder" if out.is_dir() else f"the folder {out.parent} is not there"
        raise ConfigError(f"--out {out}", [f"{problem}; give a file to write, e.g. heights.png"])
    if out is not None and out.suffix.lower() != ".png":
        raise ConfigError(f"--out {out}", ["the picture is a PNG; give a name that ends in .png"])
    run = run_folder.load(folder)
    summary = summarise(run)
    found = heights(summary)
    console = Console(highlight=False)
    console.print(height_words.verdict(found), markup=False)
    for told in (*(f"{mark}." for mark in summary.marks), *damage_sentences(run)):
        console.print(told, markup=False)
    if isinstance(found, NoHeights):
        for sentence in height_words.sentences(found):
            console.print(sentence, markup=False)
        return 1
    console.print()
    console.print(_table(found))
    console.print(
        "± is the half-width of the 95 % interval. Peak and min/mean are freed of what the noise "
        "of the points adds, so they can differ a little from those of the maps.",
        markup=False,
    )
    for sentence in height_words.sentences(found):
        console.print(sentence, markup=False)
    if found.range_mm[0] == found.range_mm[1]:
        console.print("No curves: they take two heights.", markup=False)
        return 0
    path = out
    if path is None:
        path = folder / "figures" / PICTURE
        path.parent.mkdir(exist_ok=True)
    figure = height_trade_off(found, title=f"Mounting height, {found.device}")
    path.write_bytes(to_png(figure, DPI, stamps=summary.marks))
    console.print(f"Picture: {path}", markup=False, soft_wrap=True)
    return 0


def _table(found: Heights) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for heading in (
        "\nheight\nmm",
        "plane\nefficacy\nµmol/J",
        "delivered\nflux\nµmol/s",
        "mean\nPPFD\nµmol/m²/s",
        "peak\nPPFD\nµmol/m²/s",
        "\n\nmin/mean",
    ):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("")
    for row in height_words.rows(found):
        table.add_row(row.height, *row.cells, row.label if row.label != "measured" else "")
    return table
