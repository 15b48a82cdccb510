"""Whether the lamp relay may be trusted: proved to open by itself, on record, and fit to the plan.

Proving closes the relay, with the lamp circuit isolated by a person. It is the only thing that a
check ever switches, and it does so only when asked for with ``--relay``.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from rich.console import Console

from analysis.lab_records import LabFolderError
from drivers.bus import Bus
from drivers.clock import Clock
from drivers.errors import DriverError
from drivers.registry import KINDS
from drivers.simulated.bench import VirtualBench
from rig import lamp_records
from rig.build import TITLES, build
from rig.check_findings import Finding, Weight
from rig.check_instruments import OpenLine
from rig.demo.person import VirtualPerson
from rig.lamp import NotProved, prove_opening, refusals
from rig.operator import Operator, TerminalOperator, ends_like_ctrl_c
from rig.plan import Plan
from rig.profile import Profile


def prove(
    profile: Profile,
    lab: Path,
    console: Console,
    *,
    clock: Clock,
    open_line: OpenLine,
    operator: Operator | None = None,
) -> Iterator[Finding]:
    """Prove that the relay opens by itself, and keep that on the lab's record.

    Parameters
    ----------
    profile : Profile
    lab : Path
        Lab folder; made if it is not there.
    console : Console
    clock : Clock
        The computer's, for a bench on ports; the virtual bench has its own.
    open_line : callable
    operator : Operator, optional
        Isolates the lamp circuit. Default: whoever sits at this terminal.
    """
    entry = profile.lamp_relay
    if entry is None:
        yield Finding(
            "--relay",
            "the profile has no section [lamp_relay].",
            "Leave --relay out, or describe the relay.",
            Weight.CONFIGURATION,
        )
        return
    with ExitStack() as open_things:
        try:
            if profile.scenario is not None:
                device = VirtualBench.from_scenario(profile.scenario).devices[0]
                bench = build(profile, device)
                open_things.callback(bench.close)
                clock, operator = bench.clock, VirtualPerson(bench, device)
                relay, meter = bench.instruments.lamp_relay, bench.instruments.power_meter
                assert relay is not None
            else:
                operator = operator or TerminalOperator(
                    show=lambda text, end: console.print(text, end=end, markup=False)
                )
                relay, meter = _opened(profile, clock, open_line, open_things)
            begun_utc = clock.utc()
            with ends_like_ctrl_c():
                proof = prove_opening(relay, clock, operator, power_meter=meter)
        except NotProved as why:
            yield Finding("lamp_relay", str(why), "Until then the lamp is lit by hand.")
            return
        except DriverError as fault:
            yield Finding(
                "lamp_relay", f"not proved: {fault.device}: {fault.problem}", fault.remedy
            )
            return
    try:
        lamp_records.record_proof(lab, entry, proof.words, begun_utc)
    except (LabFolderError, OSError) as error:
        yield Finding("lamp_relay", f"proved, but not on record: {error}", "Mend the lab folder.")
        return
    console.print(
        f"\nThe lamp relay is proved to open by itself: {proof.words}. On record in {lab} for "
        f"{lamp_records.PROOF_LASTS.days} days. Undo the isolation when the bench is ready.",
        markup=False,
    )


def standing(plan: Plan | None, profile: Profile, lab: Path, clock: Clock) -> Iterator[Finding]:
    """Say what keeps the relay from lighting the lamp of a plan."""
    if plan is not None and plan.lamp.switching == "relay":
        for refusal in refusals(plan, profile, lab, clock):
            yield Finding("lamp_relay", refusal, "See hardware/bring-up.md, step 8.")
    elif profile.lamp_relay is not None:
        why = lamp_records.why_not_proved(lab, profile.lamp_relay, clock.utc())
        if why:
            yield Finding(
                "lamp_relay",
                f"{why}.",
                "evenfall check --relay, the lamp circuit isolated.",
                Weight.REMARK,
            )


def _opened(
    profile: Profile, clock: Clock, open_line: OpenLine, open_things: ExitStack
) -> tuple[Any, Any]:
    """Open the relay and the meter that shows whether the circuit is isolated, nothing else."""
    buses: dict[str, Bus] = {}
    made = []
    for section in ("lamp_relay", "power_meter"):
        entry = profile.instruments[section]
        port = entry.options.port
        if port not in buses:
            buses[port] = Bus.over(open_line(entry, clock), clock)
        kind = KINDS[entry.kind]
        made.append(kind.make(entry.options, buses[port], clock, TITLES[section]))
        open_things.callback(made[-1].close)
    relay, meter = made
    return relay, meter
