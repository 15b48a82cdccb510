"""What the commands do once their options are read; imported only when one is given."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path

from rich.console import Console

from analysis import run_folder
from analysis.report.findings import find
from analysis.report.pages import paths
from drivers.clock import SystemClock
from rig import bench_lock
from rig.awake import kept_awake
from rig.build import Bench, build
from rig.compare import compare, load_all, refuse_places, write_together
from rig.demo.person import VirtualPerson
from rig.faults import RunStopped
from rig.lamp_records import not_seasoned
from rig.notices import Notices
from rig.operator import Operator, StopRequest, TerminalOperator
from rig.plan import Plan
from rig.profile import Profile
from rig.progress import RunProgress, TerminalProgress
from rig.read_both import read_both
from rig.results import derive_with_pictures, show_heights, show_pages, show_results, utc_text
from rig.resume import read_interrupted, resume
from rig.run import run
from rig.telling import TellingProgress


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
    if told := not_seasoned(lab, plan):
        Console(highlight=False).print(f"Remark: {told}.", markup=False)

    def begin(bench: Bench, operator: Operator, stop: StopRequest, shown: RunProgress) -> Path:
        return run(plan, profile, lab, bench=bench, operator=operator, stop=stop, progress=shown)

    return _measure(plan, profile, lab, begin)


def resume_command(folder: Path, rig_path: Path) -> int:
    """Go on with a run at its first missing point, derive, and show the result.

    Raises
    ------
    ConfigError
        The profile cannot be used.
    RunFolderError, RunStopped, RecorderError
        The run cannot be gone on with, or ended early once more.
    """
    plan, profile, lab = read_interrupted(folder, rig_path)

    def go_on(bench: Bench, operator: Operator, stop: StopRequest, shown: RunProgress) -> Path:
        resume(
            folder,
            plan,
            profile,
            lab,
            bench=bench,
            operator=operator,
            stop=stop,
            progress=shown,
        )
        return folder

    return _measure(plan, profile, lab, go_on)


def _measure(
    plan: Plan,
    profile: Profile,
    lab: Path,
    work: Callable[[Bench, Operator, StopRequest, RunProgress], Path],
) -> int:
    """Open the bench, which is ours meanwhile, have the work done, and show what came of it.

    Raises
    ------
    BenchInUse
        Somebody else has the bench.
    ConfigError
        How notices are sent is not said soundly.
    """
    clock, console = SystemClock(), Console(highlight=False)
    notices, name = Notices.of_lab(lab, clock), f"run of {plan.test.name}"
    with ExitStack() as ours:
        ours.enter_context(bench_lock.hold(profile, name, clock.utc()))
        if profile.bench is None:
            console.print(ours.enter_context(kept_awake(plan.test.name, clock)), markup=False)
        ours.enter_context(notices.around(name))
        folder, made_utc = _measured(
            plan, profile, work, console, lambda shown: TellingProgress(shown, notices, name)
        )
    _show(folder, made_utc, console)
    return 0


def _show(folder: Path, made_utc: str, console: Console, *, pdf: bool = False) -> None:
    """Derive all that stands beside a run's readings, and show the result."""
    found = derive_with_pictures(folder, made_utc=made_utc)
    show_results(found.runs, console)
    show_heights(found, console)
    show_pages(
        paths(folder / run_folder.REPORT), console, figures=folder / run_folder.FIGURES, pdf=pdf
    )


def _measured(
    plan: Plan,
    profile: Profile,
    work: Callable[[Bench, Operator, StopRequest, RunProgress], Path],
    console: Console,
    telling: Callable[[RunProgress], RunProgress],
) -> tuple[Path, str]:
    """Have the work done; return the run folder and when that was."""
    stop = StopRequest()
    try:
        with ExitStack() as ours:
            ours.callback(stop.release)
            desk = None
            if profile.is_by_hand and profile.bench is None:
                from rig.hand.screen import TerminalDesk  # needs a terminal of Unix

                cue = profile.stage.options.cue
                desk = ours.enter_context(TerminalDesk(speaks=cue == "voice", rings=cue != "none"))
            bench = build(profile, plan.device.name, desk)
            ours.callback(bench.close)
            operator: Operator
            if bench.virtual is not None:
                operator = VirtualPerson(bench, plan.device.name)
            elif desk is not None:
                operator = desk.operator
            else:
                operator = TerminalOperator(
                    show=lambda text, end: console.print(text, end=end, markup=False)
                )
            shown = telling(TerminalProgress(console) if desk is None else desk)
            return work(bench, operator, stop, shown), utc_text(bench.clock)
    except RunStopped as stopped:  # the screen has gone by now
        if stopped.folder is not None:
            console.print(
                f"Everything read until then is in {stopped.folder}", markup=False, soft_wrap=True
            )
            console.print(
                "To go on: "
                + shlex.join(
                    ["evenfall", "resume", str(stopped.folder), "--rig", str(profile.path)]
                ),
                markup=False,
                soft_wrap=True,
            )
        raise


def report_command(folders: Sequence[Path], out: Path | None, *, pdf: bool = False) -> int:
    """Write the report of one or several runs, and pictures of their maps; as PDF too on request.

    Raises
    ------
    RunFolderError
        One of them is not a run folder.
    ConfigError
        A run is given twice, or there is no place for the report; nothing was written.
    NoPdf
        It could not be printed; the report is there all the same.
    """
    refuse_places(folders, out)
    console = Console(highlight=False)
    made_utc = utc_text(SystemClock())
    if out is not None or len(folders) > 1:
        write_together(find(load_all(folders)), out, console, made_utc=made_utc, pdf=pdf)
    else:
        _show(folders[0], made_utc, console, pdf=pdf)
    return 0


def compare_command(
    folders: Sequence[Path], out: Path | None, accept: Sequence[str], *, pdf: bool = False
) -> int:
    """Compare runs, or say why they cannot be compared and what would have to be accepted.

    Raises
    ------
    RunFolderError, ConfigError, NoPdf
        As for `report_command`; or a fact to be accepted is none, or there is but one run.
    """
    refuse_places(folders, out)
    return compare(folders, out, accept, made_utc=utc_text(SystemClock()), pdf=pdf)
