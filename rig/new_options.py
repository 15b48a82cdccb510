"""Options of `evenfall new`; light, because every call of the program reads them.

What each key is, its unit and its limits stand with the questions, and in the files written.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

#: Named like those of 'evenfall enter' where both have them.
OPTIONS: Final = {
    "--device": ("device", "name"),
    "--device-kind": ("device", "kind"),
    "--specimen": ("device", "specimen"),
    "--lamp-axis": ("device", "lamp_axis"),
    "--opening": ("device", "opening"),
    "--clearance-mm": ("device", "clearance_mm"),
    "--lamp": ("lamp", "sample"),
    "--lamp-kind": ("lamp", "kind"),
    "--lamp-power-w": ("lamp", "rated_power_w"),
    "--lamp-hours": ("lamp", "hours"),
    "--burning-position": ("lamp", "burning_position"),
    "--ballast": ("ballast", "sample"),
    "--ballast-kind": ("ballast", "kind"),
    "--ballast-setting": ("ballast", "setting"),
    "--nominal-voltage-v": ("ballast", "nominal_voltage_v"),
    "--shape": ("area", "shape"),
    "--width-mm": ("area", "width_mm"),
    "--depth-mm": ("area", "depth_mm"),
    "--diameter-mm": ("area", "diameter_mm"),
    "--walls": ("area", "walls"),
    "--walls-identity": ("area", "walls_identity"),
    "--floor": ("area", "floor"),
    "--above": ("area", "above"),
    "--layout": ("grid", "layout"),
    "--rows": ("grid", "rows"),
    "--columns": ("grid", "columns"),
    "--mounting-height-mm": ("heights", "mounting_height_mm"),
    "--peak-ppfd": ("limits", "peak_ppfd_umol_m2_s"),
    "--mean-ppfd": ("limits", "mean_ppfd_umol_m2_s"),
    "--minimum-to-mean": ("limits", "minimum_to_mean"),
    "--test": ("test", "name"),
    "--operator": ("test", "operator"),
    "--notes": ("test", "notes"),
    "--rig-name": ("rig", "name"),
    "--virtual-bench": ("bench", "scenario"),
    "--light-sensor": ("light_sensor", "kind"),
    "--light-sensor-port": ("light_sensor", "port"),
    "--power-meter": ("power_meter", "kind"),
    "--power-meter-port": ("power_meter", "port"),
    "--stage": ("stage", "kind"),
    "--stage-port": ("stage", "port"),
}


class _Fact(argparse.Action):
    """Keep an option under the key that it answers."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: str | Sequence[Any] | None,
        option_string: str | None = None,
    ) -> None:
        section, key = OPTIONS[self.option_strings[0]]
        facts = {**namespace.facts, (section, key): str(values)}
        if (section, key) == ("bench", "scenario"):
            facts[("rig", "virtual bench")] = "yes"
        if key == "diameter_mm":
            facts.setdefault(("area", "shape"), "round")
        namespace.facts = facts


def add_new(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Declare the command and the arguments that `rig.new.run_new` reads.

    Parameters
    ----------
    add : callable
        Adds a command to the program: its name, what it does, its line of help, an example.
    """
    parser = add(
        "new",
        _new,
        "write a test plan and a rig profile by question and answer",
        "evenfall new --out bench",
    )
    parser.set_defaults(facts={})
    parser.add_argument("--out", type=Path, default=Path(), help="folder; default this one")
    parser.add_argument("--only", choices=("plan", "rig"), help="write this file alone")
    parser.add_argument(
        "--yes", action="store_true", help="ask nothing: what no option says is as proposed"
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="SECTION.KEY=VALUE",
        help="answer any other key of plan or profile, e.g. light_sensor.address=1",
    )
    facts = parser.add_argument_group(
        "what is not asked any more if it is given (keys of plan and profile)"
    )
    for option, (section, key) in OPTIONS.items():
        if option != "--virtual-bench":
            facts.add_argument(option, action=_Fact, metavar="VALUE", help=f"{section}.{key}")
    facts.add_argument(
        "--virtual-bench",
        action=_Fact,
        nargs="?",
        const="quick",
        metavar="SCENARIO",
        help="bench.scenario: no hardware, the whole plan proposed to fit; default quick, or demo",
    )


def _new(options: argparse.Namespace) -> int:
    from rig.new import run_new

    return run_new(options)
