"""Runs that nobody watches: which plans may be run so, the checklist before, who answers then.

An unattended run is refused for a plan that needs hands, and needs a person who has gone through
the checklist at the bench. Neither makes it safe: the thermal cut-out and the timer in the lamp's
feed, outside the computer, do what this program cannot.
"""

from __future__ import annotations

from typing import Final

from rig.course import stays
from rig.operator import ProgramAnswers, Prompt
from rig.plan import Plan
from rig.profile import Profile

#: What has to be so before a bench is left alone: common practice. The standards are named from
#: memory; look into the edition that applies where you work.
CHECKLIST: Final = (
    "A thermal cut-out and a timer sit in the lamp's feed, outside the computer; the timer is set "
    "to end later than the run, and both were seen to switch the lamp off.",
    "The circuit has a residual-current device and a circuit breaker, and the residual-current "
    "device was tested with its button (measuring gear: IEC 61010).",
    "A smoke alarm that can be heard, or that calls somebody, is in the room and was tested.",
    "Nothing that burns, and nobody, is or can come below or near the lamp.",
    "The lamp is in an enclosed luminaire or marked for open operation, in its burning position, "
    "within its rated life, its outer bulb whole (IEC 62035, IEC 60598; 21 CFR 1040.30 for metal "
    "halide and mercury lamps that go on burning with a broken bulb).",
    "The stage is guarded, its hard-wired emergency stop works (EN 60204-1, ISO 13850), and its "
    "way, its cables among it, is free at every height of the plan.",
    "The door notice, which is written after this, will hang at the door before I leave; whoever "
    "is named on it knows of the run, and how to isolate.",
    "Whoever is responsible for the room allows equipment to run there unattended.",
)
#: One more where a person has hung the device before leaving.
HUNG: Final = (
    "{device} hangs at a mounting height of {height:g} mm, measured, and cannot slip or be moved."
)
#: One more where the plan lets the stage home with nobody asked (`[trouble] home_unasked`).
HOMES_UNASKED: Final = (
    "Nobody can reach into the stage while the run goes on: it homes by itself, without asking, "
    "when its port was lost and is back."
)
#: One more for metal halide: such lamps may burst at the end of their life when they are never
#: switched off (text of makers, from memory).
WEEKLY_OFF: Final = (
    "The lamp was off for at least 15 minutes within the last week: metal halide lamps in "
    "continuous use are switched off so long once a week."
)
METAL_HALIDE: Final = ("metal halide", "ceramic metal halide")


def checklist(plan: Plan, profile: Profile) -> list[str]:
    """List what a person has to acknowledge before this plan is run unattended."""
    items = list(CHECKLIST)
    if profile.stage.options.travel_z_mm is None:
        height_mm = stays(plan, has_height_axis=False)[0].mounting_height_mm
        items.append(HUNG.format(device=plan.device.name, height=height_mm))
    if plan.trouble.home_unasked:
        items.append(HOMES_UNASKED)
    if plan.lamp.kind in METAL_HALIDE:
        items.append(WEEKLY_OFF)
    return items


def refusals(plan: Plan, profile: Profile) -> list[str]:
    """List why a plan cannot be run unattended; empty if it can."""
    if profile.is_by_hand:
        return ['stage.kind is "manual": nobody is there to carry the sensor from point to point']
    found = []
    if plan.lamp.switching != "relay":
        found.append(
            'lamp.switching is "hand": nobody is there to light the lamp; give "relay" and '
            "armed = true, with a relay that was proved to open by itself"
        )
    has_axis = profile.stage.options.travel_z_mm is not None
    hangings = stays(plan, has_height_axis=has_axis)[-1].installation
    if hangings > 1:
        found.append(
            f"heights asks for {hangings} hangings (mounting_height_mm, installations), and "
            "nobody is there to hang the device anew; give one installation, and one height "
            "unless the stage has a height axis (stage.travel_z_mm)"
        )
    if plan.warm_up.on_timeout == "ask":
        found.append('warm_up.on_timeout is "ask": nobody is there to answer; give "stop"')
    return found


class Refused(Exception):
    """A run is not planned, or not begun, with nobody there; the message says why."""


class AbsentOperator(ProgramAnswers[str]):
    """Answers for nobody: what was acknowledged before, and to everything else the safe answer.

    Parameters
    ----------
    acknowledged : bool
        Whether cautions and checklist were acknowledged; without that every answer is to stop.
    """

    def __init__(self, *, acknowledged: bool) -> None:
        # The device was hung before, and its height measured: see `checklist`.
        self._answers = (
            {"cautions": "yes", "height": "done", "suspect": "re-read"} if acknowledged else {}
        )

    def ask(self, prompt: Prompt) -> None:
        """Take note of the question; the answer is there at once."""
        answer = self._answers.get(prompt.kind, "stop")
        if prompt.kind == "height":
            self._answers.pop("height", None)  # hung once, before; never anew by nobody
        self._answer = answer if answer in prompt.choices else prompt.choices[-1]
