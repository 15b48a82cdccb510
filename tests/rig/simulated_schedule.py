"""A schedule on the virtual clock: runs that only take time, a waker that cannot be trusted."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from analysis import lab_folder
from drivers.clock import VirtualClock
from rig.bench_lock import BenchInUse
from rig.schedule_book import Book
from rig.schedule_loop import Loop
from rig.schedule_policy import Hours, PlannedRun, State

BERLIN = "Europe/Berlin"


class BadWaker:
    """Wakes as told, late, twice, or not at all, in turn."""

    def __init__(self, clock: VirtualClock) -> None:
        self._clock = clock
        self._asked = 0
        self._rings = False
        self._set: dict[str, datetime] = {}

    def wake_at(self, name: str, utc: datetime) -> None:
        if self._set.get(name) == utc:
            return
        self._set[name] = utc
        in_s = (utc - self._clock.utc()).total_seconds()
        late_s = ((0.0,), (17.0,), (0.0, 3.0), ())[self._asked % 4]
        self._asked += 1
        for more_s in late_s:
            self._clock.call_at(self._clock.elapsed_s() + in_s + more_s, self._ring)

    def _ring(self) -> None:
        self._rings = True

    def clear(self) -> None:
        self._rings = False

    def fileno(self) -> None:
        return None

    def readable(self) -> bool:
        return self._rings


class Until:
    """Asks to stop at a moment."""

    def __init__(self, clock: VirtualClock, utc: datetime) -> None:
        self._clock, self._utc = clock, utc
        clock.call_at(clock.elapsed_s() + (utc - clock.utc()).total_seconds(), lambda: None)

    @property
    def reason(self) -> str | None:
        return "over" if self._clock.utc() >= self._utc else None

    def fileno(self) -> None:
        return None

    def readable(self) -> bool:
        return self.reason is not None


class FreeLock:
    def release(self) -> None:
        pass


class SimulatedRun:
    """A planned run that takes its time, and writes down what a real one does."""

    def __init__(self, book: Book, clock: VirtualClock, name: str, takes_s: float) -> None:
        self._book, self._clock, self._name = book, clock, name
        self._ends_s = clock.elapsed_s() + takes_s
        self._has_ended = False
        book.note(name, State.STARTED, clock.utc(), run_folder=f"runs/{name}")
        clock.call_at(self._ends_s, self._end)

    def _end(self) -> None:
        if not self._has_ended:
            self._has_ended = True
            self._book.note(self._name, State.FINISHED, self._clock.utc(), exit_code=0)

    def fileno(self) -> None:
        return None

    def readable(self) -> bool:
        return self._has_ended

    def how_it_ended(self) -> str:
        return "ended with exit code 0"

    def stop(self) -> None:
        self._end()


class Night:
    """A lab with a schedule, and the loop that keeps it."""

    def __init__(self, folder: Path, now: datetime, *, takes_s: float = 5 * 3600.0) -> None:
        self.lab = folder / "lab"
        if not self.lab.exists():
            lab_folder.create(self.lab, name="lab")
        (folder / "rig.toml").write_text("format = 1\n")
        self.rig = folder / "rig.toml"
        self.clock = VirtualClock(now)
        self.said: list[str] = []
        self.troubles: list[tuple[str, str]] = []
        self.launched: list[tuple[str, datetime]] = []
        self.takes_s = takes_s
        self.bench_is_taken = False
        self.desk = Book(self.lab)

    def plan(self, start: str | None = None, **more) -> str:
        run = PlannedRun(
            name="",
            planned_utc=self.clock.utc(),
            start=None if start is None else datetime.fromisoformat(start),
            **more,
        )
        entry = self.desk.plan(
            run,
            files={"plan.toml": b"format = 1\n"},
            rig=self.rig,
            time_zone=BERLIN,
            acknowledged_by="tester",
        )
        return entry.run.name

    def bench(self, entry) -> FreeLock:
        if self.bench_is_taken:
            raise BenchInUse("the bench is in use: run of other.toml, process 7.")
        return FreeLock()

    def launch(self, entry, lock) -> SimulatedRun:
        self.launched.append((entry.run.name, self.clock.utc()))
        return SimulatedRun(Book(self.lab), self.clock, entry.run.name, self.takes_s)

    def loop(self, until: datetime, **more) -> Loop:
        return Loop(
            book=Book(self.lab),
            clock=self.clock,
            waker=BadWaker(self.clock),
            stop=Until(self.clock, until),
            bench=self.bench,
            launch=self.launch,
            say=self.said.append,
            trouble=lambda entry, reason: self.troubles.append((entry.run.name, reason)),
            **more,
        )

    def keep(self, until: datetime, **more) -> None:
        self.loop(until, **more).run()

    def on_record(self) -> dict[str, tuple[str, str]]:
        book = Book(self.lab, keeps_ended=True)
        book.refresh()
        assert book.problems == []
        return {name: (one.state.value, one.reason) for name, one in book.records.items()}


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def nights_from(first: str, count: int) -> list[str]:
    start = datetime.fromisoformat(first)
    return [(start + timedelta(days=n)).isoformat() for n in range(count)]


__all__ = ["BERLIN", "Hours", "Night", "nights_from", "utc"]
