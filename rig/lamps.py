"""``evenfall lamps LAB``: hours, starts and seasoning of each lamp, and how its light holds up."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table

from analysis.control_runs import ControlHistory, control_history
from analysis.digits import fixed
from analysis.lab_records import LAMPS
from analysis.lamp_ledger import LedgerLine, ledger, trend_sentence


def lamps_command(lab: Path, console: Console | None = None) -> int:
    """Print what a lab knows of its lamps, what needs attention first.

    Raises
    ------
    LabFolderError
        Not a lab folder.
    """
    show_lamps(lab, control_history(lab), console or Console(highlight=False))
    return 0


def show_lamps(lab: Path, history: ControlHistory, console: Console) -> None:
    """Print the ledger of a lab's lamps, with trends from its control reflector."""
    found = ledger(lab, history)
    console.print(_verdict(found.lines), markup=False)
    for line in found.lines:
        if line.reminder:
            console.print(f"  {line.reminder}.", markup=False)
    if found.lines:
        console.print()
        console.print(_table(found.lines))
    if any(not line.is_total_known for line in found.lines):
        console.print(
            f"\n≥ counts from the first line on record only. To state a total, add a line to "
            f"{lab / LAMPS}, e.g.\n  2026-01-05,L-07,counted,,,130,12,your name,read off its label",
            markup=False,
        )
    trends = [(line, trend) for line in found.lines for trend in line.trends]
    if trends:
        console.print("\nHow the light holds up, by the control reflector:", markup=False)
    for line, trend in trends:
        console.print(f"  {trend_sentence(line, trend)}", markup=False)
    for problem in found.problems:
        console.print(f"  {problem}", markup=False)


def _verdict(lines: Sequence[LedgerLine]) -> str:
    if not lines:
        return "No lamp is on record: no run has used one that has a label (lamp.sample)."
    doubted = [line.sample for line in lines if line.reminder]
    if not doubted:
        return f"Nothing stands against the seasoning of {_counted(len(lines))}."
    return f"Not seasoned, or not known to be: {', '.join(doubted)}, of {_counted(len(lines))}."


def _counted(count: int) -> str:
    return f"{count} lamp{'s' if count != 1 else ''} on record"


def _table(lines: Sequence[LedgerLine]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("lamp")
    table.add_column("kind")
    table.add_column("hours", justify="right")
    table.add_column("starts", justify="right")
    table.add_column("runs", justify="right")
    table.add_column("seasoned")
    table.add_column("last on record")
    for line in lines:
        hours = "–" if line.hours is None else fixed(line.hours, 1)
        table.add_row(
            line.sample,
            line.kind or "–",
            hours if line.is_total_known or line.hours is None else f"≥ {hours}",
            "–" if line.starts is None else str(line.starts),
            str(line.runs),
            _seasoned(line),
            "–" if line.last_utc is None else f"{line.last_utc:%Y-%m-%d}",
        )
    return table


def _seasoned(line: LedgerLine) -> str:
    if line.is_retired:
        return "retired"
    if line.reminder:
        return "not known" if not line.is_total_known else "no"
    if line.is_noted_seasoned:
        return "noted"
    if line.needed_h is None:
        return "kind not known"
    return f"yes, {line.needed_h:g} h" if line.needed_h else "not needed"
