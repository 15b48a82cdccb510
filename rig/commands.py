"""What the commands do once their options are read; imported only when one is given."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console

from rig.build import build
from rig.demo.person import VirtualPerson
from rig.faults import RunStopped
from rig.operator import Operator, StopRequest, TerminalOperator
from rig.plan import read_plan
from rig.profile import cross_check, read_profile
from rig.progress import TerminalProgress
from rig.results import derive, show_results
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
    plan, profile = read_plan(plan_path), read_profile(rig_path)
    problems = cross_check(plan, profile)
    if problems:
        raise ConfigError(str(plan_path), problems)
    console = Console(highlight=False)
    bench = build(profile, plan.device.name)
    stop = StopRequest()
    try:
        operator: Operator = TerminalOperator(show=lambda text: console.print(text, markup=False))
        if bench.virtual is not None:
            operator = VirtualPerson(bench.virtual, bench.clock, plan.device.name)
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
    summary = derive(folder, made_utc=_now(bench.clock))
    show_results([summary], console)
    console.print(f"Report: {folder / 'report.html'}", markup=False)
    return 0
