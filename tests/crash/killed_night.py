"""Kill whole runs with SIGKILL, resume them until they end, and see that nothing was lost.

Each round begins a run in a process of its own on the virtual bench, kills it at a random moment,
resumes it in another process, which may be killed as well, and so on to the end. Used by
`test_killed_night.py`, and by `kill_sweep.py` for more rounds.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np

from analysis import run_folder
from analysis.summary import summarise
from rig.build import build
from rig.demo.person import NoStop, VirtualPerson
from rig.progress import QuietProgress
from rig.resume import read_interrupted, resume
from rig.storage import OsStorage
from tests.rig.bench_run import do_run, plan_of
from tests.rig.test_resume import BRIEF, still_bench

SMALL = {**BRIEF, "grid": {"rows": 2, "columns": 3}, "dark": {"points": 5}}
#: Acknowledgements of a whole run, about.
WHOLE = 330
#: How far two maps of the still bench may lie apart: the meter and the sensor have steps.
ALIKE = 1e-3
MOST_RESUMES = 6

Report = Callable[[int, str], None]


class TellingStorage(OsStorage):
    """Tells, after each fsync, how much of which file is now safe."""

    def __init__(self, tell: Report) -> None:
        self._tell = tell

    def fsync(self, handle: int) -> None:
        super().fsync(handle)
        name = os.readlink(f"/proc/self/fd/{handle}")
        self._tell(os.fstat(handle).st_size, name)


def begin(folder: Path, tell: Report) -> None:
    """Do a whole run."""
    plan = plan_of(folder, **SMALL)
    profile, bench = still_bench(folder)
    do_run(folder, plan, profile, bench, storage=TellingStorage(tell))


def go_on(folder: Path, tell: Report) -> None:
    """Resume it, on a bench that was switched off meanwhile."""
    (path,) = (folder / "lab" / "runs").iterdir()
    plan, profile, lab = read_interrupted(path, folder / "rig.toml")
    bench = build(profile, plan.device.name)
    resume(
        path,
        plan,
        profile,
        lab,
        bench=bench,
        operator=VirtualPerson(bench, plan.device.name),
        stop=NoStop(),
        progress=QuietProgress(),
        storage=TellingStorage(tell),
    )


def _work(work: Callable[[Path, Report], None], folder: Path, report: Connection) -> None:
    work(folder, lambda size, name: report.send((size, name)))
    report.send(None)


def kill_after(
    work: Callable[[Path, Report], None],
    folder: Path,
    acknowledgements: int,
    safe: dict[str, int],
) -> bool:
    """Let a process work, kill it after so many acknowledgements; say whether it had finished."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.crash.killed_night"])
    receiver, sender = context.Pipe(duplex=False)
    child = context.Process(target=_work, args=(work, folder, sender))
    child.start()
    sender.close()
    finished = False
    try:
        for count in range(10**9):
            told = receiver.recv()
            if told is None:
                finished = True
                break
            safe[told[1]] = max(safe.get(told[1], 0), told[0])
            if count >= acknowledgements:
                child.kill()
    except EOFError:
        pass
    child.join()
    return finished


def one_round(folder: Path, dice: random.Random, never_killed: np.ndarray) -> list[str]:
    """Kill and resume one run to its end; return what went wrong."""
    safe: dict[str, int] = {}
    if kill_after(begin, folder, dice.randint(6, WHOLE), safe):
        return []
    (path,) = (folder / "lab" / "runs").iterdir()
    if not (path / run_folder.DESCRIPTOR).exists():
        return []  # killed before the folder was one
    faults = _lost(path, safe)
    if _is_closed(path):
        return faults
    for number in range(MOST_RESUMES):
        last = number >= MOST_RESUMES - 1 or dice.random() < 0.6
        limit = 10**9 if last else dice.randint(1, WHOLE)
        finished = kill_after(go_on, folder, limit, safe)
        faults += _lost(path, safe)
        if finished or _is_closed(path):  # killed after its work, before it could say so
            break
        if last:
            return [*faults, "a resumed run did not come to its end"]
    run = run_folder.load(path)
    if run.damage:
        faults.append(f"damaged: {run.damage}")
    if "run-ended" not in set(run.events.event) or not run.descriptor["evenfall"]["is_closed"]:
        faults.append(f"ends with {run.events.event.iloc[-1]}, or is not closed")
    (one,) = summarise(run).maps
    if not one.is_complete:
        faults.append("the map is not complete")
    elif not np.allclose(one.ppfd, never_killed, rtol=ALIKE):
        faults.append(f"another map: {one.ppfd / never_killed}")
    return faults


def _is_closed(path: Path) -> bool:
    run = run_folder.load(path)
    is_ended = bool((run.events.event == "run-ended").any())
    return is_ended and bool(run.descriptor["evenfall"]["is_closed"])


def _lost(path: Path, safe: dict[str, int]) -> list[str]:
    found = []
    for name in (run_folder.READINGS, run_folder.EVENTS):
        data, size = (path / name).read_bytes(), safe.get(str(path / name), 0)
        _, damage, _ = run_folder.split_rows(data[:size], name)
        if len(data) < size or damage:
            found.append(f"{name}: {size} bytes acknowledged, {len(data)} there, {damage}")
    return found


def never_killed(folder: Path) -> np.ndarray:
    """Return the map of a run that goes through."""
    folder.mkdir()
    begin(folder, lambda size, name: None)
    (path,) = (folder / "lab" / "runs").iterdir()
    (one,) = summarise(run_folder.load(path)).maps
    return np.asarray(one.ppfd)


def sweep(folder: Path, rounds: int, seed: int) -> Iterator[list[str]]:
    """Do so many rounds; give what went wrong in each, as each ends."""
    dice = random.Random(seed)
    wanted = never_killed(folder / "never")
    for number in range(rounds):
        own = folder / f"{number}"
        own.mkdir()
        yield [f"round {number}: {fault}" for fault in one_round(own, dice, wanted)]
        shutil.rmtree(own)
