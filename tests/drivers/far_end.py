"""Small far ends for the drivers' own tests, and the loop that an instrument is driven by."""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable, Iterable

from drivers.clock import VirtualClock
from drivers.line import SerialSettings
from drivers.memory_line import MemoryLine

Answers = Iterable[tuple[float, bytes]]


class ScriptedPeer:
    """Hands every request to `answer`, which says what leaves how long after it."""

    def __init__(self, answer: Callable[[bytes], Answers]) -> None:
        self.answer = answer
        self.requests: list[tuple[float, bytes]] = []
        self.breaks: list[tuple[float, float]] = []
        self._leaving: list[tuple[float, int, bytes]] = []
        self._order = itertools.count()

    def say(self, at_s: float, data: bytes) -> None:
        heapq.heappush(self._leaving, (at_s, next(self._order), data))

    def receive(self, data: bytes, at_s: float) -> None:
        self.requests.append((at_s, data))
        for delay_s, reply in self.answer(data):
            self.say(at_s + delay_s, reply)

    def line_break(self, start_s: float, end_s: float) -> None:
        self.breaks.append((start_s, end_s))

    def next_s(self) -> float:
        return self._leaving[0][0] if self._leaving else math.inf

    def take(self, at_s: float) -> bytes:
        return heapq.heappop(self._leaving)[2]


def in_turn(*replies: Answers) -> Callable[[bytes], Answers]:
    """Answer the first request with the first reply, and so on; then with nothing."""
    left = list(replies)
    return lambda request: left.pop(0) if left else ()


def wired(
    answer: Callable[[bytes], Answers],
    settings: SerialSettings,
    *,
    peer_settings: SerialSettings | None = None,
) -> tuple[VirtualClock, ScriptedPeer, MemoryLine]:
    clock = VirtualClock()
    peer = ScriptedPeer(answer)
    line = MemoryLine("memory", settings, clock, peer, peer_settings=peer_settings)
    return clock, peer, line


def finish(instrument, clock, *, poll=None):
    """Drive what was started to its end, as the rig does; return the result."""
    poll = poll or instrument.poll
    while (result := poll()) is None:
        clock.wait_until(instrument.wake_s, watching=instrument.lines)
    return result


def every_split(data: bytes) -> list[tuple[bytes, bytes]]:
    return [(data[:i], data[i:]) for i in range(len(data) + 1)]
