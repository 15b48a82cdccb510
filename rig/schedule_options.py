"""Options of `evenfall schedule`; light, because every call of the program reads them."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

Body = Callable[[argparse.Namespace], int]


def add_schedule_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments that `rig.schedule_commands` reads; ``options.what`` says which."""
    actions = parser.add_subparsers(metavar="WHAT", required=True, dest="what")

    def action(name: str, what: str, example: str) -> argparse.ArgumentParser:
        made: argparse.ArgumentParser = actions.add_parser(
            name,
            help=what,
            description=what[0].upper() + what[1:] + ".",
            epilog=f"example: {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        made.add_argument(
            "--lab", type=Path, default=Path("lab"), help="lab folder that the schedule is in"
        )
        return made

    add = action(
        "add",
        "plan a run that starts by itself, after a checklist at the bench",
        "evenfall schedule add plan.toml --rig rig.toml --at 22:00 --hours 20:00-06:00",
    )
    add.add_argument("plan", type=Path, help="test plan; a copy of it is kept and run")
    add.add_argument("--rig", type=Path, default=Path("rig.toml"), help="rig profile")
    when: Any = add.add_mutually_exclusive_group(required=True)
    when.add_argument("--at", help="local time of its start: 22:00, or 2026-01-05T22:00")
    when.add_argument("--after", metavar="RUN", help="number of the planned run that it follows")
    add.add_argument(
        "--nights",
        type=int,
        default=1,
        help="plan it for so many days in a row, 1 to 7; default 1",
    )
    add.add_argument("--hours", help="local hours within which it may start, e.g. 20:00-06:00")
    add.add_argument(
        "--late-by",
        type=_minutes,
        default=3600.0,
        dest="late_by_s",
        metavar="MINUTES",
        help="how late it may still be started, in minutes, or 'any'; later it is missed; "
        "default 60",
    )
    add.add_argument(
        "--zone", help="time zone of these times, e.g. Europe/Berlin; default this computer's"
    )
    add.add_argument("--contact", default="", help="whom to call, for the door notice")
    add.add_argument(
        "--isolator", default="", help="where the lamp circuit is isolated, for the door notice"
    )

    every = action(
        "list", "show what is planned, and what became of the last runs", "evenfall schedule list"
    )
    every.add_argument("--all", action="store_true", help="show whatever has ended, and why")

    remove = action("remove", "take a planned run off the schedule", "evenfall schedule remove 7")
    remove.add_argument("run", help="its number")

    action(
        "run",
        "start planned runs when they are due, for as long as this is left running",
        "evenfall schedule run --lab lab",
    )


def _minutes(text: str) -> float:
    """Read minutes, or any. [s]"""
    if text == "any":
        return math.inf
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.0 < value <= 7 * 1440.0:
        raise argparse.ArgumentTypeError(f"is {text!r}; give minutes above 0, e.g. 60, or any")
    return 60.0 * value
