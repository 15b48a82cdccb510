"""How a check shows what it found: plain text in 80 columns, one table for all problems."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from analysis.quantities import MEASURED
from drivers import finding
from drivers.reading import Reading
from rig.check_findings import Finding, Weight, problems
from rig.check_instruments import Asked, is_device_file
from rig.estimate import Estimate
from rig.profile import Profile
from rig.progress import duration

#: Problems first, in the order in which they have to be mended.
_ORDER = (Weight.CONFIGURATION, Weight.INSTRUMENT, Weight.RESULT, Weight.REMARK)


def show_ports(
    console: Console, ports: Sequence[finding.FoundPort], profile: Profile | None
) -> None:
    """List the serial ports of this computer by their lasting names."""
    _say(console, f"Serial ports of this computer: {len(ports) or 'none'}")
    for port in ports:
        users = _users(port.device, profile)
        _say(console, f"  {port.name}")
        for other in port.names[1:]:
            _say(console, f"      also {other}")
        facts = [
            f"today {port.device}" if port.names else "no lasting name: it may change",
            port.says,
            f"named by {', '.join(users)}" if users else "not in the profile, left alone",
        ]
        _say(console, "      " + "; ".join(fact for fact in facts if fact), " " * 6)


def show_instruments(console: Console, asked: Mapping[str, Asked]) -> None:
    """Say who answered, and what it read."""
    table = _table("instrument", "says of itself", "reads now")
    for section, one in asked.items():
        table.add_row(
            Text(section),
            Text(one.identity or "-"),
            Text(", ".join(_value(reading) for reading in one.readings) or "-"),
        )
    console.print()
    console.print(table)


def show_course(console: Console, foreseen: Estimate) -> None:
    """Say what the run would do in order, how long it takes, and what that rests on."""
    console.print()
    _say(console, "The run, in order (nothing of it is done now):")
    for number, step in enumerate(foreseen.steps, start=1):
        takes = ("at least " if step.at_least else "") + duration(step.duration_s)
        lit = "lit" if step.lamp_is_lit else ""
        _say(console, f"{number:4}  {takes:>16}  {lit:3}  {step.what}", " " * 29)
    _say(
        console,
        f"In all at least {duration(foreseen.duration_s)}, the lamp lit for "
        f"{duration(foreseen.lit_s)} of it: about {_energy(foreseen.energy_kwh)} at "
        f"{foreseen.wall_power_w:.0f} W. Assumed:",
    )
    for sentence in foreseen.assumptions:
        _say(console, f"  - {sentence}", "    ")


def show_findings(
    console: Console, findings: Sequence[Finding], *, instruments_were_asked: bool
) -> None:
    """Show every problem in one table, with what to do about it, and the verdict."""
    console.print()
    if findings:
        table = _table("where", "problem", "what to do")
        for weight in _ORDER:
            for one in findings:
                if one.weight is weight:
                    where = one.where + ("\n(remark)" if weight is Weight.REMARK else "")
                    table.add_row(Text(where), Text(one.problem), Text(one.remedy or "-"))
        console.print(table)
    count = len(problems(findings))
    if not instruments_were_asked:
        _say(console, "No instrument was asked: the profile has to be sound first.")
    if count:
        _say(console, f"{count} problem{'s' if count != 1 else ''}. Mend, and check again.")
    else:
        _say(console, "No problem found. Nothing was moved or lit.")


def _energy(energy_kwh: float) -> str:
    return f"{energy_kwh:.2f} kWh" if energy_kwh >= 0.1 else f"{1000.0 * energy_kwh:.1f} Wh"


def _users(device: str, profile: Profile | None) -> list[str]:
    if profile is None:
        return []
    return [
        section
        for section, entry in profile.instruments.items()
        if is_device_file(entry.options.port) and finding.same_port(entry.options.port, device)
    ]


def _value(reading: Reading) -> str:
    quantity = MEASURED[reading.quantity]
    return f"{reading.value:.4g} {quantity.unit if quantity.unit != '1' else quantity.title}"


def _table(*headings: str) -> Table:
    table = Table(box=box.HORIZONTALS, show_lines=True, pad_edge=False, header_style="bold")
    for number, heading in enumerate(headings):
        first = number == 0
        table.add_column(heading, overflow="fold", max_width=16 if first else None)
    return table


def _say(console: Console, text: str, indent: str = "") -> None:
    """Print a paragraph; what does not fit into the line is indented."""
    console.print(
        textwrap.fill(
            text,
            max(40, console.width - 1),
            subsequent_indent=indent,
            break_long_words=False,
            break_on_hyphens=False,
            drop_whitespace=True,
        ),
        markup=False,
        soft_wrap=True,
    )
