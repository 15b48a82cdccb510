"""`evenfall resume`: go on with a run that was killed or stopped, at the first missing point.

Nothing is taken over unseen: the stage homes, the lamp is judged by its rule anew, and the
reference point is read and held against its last reading before a point is.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from pathlib import Path
from typing import Any

from analysis import lab_folder, run_folder
from analysis.grid import grid_from_plan
from rig import series
from rig.build import Bench
from rig.done import RESUMED, Done, look_back
from rig.faults import RunStopped
from rig.lamp import refusals
from rig.logbook import Logbook
from rig.operator import Operator, StopRequested
from rig.plan import Plan, read_plan
from rig.profile import Profile, cross_check, read_profile
from rig.progress import RunProgress, duration
from rig.recorder import Recorder
from rig.run import measure, note_burning
from rig.storage import Storage
from rig.toml_faults import ConfigError


def read_interrupted(folder: Path, rig_path: Path) -> tuple[Plan, Profile, Path]:
    """Read what a run was begun with, and see that it can be gone on with.

    Parameters
    ----------
    folder : Path
        The run folder.
    rig_path : Path
        The rig profile as it is now. Only its ports may differ from the copy in the folder.

    Returns
    -------
    plan : Plan
        The folder's own.
    profile : Profile
    lab : Path
        The lab folder in which the run lies.

    Raises
    ------
    RunFolderError
        Not a run folder.
    RunStopped
        It is finished, or was changed since it was begun; nothing was touched.
    ConfigError
        The profile cannot be used.
    """
    folder = Path(folder).resolve()
    run = run_folder.load(folder)
    if "entered" in run.plan:
        raise _refused(f"{folder}: was entered by hand; there is no bench to go on at")
    if (run.events.event == "run-ended").any() and run.descriptor["evenfall"]["is_closed"]:
        raise _refused(f"{folder}: is finished; nothing of it is missing. Begin a new run")
    for name in (run_folder.PLAN, run_folder.RIG):
        _refuse_changed(folder / name, run.descriptor)
    plan, profile = read_plan(folder / run_folder.PLAN), read_profile(rig_path)
    if differing := _differences(run.rig, tomllib.loads(profile.text.decode("utf-8-sig"))):
        raise _refused(
            f"{rig_path}: not as when the run was begun: {', '.join(differing)}; only ports may "
            f"change within a run. Give the profile of then, as {folder / run_folder.RIG} has it, "
            "or begin a new run"
        )
    if problems := cross_check(plan, profile):
        raise ConfigError(str(folder / run_folder.PLAN), problems)
    lab = folder.parents[1]
    lab_folder.check(lab)
    return plan, profile, lab


def resume(
    folder: Path,
    plan: Plan,
    profile: Profile,
    lab: Path,
    *,
    bench: Bench,
    operator: Operator,
    stop: StopRequested,
    progress: RunProgress,
    storage: Storage | None = None,
) -> None:
    """Measure what is missing of a run; its folder is then closed.

    Raises
    ------
    RunStopped
        The run ended early once more; its `folder` holds everything up to that moment.
    RecorderError
        Another program records into the folder, one has edited it, or it cannot be written.
    """
    if found := [*refusals(plan, profile, lab, bench.clock), *series.refusals(plan, lab, folder)]:
        raise RunStopped("measurement refused: " + "; ".join(found))
    clock = bench.clock
    now = clock.stamp()
    before = look_back(folder, grid_from_plan(plan.raw), plan.sampling.samples_per_point)
    with Recorder.reopen(folder, utc=now.utc, storage=storage) as recorder:
        if before.is_finished:  # killed between its last row and the closing of its folder
            recorder.close()
            lab_folder.rebuild_index(lab)
            return
        log = Logbook(clock=clock, recorder=recorder, ahead_s=recorder.resumed_at_s - now.elapsed_s)
        if not before.stop_reason:
            # Killed: nobody was there to note what the lamp had burned.
            note_burning(
                lab,
                plan,
                folder,
                clock,
                burned_s=before.session_burned_s,
                starts=before.session_starts,
            )
        log.event(RESUMED, plan.device.name, _gap(before, recorder.resumed_at_s))
        log.acknowledge()
        measure(
            plan,
            profile,
            lab,
            log,
            before,
            bench=bench,
            operator=operator,
            stop=stop,
            progress=progress,
        )


def _gap(before: Done, now_s: float) -> str:
    why = before.stop_reason or "the program ended without a word"
    return f"{duration(max(now_s - before.last_s, 0.0))} after the last row; {why}"


def _refused(why: str) -> RunStopped:
    return RunStopped(f"measurement refused: {why}.")


def _refuse_changed(path: Path, descriptor: dict[str, Any]) -> None:
    """A run is one plan on one rig: a copy that was edited since is not gone on with."""
    expected = descriptor["evenfall"].get("sha256", {}).get(path.name)
    if expected and hashlib.sha256(path.read_bytes()).hexdigest() != expected:
        raise _refused(
            f"{path}: was changed since the run was begun. Restore it from a copy, or begin a "
            "new run with the changed one"
        )


def _differences(then: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """List the sections and keys of a profile that differ, ports left out."""
    found = []
    for section in [*then, *(name for name in now if name not in then)]:
        old, new = then.get(section), now.get(section)
        if isinstance(old, dict) and isinstance(new, dict):
            keys = [*old, *(key for key in new if key not in old)]
            found += [
                f"{section}.{key}"
                for key in keys
                if key != "port" and _text(old.get(key)) != _text(new.get(key))
            ]
        elif _text(old) != _text(new):
            found.append(section)
    return found


def _text(value: Any) -> str:
    return json.dumps(value, default=str, sort_keys=True)
