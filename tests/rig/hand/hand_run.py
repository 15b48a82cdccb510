"""Runs that a scripted person carries out by hand at the virtual bench, in virtual time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import tomli_w

from drivers.clock import VirtualClock
from rig.build import Bench, build
from rig.hand.view import HandAnswer, HandView
from rig.hand.virtual import VirtualHand
from rig.plan import Plan
from rig.profile import Profile, read_profile
from tests.rig.bench_run import do_resume, do_run, plan_of

KEYED = {"light_sensor": {"kind": "keyed"}, "power_meter": {"kind": "keyed"}}
METER = {
    "kind": "modbus-power-meter",
    "port": "bench:power_meter",
    "registers": [{"quantity": "wall_power_w", "register": 0}],
}
SENSOR = {"kind": "sdi12-quantum-sensor", "port": "bench:light_sensor"}

Act = Callable[[HandView], HandAnswer | None]


def key(name: str) -> HandAnswer:
    return HandAnswer(key=name)


def typed(text: str) -> HandAnswer:
    return HandAnswer(text=text)


class ScriptedHand(VirtualHand):
    """Answers as `act` says, and as usual where that says nothing."""

    def __init__(self, act: Act | None = None) -> None:
        self.act = act or (lambda view: None)
        self.views: list[HandView] = []

    def join(self, bench: Bench) -> None:
        """Stand at a bench that was built with this person."""
        assert bench.virtual is not None
        assert isinstance(bench.clock, VirtualClock)
        super().__init__(bench.virtual, bench.clock)

    def show(self, view: HandView) -> None:
        self.views.append(view)
        super().show(view)

    def answer_to(self, view: HandView) -> HandAnswer:
        return self.act(view) or super().answer_to(view)


class Script:
    """Answers in their order, each to the next view at a place, and only once."""

    def __init__(self, *steps: tuple[str, HandAnswer]) -> None:
        self.steps = list(steps)

    def __call__(self, view: HandView) -> HandAnswer | None:
        if not self.steps or self.steps[0][0] != at(view):
            return None
        return self.steps.pop(0)[1]


def at(view: HandView) -> str:
    """Name the place of a view in short: "1,2", "reference", "power", "reason", "doubt 1,2"."""
    if view.asks == "text":
        return "reason"
    if view.message:
        return "doubt"
    if view.headline.startswith("Reference"):
        return "reference"
    if view.headline == "Wattmeter":
        return "power"
    if not view.headline.startswith("Point"):
        return view.headline
    return f"{view.row},{view.column}"


def plan_by_hand(folder: Path, **sections: dict) -> Plan:
    usual = {
        "sampling": {"samples_per_point": 1, "reference_every": 4, "quick_look": False},
        "warm_up": {"block_s": 60.0, "window_s": 300.0},
        "trouble": {"pause_most_min": 10.0},
    }
    for section, keys in sections.items():
        usual[section] = {**usual.get(section, {}), **keys}
    return plan_of(folder, **usual)


def rig_by_hand(folder: Path, **sections: dict) -> Profile:
    content = {"format": 1, "bench": {"scenario": "demo"}, "stage": {"kind": "manual"}}
    path = folder / "rig.toml"
    path.write_text(tomli_w.dumps({**content, **KEYED, **sections}), encoding="utf-8")
    return read_profile(path)


def bench_by_hand(profile: Profile, plan: Plan, act: Act | None = None) -> Bench:
    """Build the bench with a scripted person; `bench.lead.desk` is that person."""
    hand = ScriptedHand(act)
    bench = build(profile, plan.device.name, hand)
    hand.join(bench)
    return bench


def run_by_hand(folder: Path, act: Act | None = None, *, rig: dict | None = None, **plan: dict):
    """Carry out a run by hand; return its folder and the bench."""
    made, profile = plan_by_hand(folder, **plan), rig_by_hand(folder, **(rig or {}))
    bench = bench_by_hand(profile, made, act)
    return do_run(folder, made, profile, bench), bench


def resume_by_hand(run: Path, rig_path: Path, act: Act | None = None) -> Bench:
    return do_resume(run, rig_path, lambda profile, plan: bench_by_hand(profile, plan, act))
