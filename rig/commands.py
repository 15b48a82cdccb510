"""What the commands do once their options are read; imported only when one is given."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console

from analysis import run_folder
from analysis.report.build import write_rendered
from analysis.summary import summarise
from drivers.clock import Clock, SystemClock
from rig.build import build
from rig.demo.person import VirtualPerson
from rig.faults import RunStopped
from rig.operator import Operator, StopRequest, TerminalOperator
from rig.progress import TerminalProgress
from rig.read_both import read_both
from rig.results import derive, draw_maps, show_results, show_verdicts
from rig.run import run
from rig.toml_faults import ConfigError


def run_command(plan_path: Path, rig_path: Path, lab: Path) -> int:
    """Measure, derive, and show the result.

    Raises
    ------
    ConfigError
        Plan and profile, each or together, cannot be run; every fault is listed.
    RunStopped
        The run ended early; where its data lie was printed.
    """
    plan, profile = read_both(plan_path, rig_path)
    console = Console(highlight=False)
    bench = build(profile, plan.device.name)
    stop = StopRequest()
    try:
        operator: Operator
        if bench.virtual is not None:
            operator = VirtualPerson(bench, plan.device.name)
        else:
            operator = TerminalOperator(
                show=lambda text, end: console.print(text, end=end, markup=False)
            )
        folder = run(
            plan,
            profile,
            lab,
            bench=bench,
            operator=operator,
            stop=stop,
            progress=TerminalProgress(console),
        )
    except RunStopped as stopped:
        if stopped.folder is not None:
            console.print(f"Everything read until then is in {stopped.folder}", markup=False)
        raise
    finally:
        stop.release()
        bench.close()
    summary = derive(folder, made_utc=utc_text(bench.clock))
    draw_maps([summary], folder / "figures")
    show_results([summary], console)
    console.print(f"Report: {folder / run_folder.REPORT}", markup=False)
    return 0


def report_command(folders: Sequence[Path], out: Path | None) -> int:
    """Write the report of one or several runs, and pictures of their maps.

    Raises
    ------
    RunFolderError
        One of them is not a run folder.
    ConfigError
        A run is given twice, or there is no place for the report; nothing was written.
    """
    _refuse_report(folders, out)
    console = Console(highlight=False)
    made_utc = utc_text(SystemClock())
    if out is None and len(folders) == 1:
        path, figures = folders[0] / run_folder.REPORT, folders[0] / "figures"
        summaries = [derive(folders[0], made_utc=made_utc)]
    else:
        # Several runs, or a page elsewhere: the run folders themselves are left as they are.
        path = out or folders[0] / "report-compared.html"
        figures = path.with_name(f"{path.stem}-figures")
        runs = [run_folder.load(folder) for folder in folders]
        summaries = [summarise(run) for run in runs]
        write_rendered(runs, summaries, path, made_utc=made_utc)
    draw_maps(summaries, figures)
    show_results(summaries, console)
    show_verdicts(summaries, console)
    console.print(f"Report: {path}\nPictures: {figures}", markup=False)
    return 0


def _refuse_report(folders: Sequence[Path], out: Path | None) -> None:
    """A run set against itself would be called "no difference"; a page needs a place."""
    places = [folder.resolve() for folder in folders]
    twice = [str(folder) for n, folder in enumerate(folders) if places[n] in places[:n]]
    if twice:
        raise ConfigError(twice[0], ["is given twice; give each run once"])
    if out is not None and (out.is_dir() or not out.absolute().parent.is_dir()):
        problem = "is a folder" if out.is_dir() else f"the folder {out.parent} is not there"
        raise ConfigError(f"--out {out}", [f"{problem}; give a file to write, e.g. report.html"])


def utc_text(clock: Clock) -> str:
    """Return the time of day as it is printed in a report."""
    return clock.utc().strftime("%Y-%m-%dT%H:%M:%SZ")
