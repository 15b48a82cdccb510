"""A curve of bounded length that hides no spike: beyond it, neighbours share one low and high."""

from __future__ import annotations

from typing import Final

from attrs import define, field

MOST_POINTS: Final = 600


@define
class Trace:
    """Values over time, in at most `MOST_POINTS` steps.

    Attributes
    ----------
    points : list of [time, low, high]
        In the order of time.
    told : int
        How many points at the beginning are as they were at the last `news`.
    """

    points: list[list[float]] = field(factory=list)
    told: int = 0
    _per_point: int = 1
    _in_last: int = 0

    def add(self, at_s: float, value: float) -> None:
        """Add a value. [s]"""
        if self.points and self._in_last < self._per_point:
            last = self.points[-1]
            last[1], last[2] = min(last[1], value), max(last[2], value)
            self._in_last += 1
            self.told = min(self.told, len(self.points) - 1)
            return
        if len(self.points) >= MOST_POINTS:
            self._thin()
        self.points.append([at_s, value, value])
        self._in_last = 1

    def news(self) -> tuple[int, list[list[float]]] | None:
        """Return from which point on the curve is another, and those points; None if it is not."""
        if self.told == len(self.points):
            return None
        at, self.told = self.told, len(self.points)
        return at, [list(point) for point in self.points[at:]]

    def _thin(self) -> None:
        pairs = zip(self.points[::2], self.points[1::2], strict=True)
        self.points = [[a[0], min(a[1], b[1]), max(a[2], b[2])] for a, b in pairs]
        self._per_point *= 2
        self._in_last = self._per_point
        self.told = 0
