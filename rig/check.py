"""``evenfall check``: everything that would stop a run, found before it, in one table.

Nothing is moved and nothing is lit. Ports that the profile does not name are listed and left
alone, unless `rig/find.py` is asked for and allowed to try them.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from attrs import define, field, frozen
from rich.console import Console

from drivers import finding
from drivers.clock import Clock, SystemClock, VirtualClock
from drivers.line import Line, SerialSettings
from drivers.simulated.attach import attach
from drivers.simulated.script import bench_with_script
from rig import bench_lock, check_lamp, check_place, check_relay, series
from rig.build import open_line
from rig.check_findings import Finding, Weight, exit_code, of_configuration
from rig.check_instruments import Asked, OpenLine, Roll, lines_in_memory
from rig.check_show import show_course, show_findings, show_instruments, show_ports
from rig.estimate import Estimate, estimate
from rig.operator import Operator
from rig.plan import read_plan
from rig.profile import Profile, cross_check, read_profile
from rig.toml_faults import ConfigError

Content = TypeVar("Content")


@frozen(kw_only=True)
class Wanted:
    """What a check is asked to do.

    Attributes
    ----------
    plan : Path or None
        Test plan; its course and an estimate are shown.
    rig : Path
        Rig profile.
    lab : Path
        Lab folder that the run would be kept in.
    find : bool
        Try ports that the profile does not name, after a warning and a typed yes.
    relay : bool
        Prove that the lamp relay opens by itself.
    """

    plan: Path | None
    rig: Path
    lab: Path
    find: bool = False
    relay: bool = False


def _open_serial(port: str, settings: SerialSettings, clock: Clock) -> Line:
    from drivers.serial_line import SerialLine

    return SerialLine(port, settings, clock)


@define(kw_only=True)
class Surroundings:
    """What a check looks at besides its files; other ones in tests."""

    clock: Clock = field(factory=SystemClock)
    open_line: OpenLine = open_line
    open_port: Callable[[str, SerialSettings, Clock], Line] = _open_serial
    ports: Callable[[], tuple[finding.FoundPort, ...]] = finding.serial_ports
    proc: Path = finding.PROC
    read_answer: Callable[[], str] = field(default=input)
    operator: Operator | None = None
    bench_user: Callable[[Profile], str | None] = bench_lock.user


def check_command(
    wanted: Wanted, console: Console | None = None, around: Surroundings | None = None
) -> int:
    """Check, show everything, and return the exit code.

    Returns
    -------
    int
        0 where a run can begin, 1 where something at the bench is wrong, 2 where plan or
        profile are.
    """
    console = console or Console(highlight=False)
    around = around or Surroundings()
    return exit_code(examine(wanted, console, around))


def examine(wanted: Wanted, console: Console, around: Surroundings) -> list[Finding]:
    """Check, show everything, and return what was found."""
    findings: list[Finding] = []
    plan = _read(read_plan, wanted.plan, findings) if wanted.plan is not None else None
    profile = None
    if wanted.find and wanted.plan is None and not wanted.rig.exists():
        findings.append(
            Finding(
                wanted.rig.name,
                "is not there yet.",
                "Write it from what is found here, after hardware/example-rig.toml.",
                Weight.REMARK,
            )
        )
    else:
        profile = _read(read_profile, wanted.rig, findings)
    if wanted.plan is not None and plan is not None and profile is not None:
        fits = cross_check(plan, profile)
        findings += [of_configuration(wanted.plan.name, fault) for fault in fits]
    ports = around.ports()
    show_ports(console, ports, profile)
    if wanted.find:
        from rig.find import find

        find(
            console,
            ports,
            profile,
            clock=around.clock,
            open_port=around.open_port,
            read_answer=around.read_answer,
        )
    foreseen: Estimate | None = None
    if profile is not None:
        asked = _ask_all(profile, around, findings)
        show_instruments(console, asked)
        if wanted.relay:
            findings += _prove_relay(profile, wanted, console, around)
        elif user := around.bench_user(profile):
            findings.append(_in_use(f"the bench is in use: {user}."))
        # A run on the bench in this process has the bench's time of day.
        run_clock = around.clock if profile.bench is None else VirtualClock()
        findings += check_relay.standing(plan, profile, wanted.lab, run_clock)
        findings += check_lamp.lamp(plan, wanted.lab, run_clock)
        findings += check_lamp.unattended_remarks(plan, profile)
        findings += series.standing(plan, wanted.lab)
        findings += check_place.calibrations(profile, around.clock.utc().date())
        if profile.bench is None:
            findings += check_place.services(around.proc)
            findings += check_place.wakefulness()
            findings += check_place.clock(wanted.lab, around.clock.utc())
        if plan is not None and not any(f.weight is Weight.CONFIGURATION for f in findings):
            seen_s = asked["light_sensor"].reading_s
            foreseen = estimate(plan, profile, light_reading_s=seen_s)
    findings += check_place.notices(wanted.lab)
    findings += check_place.disk(wanted.lab, foreseen.row_bytes if foreseen else 0.0)
    if foreseen is not None:
        show_course(console, foreseen)
    show_findings(console, findings, instruments_were_asked=profile is not None)
    return findings


def _prove_relay(
    profile: Profile, wanted: Wanted, console: Console, around: Surroundings
) -> list[Finding]:
    """Have the relay proved, on a bench that is ours meanwhile."""
    try:
        with bench_lock.hold(profile, "check --relay", around.clock.utc()):
            return list(
                check_relay.prove(
                    profile,
                    wanted.lab,
                    console,
                    clock=around.clock,
                    open_line=around.open_line,
                    operator=around.operator,
                )
            )
    except bench_lock.BenchInUse as why:
        return [_in_use(str(why))]


def _in_use(problem: str) -> Finding:
    return Finding("the bench", problem, "Wait for it, or stop it there.")


def _read(read: Callable[[Path], Content], path: Path, findings: list[Finding]) -> Content | None:
    """Read a file; what is wrong with it joins the findings."""
    try:
        return read(path)
    except ConfigError as error:
        findings += [of_configuration(Path(error.file).name, problem) for problem in error.problems]
        return None


def _ask_all(profile: Profile, around: Surroundings, findings: list[Finding]) -> dict[str, Asked]:
    clock, opener = around.clock, around.open_line
    if profile.scenario is not None:
        clock = VirtualClock()
        virtual, script = bench_with_script(profile.scenario, profile.script)
        opener = lines_in_memory(attach(virtual, clock, script.instruments), clock)
    roll = Roll(profile=profile, clock=clock, open_line=opener, proc=around.proc)
    findings += roll.call()
    return roll.asked
