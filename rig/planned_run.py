"""One planned run, in a process of its own: ``python -m rig.planned_run LAB NUMBER [LOCK]``.

Started by the schedule's loop, which has claimed it and hands over the bench. Here the claim is
looked at again, everything that can be refused is refused before a port is opened for good, and
each step is on the schedule before it is taken, so that the schedule is right whoever is killed.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from io import StringIO
from pathlib import Path

from rich.console import Console

from analysis.lab_records import LabFolderError
from drivers.clock import Clock, SystemClock
from drivers.errors import DriverError
from rig import unattended
from rig.bench_lock import BenchLock, handed_over
from rig.build import build
from rig.check import Surroundings, Wanted, examine
from rig.check_findings import Weight
from rig.faults import RunStopped
from rig.logbook import Logbook
from rig.notices import Notices
from rig.operator import StopRequest
from rig.plan import Plan, read_plan
from rig.profile import Profile, read_profile
from rig.progress import TerminalProgress
from rig.recorder import RecorderError
from rig.results import derive_with_pictures, utc_text
from rig.run import run
from rig.schedule_book import Book, Entry, digest
from rig.schedule_policy import State
from rig.telling import TellingProgress
from rig.toml_faults import ConfigError

FAILED, STOPPED = 1, 130


class PlannedProcess:
    """A planned run under way, as the loop sees it.

    Parameters
    ----------
    lab : Path
    entry : Entry
    lock : BenchLock
        Handed over: it is kept until both processes have let go of it.
    """

    def __init__(self, lab: Path, entry: Entry, lock: BenchLock) -> None:
        self._end, write = os.pipe()
        try:
            # Whoever holds the writing end lives; nobody needs to look at a clock for that.
            self._process = subprocess.Popen(
                [
                    *(sys.executable, "-m", "rig.planned_run"),
                    *(str(lab), entry.run.name, str(lock.handle)),
                ],
                stdin=subprocess.DEVNULL,
                pass_fds=[write, lock.handle],
            )
        finally:
            os.close(write)

    def fileno(self) -> int | None:
        """Return the end of a pipe that closes with the process."""
        return self._end

    def readable(self) -> bool:
        """Say whether the process has ended."""
        return self._process.poll() is not None

    def how_it_ended(self) -> str:
        """Say how it ended, in words."""
        code = self._process.wait()
        os.close(self._end)
        return f"was ended by signal {-code}" if code < 0 else f"ended with exit code {code}"

    def stop(self) -> None:
        """Ask it to stop, as its terminal would."""
        self._process.terminate()


def carry_out(lab: Path, name: str, clock: Clock, console: Console) -> int:
    """Carry a claimed run out and write down what became of it.

    Returns
    -------
    int
        Exit code of the run; 1 as well where it was not begun.
    """
    book = Book(lab)
    book.refresh()
    entry = book.entries.get(name)
    if entry is None or book.records[name].state is not State.CLAIMED:
        console.print(f"Run {name} is not claimed; nothing is done.", markup=False)
        return FAILED
    try:
        notices = Notices.of_lab(lab, clock)
    except ConfigError as error:  # nobody hears of it, which is no reason not to measure
        console.print(str(error), markup=False)
        notices = Notices(lab, clock, None)
    try:
        plan, profile = _ready(lab, entry, console)
    except (unattended.Refused, ConfigError, OSError) as refused:
        reason = " ".join(str(refused).split())
        book.note(name, State.MISSED, clock.utc(), reason=reason)
        notices.send("trouble", f"planned run {name} was not begun", reason)
        console.print(f"Run {name} was not begun: {reason}", markup=False)
        return FAILED
    return _Carried(lab, entry, book, clock, notices, console).run(plan, profile)


class _Carried:
    """The run itself, and the word about it."""

    def __init__(
        self,
        lab: Path,
        entry: Entry,
        book: Book,
        clock: Clock,
        notices: Notices,
        console: Console,
    ) -> None:
        self._lab = lab
        self._entry = entry
        self._name = entry.run.name
        self._book = book
        self._clock = clock
        self._notices = notices
        self._console = console
        self._folder: Path | None = None

    def run(self, plan: Plan, profile: Profile) -> int:
        """Run, derive, and write down how it ended."""
        stop = StopRequest()  # to the very end: a second signal must not cut the record short
        try:
            code, reason = self._measure(plan, profile, stop)
            self._tell(plan, code, reason)
            if self._folder is not None:
                self._derive(self._folder)
        finally:
            stop.release()
        return code

    def _measure(self, plan: Plan, profile: Profile, stop: StopRequest) -> tuple[int, str]:
        """Run; return the exit code and why it ended."""
        try:
            bench = build(profile, plan.device.name)
            try:
                run(
                    plan,
                    profile,
                    self._lab,
                    bench=bench,
                    operator=unattended.AbsentOperator(acknowledged=True),
                    stop=stop,
                    progress=TellingProgress(
                        TerminalProgress(self._console), self._notices, f"planned run {self._name}"
                    ),
                    begun=self._begun,
                )
            finally:
                bench.close()
        except RunStopped as stopped:
            return stopped.exit_code, stopped.reason
        except (DriverError, RecorderError, LabFolderError, ConfigError, OSError) as fault:
            return FAILED, " ".join(str(fault).split())
        except Exception as fault:
            return FAILED, f"a defect in Evenfall: {type(fault).__name__}: {fault}"
        return 0, "complete"

    def _tell(self, plan: Plan, code: int, reason: str) -> None:
        """Write down how it ended, then tell; before anything is made of it, which may fail."""
        folder = "" if self._folder is None else str(self._folder.relative_to(self._lab))
        self._book.note(
            self._name,
            State.FINISHED if folder else State.MISSED,  # without a folder it was not begun
            self._clock.utc(),
            exit_code=code,
            reason=reason,
            run_folder=folder,
        )
        word = f"planned run {self._name}, {plan.test.name}: " + (
            "complete" if code == 0 else "stopped"
        )
        self._notices.send(
            "end" if code == 0 else "trouble", word, f"{reason}. Run folder: {folder or 'none'}"
        )
        self._console.print(word if code == 0 else f"{word}: {reason}", markup=False)

    def _derive(self, folder: Path) -> None:
        try:
            derive_with_pictures(folder, made_utc=utc_text(self._clock))
        except Exception as fault:  # what was measured is kept, and its end is on record
            again = f"evenfall report {folder}"
            self._console.print(f"The report was not made ({fault}). Try: {again}", markup=False)

    def _begun(self, folder: Path, log: Logbook) -> None:
        """Write down that it has begun: nothing has moved yet, and nothing is lit."""
        self._folder = folder
        entry = self._entry
        log.event(
            "unattended",
            entry.acknowledged_by,
            f"planned run {self._name}; cautions and checklist acknowledged "
            f"{entry.run.planned_utc:%Y-%m-%d %H:%M} UTC",
        )
        log.acknowledge()
        self._book.note(
            self._name,
            State.STARTED,
            self._clock.utc(),
            run_folder=str(folder.relative_to(self._lab)),
        )
        self._notices.send("start", f"planned run {self._name} has begun", f"Run folder: {folder}")


def _ready(lab: Path, entry: Entry, console: Console) -> tuple[Plan, Profile]:
    """Read plan and profile, refuse what must be refused, and check the bench.

    Raises
    ------
    unattended.Refused, ConfigError, OSError
        It must not be begun.
    """
    plan_path, rig_path = lab / entry.plan, Path(entry.rig)
    if digest(rig_path.read_bytes()) != entry.rig_sha256:
        raise unattended.Refused(
            f"{rig_path} has changed since the checklist was acknowledged; plan the run anew"
        )
    plan, profile = read_plan(plan_path), read_profile(rig_path)
    if refusals := unattended.refusals(plan, profile):
        raise unattended.Refused("not to be run unattended: " + "; ".join(refusals))
    shown = StringIO()
    findings = examine(
        Wanted(plan=plan_path, rig=rig_path, lab=lab),
        Console(file=shown, width=console.width, highlight=False),
        Surroundings(bench_user=lambda _profile: None),  # it is ours
    )
    console.print(shown.getvalue(), markup=False)
    stopping = [one for one in findings if one.weight in (Weight.CONFIGURATION, Weight.INSTRUMENT)]
    if stopping:
        raise unattended.Refused(
            "the check before the run found: "
            + "; ".join(f"{one.where}: {one.problem}" for one in stopping)
        )
    return plan, profile


def main(arguments: Sequence[str]) -> int:
    """Run as a process of its own; the lock, if any, is open under the number given."""
    lab, name, *handles = arguments
    lock = handed_over(int(handles[0])) if handles else None
    try:
        return carry_out(Path(lab), name, SystemClock(), Console(highlight=False))
    except KeyboardInterrupt:
        return STOPPED  # before it had begun; whoever started it writes that down
    finally:
        if lock is not None:
            lock.release()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
