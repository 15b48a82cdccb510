"""In which order a person goes through points: forward, back, once more, or past one."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Literal

Way = Literal["redo", "back", "skip"]


class Wish(Exception):
    """The person wants something else than to read the point asked for.

    It ends what is under way and reaches whoever leads through the points.

    Attributes
    ----------
    way : str
        ``"redo"``: what was read last, again. ``"back"``: to the point before. ``"skip"``: leave
        this one out.
    reason : str
        Why, for a point that is left out.
    """

    def __init__(self, way: Way, reason: str = "") -> None:
        self.way = way
        self.reason = reason
        super().__init__(way)


class PointOrder:
    """Points to be read one after another, and where one is in them.

    Whoever reads in order without a word sees each open point once. After a step back one reads
    that point again and then goes on at the next that is still open.

    Parameters
    ----------
    points : sequence of int
        In the order in which they are read.
    done, skipped : collection of int
        Points among them that were read, or left out, before.

    Attributes
    ----------
    last : int or None
        What was read last; None before anything was.
    """

    def __init__(
        self,
        points: Sequence[int],
        *,
        done: Collection[int] = (),
        skipped: Collection[int] = (),
    ) -> None:
        self._points = list(points)
        self._done = set(done)
        self._skipped = set(skipped)
        self._position = 0
        self.last: int | None = None
        self._go_on(0)

    @property
    def at(self) -> int | None:
        """The point to be read now; None once there is none left."""
        return self._points[self._position] if self._position < len(self._points) else None

    @property
    def position(self) -> int:
        """Which in the order that is, counted from 0; their number once none is left."""
        return self._position

    @property
    def count(self) -> int:
        """How many points there are."""
        return len(self._points)

    @property
    def left(self) -> int:
        """How many are still open."""
        return len(self._points) - len(self._done | self._skipped)

    @property
    def done(self) -> frozenset[int]:
        """Points that were read."""
        return frozenset(self._done)

    @property
    def skipped(self) -> tuple[int, ...]:
        """Points that were left out and not read since, in their order."""
        return tuple(point for point in self._points if point in self._skipped)

    @property
    def has_before(self) -> bool:
        """Whether there is a point before this one."""
        return self._position > 0

    def read(self) -> None:
        """Take note that the point was read; go on to the next that is open."""
        point = self._points[self._position]
        self._done.add(point)
        self._skipped.discard(point)
        self.last = point
        self._go_on(self._position + 1)

    def follow(self, way: Way) -> None:
        """Go where the person wishes; where there is no way, stay.

        A point that was read before stays read when it is left out: its value stands.
        """
        if way == "skip":
            point = self._points[self._position]
            if point not in self._done:
                self._skipped.add(point)
            self._go_on(self._position + 1)
        elif way == "back":
            self._position = max(self._position - 1, 0)
        elif self.last is not None:
            self._position = self._points.index(self.last)

    def reopen(self) -> None:
        """Take up the points that were left out."""
        self._skipped.clear()
        self._go_on(0)

    def _go_on(self, start: int) -> None:
        """Find the next open point from here on, or from the beginning; else the end."""
        ways = [*range(start, len(self._points)), *range(start)]
        self._position = next(
            (n for n in ways if self._points[n] not in self._done | self._skipped),
            len(self._points),
        )
