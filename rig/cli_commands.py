"""Which commands ``evenfall`` has, their options, and who carries each out.

Read at every call of the program, so nothing heavy is imported until a command is carried out.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from pathlib import Path

from rig.enter_options import add_enter_arguments, as_number
from rig.export import add_export
from rig.new_options import add_new
from rig.schedule_options import add_schedule_arguments


def declare_commands(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Declare all commands, in the order of the help.

    ``add`` takes a command's name, the function that carries it out, what it does and an example,
    and returns the parser of its options.
    """
    demo = add(
        "demo",
        _demo,
        "see the whole job done on the virtual bench",
        "evenfall demo",
    )
    demo.add_argument(
        "--out", type=Path, default=Path("evenfall-demo"), help="folder for the demo's lab folder"
    )

    run = add(
        "run",
        _run,
        "measure what a plan says, on the bench that a profile describes",
        "evenfall run plan.toml --rig rig.toml",
    )
    run.add_argument("plan", type=Path, help="test plan, e.g. plan.toml")
    run.add_argument("--rig", type=Path, default=Path("rig.toml"), help="rig profile")
    run.add_argument("--lab", type=Path, default=Path("lab"), help="lab folder to keep the run in")

    resume = add(
        "resume",
        _resume,
        "go on with a run that was killed or stopped, at its first missing point",
        "evenfall resume lab/runs/2026-01-05T1800Z-reflector-a --rig rig.toml",
    )
    resume.add_argument("run", type=Path, metavar="RUN", help="run folder")
    resume.add_argument(
        "--rig", type=Path, default=Path("rig.toml"), help="rig profile; only ports may differ"
    )

    add_new(add)
    add_export(add)

    check = add(
        "check",
        _check,
        "see before a run that files, ports and instruments are as they should be; moves nothing",
        "evenfall check plan.toml --rig rig.toml",
    )
    check.add_argument(
        "plan", type=Path, nargs="?", help="test plan; its course and an estimate are shown"
    )
    check.add_argument("--rig", type=Path, default=Path("rig.toml"), help="rig profile")
    check.add_argument("--lab", type=Path, default=Path("lab"), help="lab folder for the run")
    check.add_argument(
        "--find",
        action="store_true",
        help="ask unknown ports too who they are, after a warning and a typed yes",
    )
    check.add_argument(
        "--relay",
        action="store_true",
        help="prove that the lamp relay opens by itself, the lamp circuit isolated",
    )

    enter = add(
        "enter",
        _enter,
        "turn a hand-measured table into a run folder and its report",
        "evenfall enter sheet.csv --width-mm 1200 --depth-mm 1200 --mounting-height-mm 450 "
        '--wall-power-w 612 --device "Reflector A"',
    )
    add_enter_arguments(enter)

    report = add(
        "report",
        _report,
        "write the report of one or more run folders",
        "evenfall report lab/runs/2026-01-05T1800Z-reflector-a",
    )
    report.add_argument("runs", type=Path, nargs="+", metavar="RUN", help="run folder")
    report.add_argument(
        "--out", type=Path, help="file to write; default report.html in the (first) run folder"
    )

    schedule = add(
        "schedule",
        _schedule,
        "plan runs that start by themselves, and start them",
        "evenfall schedule add plan.toml --rig rig.toml --at 22:00",
    )
    add_schedule_arguments(schedule)

    control = add(
        "control",
        _control,
        "chart the control reflector of a lab over months: is the bench still what it was",
        "evenfall control lab",
    )
    control.add_argument("lab", type=Path, nargs="?", default=Path("lab"), help="lab folder")
    control.add_argument(
        "--out", type=Path, help="folder for the charts; default control in the lab folder"
    )

    heights = add(
        "heights",
        _heights,
        "say how low a device may hang, from a run at several heights",
        "evenfall heights lab/runs/2026-01-05T1800Z-reflector-a",
    )
    heights.add_argument("run", type=Path, metavar="RUN", help="run folder")
    heights.add_argument(
        "--out", type=Path, help="PNG to write; default figures/mounting-height.png in the run"
    )

    compare = add(
        "compare",
        _compare,
        "say which of several devices delivers more per joule, like for like or not at all",
        "evenfall compare lab/runs/2026-01-05T1800Z-reflector-a "
        "lab/runs/2026-01-06T1800Z-reflector-b",
    )
    compare.add_argument("runs", type=Path, nargs="+", metavar="RUN", help="run folder")
    compare.add_argument(
        "--accept",
        action="append",
        default=[],
        metavar="FACT",
        help="compare although this is not alike, e.g. lamp-hours; stamped on all output",
    )
    compare.add_argument(
        "--out", type=Path, help="file to write; default report-compared.html in the first run"
    )
    for page in (report, compare):
        page.add_argument("--pdf", action="store_true", help="print it as PDF too, by Chromium")

    lamps = add(
        "lamps",
        _lamps,
        "list the lamps of a lab: hours, starts, seasoning, and how their light holds up",
        "evenfall lamps lab",
    )
    lamps.add_argument("lab", type=Path, nargs="?", default=Path("lab"), help="lab folder")

    watch = add(
        "watch",
        _watch,
        "show in a browser how a run is going, and what earlier runs gave; touches nothing",
        "evenfall watch lab",
    )
    watch.add_argument(
        "path",
        type=Path,
        nargs="?",
        default=Path("lab"),
        metavar="RUN_OR_FOLDER",
        help="run folder, or lab folder",
    )
    watch.add_argument(
        "--host",
        default="127.0.0.1",
        help="address to listen on; anything but this computer's own needs the token it prints",
    )
    watch.add_argument("--port", type=_port, default=8320, help="port; default 8320")

    simulate = add(
        "simulate",
        _simulate,
        "open the virtual bench on pseudo-terminals, for a run through real serial ports",
        "evenfall simulate --scenario quick --out bench",
    )
    simulate.add_argument("--scenario", default="quick", help="name or TOML file of a scenario")
    simulate.add_argument("--device", help="which of the scenario's devices hangs there")
    simulate.add_argument("--mounting-height-mm", type=as_number, help="how high it hangs")
    simulate.add_argument(
        "--out", type=Path, default=Path("bench"), help="folder for rig.toml and plan.toml"
    )
    simulate.add_argument(
        "--light-after", type=_wait, metavar="SECONDS", help="light the lamp by itself after this"
    )
    simulate.add_argument(
        "--instruments",
        metavar="FILE",
        help="name or TOML file of its instruments, with faults, lost ports and mains dips to play",
    )


def _wait(text: str) -> float:
    wait_s = as_number(text)
    if not 0 <= wait_s < math.inf:
        raise argparse.ArgumentTypeError(f"{text!r} is no time; give seconds from 0, e.g. 30")
    return wait_s


def _port(text: str) -> int:
    if not text.isascii() or not text.isdigit() or not 0 <= int(text) <= 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no port; give a number from 1 to 65535")
    return int(text)


def _demo(options: argparse.Namespace) -> int:
    from rig.demo.show import show

    return show(options.out)


def _run(options: argparse.Namespace) -> int:
    from rig.commands import run_command

    return run_command(options.plan, options.rig, options.lab)


def _resume(options: argparse.Namespace) -> int:
    from rig.commands import resume_command

    return resume_command(options.run, options.rig)


def _check(options: argparse.Namespace) -> int:
    from rig.check import Wanted, check_command

    return check_command(
        Wanted(
            plan=options.plan,
            rig=options.rig,
            lab=options.lab,
            find=options.find,
            relay=options.relay,
        )
    )


def _enter(options: argparse.Namespace) -> int:
    from rig.enter import run_enter

    return run_enter(options)


def _report(options: argparse.Namespace) -> int:
    from rig.commands import report_command

    return report_command(options.runs, options.out, pdf=options.pdf)


def _schedule(options: argparse.Namespace) -> int:
    from rig.schedule_commands import schedule_command

    return schedule_command(options)


def _control(options: argparse.Namespace) -> int:
    from rig.control import control_command

    return control_command(options.lab, options.out)


def _heights(options: argparse.Namespace) -> int:
    from rig.heights import heights_command

    return heights_command(options.run, options.out)


def _compare(options: argparse.Namespace) -> int:
    from rig.commands import compare_command

    return compare_command(options.runs, options.out, options.accept, pdf=options.pdf)


def _lamps(options: argparse.Namespace) -> int:
    from rig.lamps import lamps_command

    return lamps_command(options.lab)


def _watch(options: argparse.Namespace) -> int:
    from rig.watch import watch_command

    return watch_command(options.path, options.host, options.port)


def _simulate(options: argparse.Namespace) -> int:
    from rig.simulate import simulate

    return simulate(
        options.scenario,
        device=options.device,
        mounting_height_mm=options.mounting_height_mm,
        out=options.out,
        light_after_s=options.light_after,
        instruments=options.instruments,
    )
