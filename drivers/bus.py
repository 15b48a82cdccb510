"""One owner for each port, and fair turns for the instruments that share it.

Two conversations on one pair of wires garble each other. So every port has one `Bus`, and
whoever wants the wire takes a ticket: turns go round in the order of asking, each for one
exchange. A lone instrument has a bus of its own and never waits::

    meter   |ticket 1: request, reply|            |ticket 3 …
    sensor    ticket 2, waiting …     |its turn … |

A conversation that waits for its turn yields infinity and touches nothing on the line; when
the turn is its own, its talk is woken and the plain loop polls it at once. What silence a
protocol wants between two exchanges is the affair of its driver, which finds in `active_s` when
the line last carried a character, whoever spoke.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Any, TypeVar

from drivers.clock import Clock
from drivers.line import Line
from drivers.talk import Conversation, Talk

Result = TypeVar("Result")


class Bus:
    """A line and the order of those who use it.

    Parameters
    ----------
    line : Line
        The port. It belongs to the bus from now on.
    clock : Clock
        Deadlines.

    Attributes
    ----------
    line : Line
        For whoever's turn it is.
    active_s : float
        Elapsed time at which the line last carried a character. [s]
    """

    def __init__(self, line: Line, clock: Clock) -> None:
        self.line = line
        self.active_s = -math.inf
        self._clock = clock
        self._queue: deque[Talk[Any]] = deque()
        self._users: list[object] = []
        self._last: Talk[Any] | None = None
        self._exchanges = 0

    @classmethod
    def over(cls, line: Line | Bus, clock: Clock) -> Bus:
        """Return the bus of a line: itself if it is one, else a new one for a lone user."""
        return line if isinstance(line, Bus) else cls(line, clock)

    @property
    def name(self) -> str:
        """The port as the user knows it."""
        return self.line.name

    @property
    def is_free(self) -> bool:
        """Whether it is nobody's turn."""
        return not self._queue

    def is_held_by(self, talk: Talk[Any]) -> bool:
        """Say whether it is this talk's turn."""
        return bool(self._queue) and self._queue[0] is talk

    def was_last(self, talk: Talk[Any]) -> bool:
        """Say whether the turn before this one, or the one under way, was this talk's."""
        return self._last is talk

    @property
    def is_shared(self) -> bool:
        """Whether it has more than one user."""
        return len(self._users) > 1

    def count_exchange(self) -> int:
        """Return the number of a new exchange, counted from 1 over all users of the line."""
        self._exchanges += 1
        return self._exchanges

    # -- who uses the line ----------------------------------------------------------------

    def join(self, user: object) -> None:
        """Take note of one more user of the line."""
        self._users.append(user)

    def leave(self, user: object) -> None:
        """Let a user go; the last one closes the line. Safe to call twice."""
        self._users = [other for other in self._users if other is not user]
        if not self._users:
            self.line.close()

    def replace(self, line: Line) -> None:
        """Go on with a port that was opened anew, the old one being gone."""
        self.line.close()
        self.line = line
        self.active_s = -math.inf

    # -- whose turn it is -----------------------------------------------------------------

    def turn(self, talk: Talk[Any], exchange: Conversation[Result]) -> Conversation[Result]:
        """Carry an exchange out while nobody else uses the line; return its result.

        The turn ends with the exchange, however that ends. An exchange inside another of the
        same talk is part of its turn.

        Parameters
        ----------
        talk : Talk
            Who asks; it is woken when the turn is its own.
        exchange : Conversation
            What is said, beginning with whatever silence the protocol wants first.
        """
        if self.is_held_by(talk):
            return (yield from exchange)
        self._queue.append(talk)
        try:
            while not self.is_held_by(talk):
                yield math.inf
            result = yield from exchange
        finally:
            self._hand_on(talk)
        return result

    def rest(self, until_s: float) -> Conversation[bytes]:
        """Let time pass without holding the line, others speaking meanwhile. [s]

        What comes while it is nobody's turn, late replies and noise, is taken off the line and
        returned.
        """
        unasked = b""
        while self._clock.elapsed_s() < until_s:
            if self.is_free and (data := self.line.read()):
                self.active_s = self._clock.elapsed_s()
                unasked += data
            yield until_s
        return unasked

    def _hand_on(self, talk: Talk[Any]) -> None:
        """End a turn, or give a ticket back; wake the next in line."""
        if self.is_held_by(talk):
            self._queue.popleft()
            self._last = talk
            if self._queue:
                self._queue[0].wake()
        elif talk in self._queue:
            self._queue.remove(talk)
