"""A line in memory that is no more than queue and clock, for exchanges by the hundred thousand."""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import partial

from drivers.clock import VirtualClock
from drivers.line import SerialSettings

#: Given the request and when it had left, returns what comes: how long after that, which bytes.
FarEnd = Callable[[bytes, float], list[tuple[float, bytes]]]


class FastLine:
    """A `drivers.line.Line` on a virtual clock.

    Half of all replies arrive in two pieces, cut at random, so that a decoder also sees
    replies that are not whole yet. Bytes never overtake each other: what follows a late reply
    is late too, as behind any adapter or gateway.
    """

    name = "memory"

    def __init__(
        self, clock: VirtualClock, settings: SerialSettings, far_end: FarEnd, rng: random.Random
    ) -> None:
        self._clock = clock
        self.settings = settings
        self.seconds_per_byte = settings.seconds_per_byte
        self._far_end = far_end
        self._rng = rng
        self._arrived = b""
        self._free_s = 0.0

    def fileno(self) -> int | None:
        return None

    def readable(self) -> bool:
        return bool(self._arrived)

    def write(self, data: bytes) -> float:
        sent_s = self._clock.elapsed_s() + len(data) * self.seconds_per_byte
        for delay_s, reply in self._far_end(data, sent_s):
            self.say(sent_s + delay_s, reply)
        return sent_s

    def say(self, at_s: float, data: bytes) -> None:
        """Let bytes begin to arrive at a time. [s]"""
        if not data:
            return
        at_s = max(at_s, self._free_s)
        self._free_s = end_s = at_s + len(data) * self.seconds_per_byte
        cut = self._rng.randrange(len(data)) if self._rng.random() < 0.5 else 0
        if cut:
            begun_s = at_s + cut * self.seconds_per_byte
            self._clock.call_at(begun_s, partial(self._arrive, data[:cut]))
        self._clock.call_at(end_s, partial(self._arrive, data[cut:]))

    def read(self) -> bytes:
        data, self._arrived = self._arrived, b""
        return data

    def set_break(self, on: bool) -> None:
        pass

    def close(self) -> None:
        pass

    def _arrive(self, data: bytes) -> None:
        self._arrived += data
