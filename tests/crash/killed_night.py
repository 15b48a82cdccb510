"""Kill whole runs with SIGKILL, resume them until they end, and see that nothing was lost.

Each round begins a run in a process of its own on the virtual bench, kills it at a random moment,
resumes it in another process, which may be killed as well, and so on to the end. A run that ended
before its kill came is no round. Used by `test_killed_night.py`, and by `kill_sweep.py` for more.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import signal
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
from attrs import Factory, define, frozen

from analysis import run_folder
from analysis.summary import summarise
from rig.storage import OsStorage
from tests.rig.bench_run import as_built, do_resume, do_run, plan_of
from tests.rig.test_resume import BRIEF, still_bench

SMALL = {**BRIEF, "grid": {"rows": 2, "columns": 3}, "dark": {"points": 5}}
#: A run's folder is made by this many acknowledgements.
FIRST = 6
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
    do_resume(path, folder / "rig.toml", as_built, storage=TellingStorage(tell))


def _work(work: Callable[[Path, Report], None], folder: Path, report: Connection) -> None:
    work(folder, lambda size, name: report.send((size, name)))
    report.send(None)


def kill_after(
    work: Callable[[Path, Report], None],
    folder: Path,
    acknowledgements: int,
    safe: dict[str, int],
) -> bool:
    """Let a process work, kill it after so many acknowledgements; say whether the kill came.

    It works on while what it tells travels, and while the signal does: the kill falls anywhere.

    Raises
    ------
    RuntimeError
        It ended by itself, and not well.
    """
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.crash.warm"])
    receiver, sender = context.Pipe(duplex=False)
    child = context.Process(target=_work, args=(work, folder, sender))
    child.start()
    sender.close()
    try:
        for count in range(10**9):
            told = receiver.recv()
            if told is None:
                break
            safe[told[1]] = max(safe.get(told[1], 0), told[0])
            if count >= acknowledgements:
                child.kill()
    except EOFError:
        pass
    child.join()
    if child.exitcode not in (0, -signal.SIGKILL):
        raise RuntimeError(f"a run ended by itself with exit code {child.exitcode}")
    return child.exitcode != 0


@frozen
class Never:
    """A run that nobody killed: its map, and how often it had something acknowledged."""

    ppfd: np.ndarray
    acknowledgements: int


@define
class Round:
    """What came of killing one run until it ended.

    Attributes
    ----------
    kills : int
        Processes that SIGKILL ended in the midst of a run.
    rows : int
        Readings and events that had been acknowledged, looked for after each kill.
    faults : list of str
        What was lost, did not load, did not come to its end, or came to another map.
    """

    kills: int = 0
    rows: int = 0
    faults: list[str] = Factory(list)

    def look(self, path: Path, safe: dict[str, int], was_killed: bool) -> bool:
        """Look for all that was acknowledged; say whether the run has come to its end."""
        self.kills += was_killed
        for name in (run_folder.READINGS, run_folder.EVENTS):
            data, size = (path / name).read_bytes(), safe.get(str(path / name), 0)
            rows, damage, _ = run_folder.split_rows(data[:size], name)
            self.rows += rows.count(b"\n")
            if len(data) < size or damage:
                self.faults.append(f"{name}: {size} bytes safe, {len(data)} there, {damage}")
        run = run_folder.load(path)
        is_ended = bool((run.events.event == "run-ended").any())
        return is_ended and bool(run.descriptor["evenfall"]["is_closed"])


def one_round(folder: Path, dice: random.Random, never: Never) -> Round | None:
    """Kill and resume one run to its end; None if it had no folder yet, or ended before."""
    safe: dict[str, int] = {}
    was_killed = kill_after(begin, folder, dice.randint(FIRST, never.acknowledgements), safe)
    made = list((folder / "lab" / "runs").iterdir()) if was_killed else []
    if not made or not (made[0] / run_folder.DESCRIPTOR).exists():
        return None
    (path,) = made
    done = Round()
    is_ended = done.look(path, safe, was_killed)
    for number in range(MOST_RESUMES):
        if is_ended:
            break
        last = number == MOST_RESUMES - 1 or dice.random() < 0.6
        limit = 10**9 if last else dice.randint(1, never.acknowledgements)
        is_ended = done.look(path, safe, kill_after(go_on, folder, limit, safe))
    else:
        done.faults.append("a resumed run did not come to its end")
    run = run_folder.load(path)
    if run.damage:
        done.faults.append(f"damaged: {run.damage}")
    (one,) = summarise(run).maps
    if not one.is_complete:
        done.faults.append("the map is not complete")
    elif not np.allclose(one.ppfd, never.ppfd, rtol=ALIKE):
        done.faults.append(f"another map: {one.ppfd / never.ppfd}")
    return done


def never_killed(folder: Path) -> Never:
    """Let a run go through."""
    folder.mkdir()
    told: list[int] = []
    begin(folder, lambda size, name: told.append(size))
    (path,) = (folder / "lab" / "runs").iterdir()
    (one,) = summarise(run_folder.load(path)).maps
    return Never(np.asarray(one.ppfd), len(told))


def sweep(folder: Path, kills: int, seed: int) -> Iterator[Round]:
    """Kill runs until there were so many kills; give what came of each run, as it ends."""
    dice = random.Random(seed)
    never, number = never_killed(folder / "never"), 0
    while kills > 0:
        own = folder / f"{number}"
        own.mkdir()
        if done := one_round(own, dice, never):
            done.faults = [f"run {number}: {fault}" for fault in done.faults]
            kills -= done.kills
            yield done
        shutil.rmtree(own)
        number += 1
