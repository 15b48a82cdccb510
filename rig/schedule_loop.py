"""Starts planned runs one after another, for as long as it is left running.

It wakes when it is woken, at least every half minute all the same, reads what was added to the
schedule, and asks the policy about each planned run. So it does not matter when the waker is
late, wakes it twice, or forgets. Before a run is started the bench is taken and the claim is on
the disk; the run is then a process of its own, to which the bench is handed over, and which goes
on if this one is killed.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Final, Protocol

from attrs import define, field

from drivers.clock import Clock, Watchable
from rig.bench_lock import BenchInUse, BenchLock
from rig.operator import StopRequested
from rig.schedule_book import Book, Entry
from rig.schedule_policy import BUSY, Missed, Start, State, Wait, decide, to_utc

#: Often enough for a run that lasts hours, and for a person who waits for a word. [s]
TICK_S: Final = 30.0


class Waker(Watchable, Protocol):
    """Something that becomes readable at, or some time after, the moments it is given."""

    def wake_at(self, name: str, utc: datetime) -> None:
        """Wake for a planned run; a new moment replaces the one before."""
        ...

    def clear(self) -> None:
        """Be readable no longer."""
        ...


class Child(Watchable, Protocol):
    """A planned run under way; readable once it has ended."""

    def how_it_ended(self) -> str:
        """Say how its process ended, in words."""
        ...

    def stop(self) -> None:
        """Ask it to stop."""
        ...


@define(kw_only=True)
class Loop:
    """Keeps one schedule.

    Parameters
    ----------
    book : Book
    clock : Clock
    waker : Waker
    stop : StopRequested
    bench : callable
        ``bench(entry)`` takes the bench of a planned run; `BenchInUse` while somebody has it.
    launch : callable
        ``launch(entry, lock)`` starts it as a process of its own, which keeps the lock.
    say : callable
        Told what happens, a line at a time.
    trouble : callable
        ``trouble(entry, reason)``: told of a planned run that was not carried out.
    tick_s : float
        It looks at the schedule at least so often, woken or not. [s]
    """

    book: Book
    clock: Clock
    waker: Waker
    stop: StopRequested
    bench: Callable[[Entry], BenchLock]
    launch: Callable[[Entry, BenchLock], Child]
    say: Callable[[str], None]
    trouble: Callable[[Entry, str], None]
    tick_s: float = TICK_S
    _child: Child | None = field(default=None, init=False)
    _lock: BenchLock | None = field(default=None, init=False)
    _running: Entry | None = field(default=None, init=False)
    _said: dict[str, str] = field(factory=dict, init=False)

    def run(self) -> None:
        """Go on until asked to stop; a run under way is then asked to stop too, and waited for.

        Raises
        ------
        LabFolderError, OSError
            The schedule cannot be read or written: nothing is started without a record.
        """
        while self.stop.reason is None:
            self.look()
            self.clock.wait_until(
                self.clock.elapsed_s() + self.tick_s,
                watching=[self.stop, self.waker, *self._watched()],
            )
            self.waker.clear()
        if self._child is not None:
            self.say("Asked to stop: so is the run under way.")
            self._child.stop()
            while not self._child.readable():
                self.clock.wait_until(
                    self.clock.elapsed_s() + self.tick_s, watching=self._watched()
                )
            self._take_leave()

    def look(self) -> None:
        """Read what is new, and do what is due."""
        self.book.refresh()
        for problem in self.book.problems:
            self.say(problem)
        self.book.problems.clear()
        if self._child is not None and self._child.readable():
            self._take_leave()
        if self._child is None:
            self._settle()
        while self._decide_all():
            pass  # what was written down may let others start, or keep them from it
        self._said = {name: text for name, text in self._said.items() if name in self.book.entries}

    def _decide_all(self) -> bool:
        """Ask about each planned run, the earliest first; return after the first change."""
        now_utc = self.clock.utc()
        for entry in sorted(self.book.planned(), key=_due):
            name = entry.run.name
            decision = decide(entry.run, now_utc, entry.zone, self.book.records)
            if isinstance(decision, Missed):
                self._miss(entry, decision.reason)
                return True
            if isinstance(decision, Wait):
                self._say_once(name, f"Run {name} {decision.why}.")
                if decision.until_utc is not None:
                    self.waker.wake_at(name, decision.until_utc)
            elif isinstance(decision, Start) and self._child is None and self._start(entry):
                return True
        return False

    def _start(self, entry: Entry) -> bool:
        name = entry.run.name
        try:
            lock = self.bench(entry)
        except BenchInUse as why:
            self._say_once(name, f"Run {name} waits: {why}")
            return False
        except Exception as fault:
            self._miss(entry, f"its profile cannot be used: {fault}")
            return True
        try:
            if not self.book.note(name, State.CLAIMED, self.clock.utc(), only_if=State.PLANNED):
                lock.release()
                return True  # it was removed while we looked
            self._child = self.launch(entry, lock)
        except BaseException:
            lock.release()
            raise
        self._lock, self._running = lock, entry
        self._say_once(name, f"Run {name} is being started.")
        return True

    def _take_leave(self) -> None:
        """Note how the run under way has ended, where it could not do so itself."""
        assert self._child is not None
        assert self._running is not None
        assert self._lock is not None
        name, how = self._running.run.name, self._child.how_it_ended()
        self.book.refresh()
        record = self.book.records.get(name)
        if record is not None and record.state in BUSY:
            self._died(self._running, record.state, f"its process {how}")
        self._lock.release()
        self.say(f"Run {name} has ended.")
        self._child = self._lock = self._running = None

    def _settle(self) -> None:
        """Put right what an earlier scheduler left: runs claimed or started, and nobody there."""
        for name, record in list(self.book.records.items()):
            if record.state not in BUSY:
                continue
            entry = self.book.entries[name]
            try:
                self.bench(entry).release()
            except BenchInUse:
                continue  # its process goes on without the scheduler that started it
            except Exception as fault:
                self.say(f"Run {name}: its profile cannot be used: {fault}")
            self.book.refresh()  # it may have ended, and said so, while we looked
            if name not in self.book.records or self.book.records[name].state is not record.state:
                continue
            if record.state is State.CLAIMED:
                self.book.note(
                    name,
                    State.PLANNED,
                    self.clock.utc(),
                    reason="was claimed and not started: the scheduler had ended",
                )
                self.say(f"Run {name} was claimed and not started; it is planned again.")
            else:
                self._died(entry, record.state, "killed, or the computer stopped")

    def _died(self, entry: Entry, state: State, how: str) -> None:
        name = entry.run.name
        folder = self.book.folders.get(name, "")
        if state is State.CLAIMED:
            reason = f"could not be started: {how}"
        else:
            where = self.book.lab / folder if folder else "its run folder"
            reason = (
                f"ended without a word: {how}. What it read is in {where}; look at the bench, then "
                f"go on with 'evenfall resume {where}'"
            )
        self.book.note(
            name, State.FINISHED, self.clock.utc(), exit_code=1, reason=reason, run_folder=folder
        )
        self.say(f"Run {name} {reason}.")
        self.trouble(entry, reason)

    def _miss(self, entry: Entry, reason: str) -> None:
        self.book.note(entry.run.name, State.MISSED, self.clock.utc(), reason=reason)
        self.say(f"Run {entry.run.name} is missed: {reason}.")
        self.trouble(entry, reason)

    def _say_once(self, name: str, text: str) -> None:
        if self._said.get(name) != text:
            self._said[name] = text
            self.say(text)

    def _watched(self) -> list[Watchable]:
        return [] if self._child is None else [self._child]


def _due(entry: Entry) -> float:
    """Order by start; those that follow another run come after those that have a time."""
    start = entry.run.start
    return float("inf") if start is None else to_utc(start, entry.zone).timestamp()
