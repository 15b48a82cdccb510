"""The notice for the door of a room where a bench is left alone: one page, made from the plan."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from rig.estimate import estimate
from rig.plan import Plan
from rig.profile import Profile
from rig.progress import duration
from rig.unattended import METAL_HALIDE


def door_notice(
    plan: Plan,
    profile: Profile,
    *,
    runs: Sequence[tuple[str, str]],
    contact: str,
    isolator: str,
) -> str:
    """Return the notice as HTML that prints on one page.

    Parameters
    ----------
    plan : Plan
    profile : Profile
    runs : sequence of (str, str)
        Number and start of each planned run.
    contact : str
        Whom to call; empty leaves a line to write on.
    isolator : str
        Where the lamp circuit is isolated; empty likewise.
    """
    least_s, most_s = lasts_s(plan, profile)
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    limits: dict[str, Any] = {
        "least": duration(least_s),
        "most": duration(most_s),
    }
    relay = profile.lamp_relay
    return environment.get_template("door_notice.html").render(
        test=plan.test.name,
        device=plan.device.name,
        lamp_kind=plan.lamp.kind,
        lamp_power_w=plan.lamp.rated_power_w,
        is_discharge=plan.lamp.kind != "LED",
        is_metal_halide=plan.lamp.kind in METAL_HALIDE,
        runs=runs,
        contact=contact,
        isolator=isolator,
        silence_s=None if relay is None else relay.options.opens_after_silence_s,
        **limits,
    )


def lasts_s(plan: Plan, profile: Profile) -> tuple[float, float]:
    """Return how long a run lasts at least, and at most. [s]

    At most: every warm-up takes its longest, and the lamp was lit just before. What a run pauses
    for when something fails is not counted.
    """
    foreseen = estimate(plan, profile)
    longest_s = foreseen.duration_s + sum(
        max(0.0, plan.warm_up.maximum_s - step.duration_s)
        for step in foreseen.steps
        if step.at_least
    )
    return foreseen.duration_s, longest_s + plan.lamp.minimum_off_s
