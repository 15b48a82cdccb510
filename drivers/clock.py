"""The only place where our own code reads the time or sleeps.

Two times go with everything: UTC for people, monotonic elapsed seconds for sums,
because the clock of a bench computer may step. Waits are to deadlines, so that
polling does not drift.

`SystemClock` waits in the operating system until the deadline passes or one of the
watched lines has bytes to read. On `VirtualClock` waiting *is* advancing: it runs the
events that simulated instruments have scheduled, in order, and stops early where a
watched line has become readable, exactly as the system clock does.
"""

from __future__ import annotations

import heapq
import itertools
import math
import select
import sys
import threading
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple, Protocol

#: When virtual time begins unless told otherwise: an arbitrary evening.
FIRST_EVENING: Final = datetime(2026, 1, 5, 18, 0, tzinfo=UTC)
#: The operating system takes no wait without end; longer ones are made of these. [s]
_LONGEST_WAIT_S: Final = 3600.0


class Stamp(NamedTuple):
    """One moment in both times."""

    utc: datetime
    elapsed_s: float


class Watchable(Protocol):
    """Something that a clock can wait on: a line, or the keyboard."""

    def fileno(self) -> int | None:
        """Return the descriptor to wait on, or None where there is none."""
        ...

    def readable(self) -> bool:
        """Say whether bytes can be read now without waiting."""
        ...


class Clock(Protocol):
    """What every module that needs the time is handed."""

    def elapsed_s(self) -> float:
        """Return monotonic seconds since this clock was made. [s]"""
        ...

    def utc(self) -> datetime:
        """Return the time of day, time-zone aware, in UTC."""
        ...

    def stamp(self) -> Stamp:
        """Return both times of one moment."""
        ...

    def wait_until(self, elapsed_s: float, *, watching: Sequence[Watchable] = ()) -> None:
        """Return at the deadline, or earlier if a watched line becomes readable. [s]"""
        ...


def _steady_s() -> float:
    """Return what no correction of the time of day moves, and what goes on while all sleeps. [s]"""
    if sys.platform == "linux":
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


class SystemClock:
    """The computer's clock: UTC and monotonic."""

    def __init__(self) -> None:
        self._origin_s = _steady_s()

    def elapsed_s(self) -> float:
        """Return monotonic seconds since this clock was made, a sleep of the computer included."""
        return _steady_s() - self._origin_s

    def utc(self) -> datetime:
        """Return the time of day in UTC."""
        return datetime.now(UTC)

    def stamp(self) -> Stamp:
        """Return both times of one moment."""
        return Stamp(self.utc(), self.elapsed_s())

    def wait_until(self, elapsed_s: float, *, watching: Sequence[Watchable] = ()) -> None:
        """Sleep to the deadline, or until a watched line becomes readable. [s]"""
        if any(line.readable() for line in watching):
            return
        descriptors = [fd for line in watching if (fd := line.fileno()) is not None]
        # A sleep may end early (a signal); go back to it until the deadline has passed.
        while (left_s := min(elapsed_s - self.elapsed_s(), _LONGEST_WAIT_S)) > 0:
            if not descriptors:
                time.sleep(left_s)
            elif select.select(descriptors, [], [], left_s)[0]:
                return

    async def rest(self, seconds: float) -> None:
        """Let other tasks of a web server go on for so long; no instrument is waited on so. [s]"""
        import asyncio  # only the live page needs it

        await asyncio.sleep(seconds)


class Watchdog:
    """Barks once when it was not fed for too long; it looks from a thread of its own.

    Parameters
    ----------
    within_s : float
        It has to be fed this often. [s]
    bark : callable
        Called from the other thread, while whoever should feed is stuck.
    """

    def __init__(self, within_s: float, bark: Callable[[], None]) -> None:
        self._within_s = within_s
        self._bark = bark
        self._fed = threading.Event()
        self._is_off = False
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def feed(self) -> None:
        """Say that all is well."""
        self._fed.set()

    def end(self) -> None:
        """Take it off; it barks no more. Safe to call twice."""
        self._is_off = True
        self._fed.set()
        self._thread.join()

    def _look(self) -> None:
        while self._fed.wait(self._within_s):
            if self._is_off:
                return
            self._fed.clear()
        self._bark()


class VirtualClock:
    """A clock that moves only when somebody waits on it.

    Parameters
    ----------
    start_utc : datetime, optional
        Time of day at elapsed 0. Default `FIRST_EVENING`.
    """

    def __init__(self, start_utc: datetime | None = None) -> None:
        self._start_utc = start_utc or FIRST_EVENING
        self._elapsed_s = 0.0
        self._events: list[tuple[float, int, Callable[[], None]]] = []
        self._order = itertools.count()

    def elapsed_s(self) -> float:
        """Return virtual seconds since the start. [s]"""
        return self._elapsed_s

    def utc(self) -> datetime:
        """Return the virtual time of day in UTC."""
        return self._start_utc + timedelta(seconds=self._elapsed_s)

    def stamp(self) -> Stamp:
        """Return both times of this moment."""
        return Stamp(self.utc(), self._elapsed_s)

    def step_utc(self, seconds: float) -> None:
        """Step the time of day as a clock correction would; elapsed time does not move. [s]"""
        self._start_utc += timedelta(seconds=seconds)

    def call_at(self, elapsed_s: float, action: Callable[[], None]) -> None:
        """Run `action` when the clock reaches `elapsed_s`, or at the next wait if it has. [s]"""
        heapq.heappush(self._events, (elapsed_s, next(self._order), action))

    def wait_until(self, elapsed_s: float, *, watching: Sequence[Watchable] = ()) -> None:
        """Advance to the deadline through all scheduled events; stop where a line is readable.

        Raises
        ------
        RuntimeError
            Waiting for ever while nothing is due: on a real clock this would hang.
        """
        while not any(line.readable() for line in watching):
            if not self._events or self._events[0][0] > elapsed_s:
                if elapsed_s == math.inf:
                    raise RuntimeError("waiting for ever, and nothing is due to happen")
                self._elapsed_s = max(self._elapsed_s, elapsed_s)
                return
            due_s, _, action = heapq.heappop(self._events)
            self._elapsed_s = max(self._elapsed_s, due_s)
            action()
