"""The demo's control reflector: measured again and again in the weeks before, while walls grey.

Every nine days the virtual room measures one reflector that it keeps, on a coarse grid at one
mounting height; each time its walls have lost a little of their whiteness. What is shown then is
the bench, and nobody's reflector.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

NAME: Final = "Yardstick"
EVENINGS: Final = 8
DAYS_APART: Final = 9
#: What the walls lose from one time to the next, down to what the scenario gives them.
GREYER_EACH_TIME: Final = 0.004
HOURS_AN_EVENING: Final = 0.6
#: The demo is not to wait for eight long warm-ups; drift during the map is corrected anyway.
_SHORT_RULE: Final = "window_s = 300.0\nlimit_percent = 1.0\nminimum_on_s = 600.0"


def write_inputs(
    out: Path, *, scenario: str, profile: str, plan: str, scenario_file: str, lamp_hours: float
) -> list[Path]:
    """Write scenario, profile and plan of each evening into the demo's folder.

    Parameters
    ----------
    out : Path
        The demo's folder.
    scenario, profile, plan : str
        Texts of those of the demo's first evening.
    scenario_file : str
        Name of the scenario in the profile.
    lamp_hours : float
        Of the lamp on the demo's first evening. [h]

    Returns
    -------
    list of Path
        The plans, the earliest first; the profile beside each begins with ``rig-``.
    """
    plans = []
    for before in range(EVENINGS, 0, -1):
        stem = f"control-{EVENINGS - before + 1}"
        room = out / f"room-{stem}.toml"
        room.write_text(_room(scenario, before), encoding="utf-8")
        chosen = f'scenario = "{scenario_file}"'
        own = f'scenario = "{room.name}"\nevening = {1 - DAYS_APART * before}'
        (out / f"rig-{stem}.toml").write_text(profile.replace(chosen, own), encoding="utf-8")
        path = out / f"plan-{stem}.toml"
        hours = lamp_hours - HOURS_AN_EVENING * before
        path.write_text(_plan(plan, hours), encoding="utf-8")
        plans.append(path)
    return plans


def _room(scenario: str, before: int) -> str:
    """The room as it was so many times before the demo's first evening."""

    def whiter(found: re.Match[str]) -> str:
        now = [float(one) for one in found[1].split(",")]
        then = ", ".join(f"{one + GREYER_EACH_TIME * before:.4f}" for one in now)
        return f"wall_reflectance = [{then}]"

    text = re.sub(r"(?m)^wall_reflectance = \[([^\]]*)\]", whiter, scenario)
    first = re.search(r'(?m)^device = "(.*)"$', text)
    return text if first is None else text.replace(f'"{first[1]}"', f'"{NAME}"')


def _plan(plan: str, hours: float) -> str:
    changes = {
        r"name = \".*\"": f'name = "{NAME}"',
        r"specimen = \".*\"": 'specimen = "Y-1"\nis_control = true',
        r"hours = .*": f"hours = {hours:.1f}",
        r"rows = .*": "rows = 5",
        r"columns = .*": "columns = 5",
        r"mounting_height_mm = .*": "mounting_height_mm = [500.0]",
        r"samples_per_point = .*": "samples_per_point = 1",
        r"reference_every = .*": "reference_every = 5",
        r"quick_look = .*": "quick_look = false",
        r"preset = .*": _SHORT_RULE,
    }
    text = plan[: plan.index("[limits]")]
    for line, new in changes.items():
        text = re.sub(rf"(?m)^{line}$", new, text)
    return text.replace(f'name = "{NAME}"', f'name = "Control reflector: {NAME}"', 1)
