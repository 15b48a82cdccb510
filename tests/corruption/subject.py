"""What the campaign needs to know of a protocol: a real driver and an honest far end.

A subject draws a true value, answers the driver's requests with it, and says whether what the
driver returned is that value. It knows nothing of damage.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from drivers.clock import Clock
from drivers.line import Line, SerialSettings
from drivers.registry import KINDS

Answers = list[tuple[float, bytes]]
#: What was read and what is true, by quantity.
Pairs = dict[str, tuple[float, float]]

CRC_16 = 2.0**-16
#: Classes that leave each reply whole.
WHOLE = frozenset({"swapped reply", "late reply", "stale reply", "doubled reply"})
#: What a CRC of 16 bits always sees.
ALWAYS_SEEN = frozenset({"single bit", "burst of 2 to 16 bits"})


class Subject:
    """One protocol.

    Attributes
    ----------
    name : str
    kind : str
        In the registry.
    options : dict
        Of that kind.
    replies : int
        How many replies an undisturbed measurement takes.
    alphabet : bytes
        Characters of the protocol, as the hardest noise.
    collision : float or None
        Share of damaged replies that the check sum lets pass at most; None without one.
    guaranteed : frozenset of str
        Classes of damage that the check sum always sees.
    unguarded : frozenset of str
        Classes against which the protocol has no means at all.
    pause_s : float
        Time before the rig asks again after a failure. [s]
    longest_s : float
        No measurement may take longer, whatever comes. [s]
    tolerance : float
        What is off by no more than this is right.
    retries : bool
        Whether the protocol prescribes retries, which the driver makes.
    """

    name: str
    kind: str
    options: dict[str, Any]
    replies: int
    alphabet: bytes
    collision: float | None = None
    guaranteed: frozenset[str] = frozenset()
    unguarded: frozenset[str] = frozenset()
    pause_s = 0.5
    longest_s: float
    tolerance = 0.0
    retries = False

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        kind = KINDS[self.kind]
        self._made_options = kind.options(port="memory", **self.options)

    @property
    def settings(self) -> SerialSettings:
        settings: SerialSettings = KINDS[self.kind].line_settings(self._made_options)
        return settings

    @property
    def within_s(self) -> float:
        within_s: float = self._made_options.reply_within_s
        return within_s

    def make(self, line: Line, clock: Clock) -> Any:
        return KINDS[self.kind].make(self._made_options, line, clock, self.name)

    def draw(self) -> None:
        """Let there be a new true value."""
        raise NotImplementedError

    def answer(self, request: bytes, at_s: float) -> Answers:
        """Return what an instrument in order answers: how long after, and what. [s]"""
        raise NotImplementedError

    def strangers(self, reply: bytes) -> tuple[bytes, ...]:
        """Return sound replies that do not belong to the request that `reply` answers."""
        raise NotImplementedError

    @classmethod
    def allowed(cls, damage: str) -> float | None:
        """Return the greatest rate of wrong values under a class of damage; None: no bound.

        Whatever leaves a reply whole (late, doubled, somebody else's) is no matter of check
        sums and may do no harm at all.
        """
        if damage in cls.unguarded:
            return None
        if damage in WHOLE or damage in cls.guaranteed:
            return 0.0
        return cls.collision

    def start(self, instrument: Any) -> None:
        instrument.start()

    def pairs(self, result: Any, at_s: float) -> Pairs:
        """Return what was read beside what is true. [s]"""
        raise NotImplementedError

    def is_wrong(self, read: float, true: float) -> bool:
        return abs(read - true) > self.tolerance + 1e-9

    def recovery(self, instrument: Any) -> Callable[[], Any] | None:
        """Return what the rig has to start before the next measurement, if anything."""
        return None
