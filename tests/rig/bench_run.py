"""Whole runs on the virtual bench in this process: real drivers, real bytes, virtual time."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import tomli_w

from drivers.clock import VirtualClock
from drivers.simulated.attach import attach, rig_text, usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.instruments import Instruments
from rig.build import Bench, assemble, build
from rig.demo.person import NoStop, VirtualPerson
from rig.plan import Plan, read_plan
from rig.profile import Profile, read_profile
from rig.progress import QuietProgress
from rig.resume import read_interrupted, resume
from rig.run import run

#: Short enough for a test, and lax enough that a lamp that has just been lit passes.
QUICK = {
    "grid": {"rows": 3, "columns": 3},
    "heights": {"mounting_height_mm": [450.0]},
    "warm_up": {
        "block_s": 30.0,
        "window_s": 300.0,
        "limit_percent": 2.0,
        "minimum_on_s": 600.0,
        "maximum_s": 3600.0,
    },
    "sampling": {"samples_per_point": 2, "quick_look": False, "reference_every": 4},
    "trouble": {"pause_most_min": 0.0},
}


def plan_of(folder: Path, **sections: dict) -> Plan:
    """Write and read a plan: the demo's, made quick, with these keys changed."""
    text = files("rig.demo").joinpath("plan.toml").read_text(encoding="utf-8")
    content = tomllib.loads(text)
    for changes in (QUICK, sections):
        for section, keys in changes.items():
            content[section] = {**content.get(section, {}), **keys}
    path = folder / "plan.toml"
    path.write_text(tomli_w.dumps(content), encoding="utf-8")
    return read_plan(path)


def bench_of(
    folder: Path,
    *,
    instruments: Instruments | None = None,
    scenario: dict | None = None,
    errors: dict | None = None,
) -> tuple[Profile, Bench]:
    """Build the demo's bench, with other instruments or other keys of scenario and errors."""
    source = files("drivers.simulated.scenarios")
    for name, changes in (("demo.toml", scenario), ("demo-errors.toml", errors)):
        content = tomllib.loads(source.joinpath(name).read_text(encoding="utf-8"))
        for section, keys in (changes or {}).items():
            if isinstance(keys, dict):
                merged = {**content[section], **keys}
                keys = {key: value for key, value in merged.items() if value is not None}
            content[section] = keys
        named = "scenario.toml" if name == "demo.toml" else name
        (folder / named).write_text(tomli_w.dumps(content), encoding="utf-8")
    virtual, clock = VirtualBench.from_scenario(folder / "scenario.toml"), VirtualClock()
    instruments = instruments or usual_instruments(virtual)
    (folder / "rig.toml").write_text(
        rig_text(instruments, name="virtual bench", scenario="scenario.toml"), encoding="utf-8"
    )
    profile = read_profile(folder / "rig.toml")
    lines = attach(virtual, clock, instruments)
    return profile, Bench(clock=clock, instruments=assemble(profile, clock, lines), virtual=virtual)


def do_run(
    folder: Path,
    plan: Plan,
    profile: Profile,
    bench: Bench,
    *,
    operator=None,
    stop=None,
    storage=None,
) -> Path:
    """Carry a run out and return its folder."""
    try:
        return run(
            plan,
            profile,
            folder / "lab",
            bench=bench,
            operator=operator or VirtualPerson(bench, plan.device.name),
            stop=stop or NoStop(),
            progress=QuietProgress(),
            storage=storage,
        )
    finally:
        bench.close()


def do_resume(
    path: Path,
    rig_path: Path,
    bench_for: Callable[[Profile, Plan], Bench],
    *,
    operator=None,
    storage=None,
) -> Bench:
    """Go on with an interrupted run on the bench that is made for it; return that bench."""
    plan, profile, lab = read_interrupted(path, rig_path)
    bench = bench_for(profile, plan)
    try:
        resume(
            path,
            plan,
            profile,
            lab,
            bench=bench,
            operator=operator or VirtualPerson(bench, plan.device.name),
            stop=NoStop(),
            progress=QuietProgress(),
            storage=storage,
        )
    finally:
        bench.close()
    return bench


def as_built(profile: Profile, plan: Plan) -> Bench:
    """Build the bench of a profile, as a program begun anew does."""
    return build(profile, plan.device.name)
