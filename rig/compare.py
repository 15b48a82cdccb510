"""`evenfall compare`: several runs on one page, like for like or not at all."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console

from analysis import run_folder
from analysis.likeness import NotAFactError, check_facts
from analysis.report.drawn import keep_drawings
from analysis.report.findings import Findings, find
from analysis.report.pages import write_pages
from analysis.report.standing import Standing
from analysis.results import RunSummary
from analysis.summary import summarise
from rig.control import bench_of_labs
from rig.results import draw_pictures, show_pages, show_results, show_verdicts
from rig.toml_faults import ConfigError

DEFAULT_PAGE = "report-compared.html"


def compare(
    folders: Sequence[Path],
    out: Path | None,
    accept: Sequence[str],
    *,
    made_utc: str,
    pdf: bool = False,
) -> int:
    """Compare runs and write the page, or refuse and name what is not alike.

    Parameters
    ----------
    folders : sequence of Path
        Run folders, each once.
    out : Path or None
        Page to write; None puts it into the first run folder.
    accept : sequence of str
        Facts that are put up with, words parted by spaces or hyphens.
    made_utc : str
        Moment to print on the page.
    pdf : bool
        Print the page as PDF too.

    Returns
    -------
    int
        0, or 1 if the runs are not alike or there is nothing to compare.

    Raises
    ------
    ConfigError
        Fewer than two runs, or `accept` holds what is no fact.
    RunFolderError
        One of them is not a run folder.
    NoPdf
        The page could not be printed; it is there all the same.
    """
    if len(folders) < 2:
        raise ConfigError(str(folders[0]), ["is one run; give two or more to compare"])
    facts = [fact.replace("-", " ").strip() for fact in accept]
    try:
        check_facts(facts)
    except NotAFactError as error:
        raise ConfigError("--accept", [str(error)]) from error
    found = find(load_all(folders), accept=facts)
    together = found.standing
    if together is not None and together.refused:
        _show_refusal(together, folders, facts)
        return 1
    console = Console(highlight=False)
    write_together(found, out, console, made_utc=made_utc, pdf=pdf)
    stamped = " ".join(found.stamps)
    for fact in dict.fromkeys(facts):
        if fact not in stamped:
            console.print(f"--accept {fact.replace(' ', '-')}: nothing to accept, it is alike.")
    return 0 if together is not None and together.order else 1


def _show_refusal(together: Standing, folders: Sequence[Path], accepted: Sequence[str]) -> None:
    console = Console(highlight=False, stderr=True)
    console.print(f"evenfall: {together.headline}", markup=False)
    told = dict.fromkeys((one.name, one.sentence) for _, one in together.refused)
    for name, sentence in told:
        console.print(f"  {name}: {sentence}", markup=False)
    words = [f"--accept {fact.replace(' ', '-')}" for fact in accepted]
    runs = " ".join(shlex.quote(str(folder)) for folder in folders)
    console.print(
        "A difference could come from each of these. To compare all the same, and to have it "
        "stamped on every page and picture:",
        markup=False,
    )
    console.print(
        f"  evenfall compare {' '.join([runs, *words, together.accept_words])}",
        markup=False,
        soft_wrap=True,
    )


def refuse_places(folders: Sequence[Path], out: Path | None) -> None:
    """Refuse what cannot be written: a run against itself says nothing; a page needs a place.

    Raises
    ------
    ConfigError
        A run is given twice, or there is no place for the page.
    """
    places = [folder.resolve() for folder in folders]
    twice = [str(folder) for n, folder in enumerate(folders) if places[n] in places[:n]]
    if twice:
        raise ConfigError(twice[0], ["is given twice; give each run once"])
    if out is not None and (out.is_dir() or not out.absolute().parent.is_dir()):
        problem = "is a folder" if out.is_dir() else f"the folder {out.parent} is not there"
        raise ConfigError(f"--out {out}", [f"{problem}; give a file to write, e.g. report.html"])
    if out is not None and out.suffix.lower() == ".pdf":
        problem = f"is a page for a browser; give {out.with_suffix('.html')}, and --pdf to print it"
        raise ConfigError(f"--out {out}", [problem])


def load_all(folders: Sequence[Path]) -> list[RunSummary]:
    """Read run folders and work out their summaries.

    Raises
    ------
    RunFolderError
        One of them is not a run folder.
    """
    return [summarise(run_folder.load(folder)) for folder in folders]


def write_together(
    found: Findings, out: Path | None, console: Console, *, made_utc: str, pdf: bool = False
) -> None:
    """Write the pages and the pictures of several runs, and print the verdict and the figures.

    The run folders themselves are left as they are.

    Raises
    ------
    NoPdf
        A page could not be printed as PDF; all the rest is there.
    """
    path = out or Path(found.runs[0].path) / DEFAULT_PAGE
    figures = path.with_name(f"{path.stem}-figures")
    bench = bench_of_labs(found.runs)
    pages = write_pages(found, path, made_utc=made_utc, bench=bench)
    draw_pictures(found, figures)
    keep_drawings(found, path, figures)
    show_verdicts(found, console)
    for sentence in bench:
        console.print(f"\n{sentence}", markup=False)
    console.print()
    show_results(found.runs, console)
    show_pages(pages, console, figures=figures, pdf=pdf)
