"""Random influences that are the same for one seed, whatever is asked and in which order."""

from __future__ import annotations

import hashlib
import math
import struct
from array import array

import numpy as np

_PER_CORRELATION = 8
"""Lattice points within one correlation time; between them the noise is interpolated."""

_BLOCK = 2048
_KEPT_POINTS = 50_000


def stream(seed: int, name: str) -> int:
    """Return a number that seeds one named influence, independent of all others."""
    digest = hashlib.blake2b(f"{seed}/{name}".encode(), digest_size=8).digest()
    return int.from_bytes(digest, "little")


class CorrelatedNoise:
    """Gaussian noise whose correlation dies away exponentially with time.

    Parameters
    ----------
    sd : float
        Standard deviation, in the unit of what it is added to.
    correlation_s : float
        Time after which the correlation has fallen to 1/e. [s]
    seed : int
        From `stream`.
    """

    def __init__(self, sd: float, correlation_s: float, seed: int) -> None:
        self._sd = sd
        self._step_s = correlation_s / _PER_CORRELATION
        self._keep = math.exp(-1.0 / _PER_CORRELATION)
        self._random = np.random.default_rng(seed)
        self._points = array("d")
        self._dropped = 0
        self._last: float | None = None

    def at(self, elapsed_s: float) -> float:
        """Return the noise at one moment. [the unit of `sd`]"""
        if self._sd == 0.0:
            return 0.0
        place = max(elapsed_s, 0.0) / self._step_s
        before = int(place)
        share = place - before
        index = before - self._dropped
        while index + 1 >= len(self._points):
            self._extend()
            index = before - self._dropped
        if index < 0:
            raise ValueError(f"noise of {elapsed_s:g} s is no longer kept")
        points = self._points
        return points[index] * (1.0 - share) + points[index + 1] * share

    def mean(self, start_s: float, end_s: float) -> float:
        """Return the mean over a window. [the unit of `sd`]"""
        if self._sd == 0.0:
            return 0.0
        count = min(32, 1 + int((end_s - start_s) / self._step_s))
        width = (end_s - start_s) / count
        return sum(self.at(start_s + (n + 0.5) * width) for n in range(count)) / count

    def _extend(self) -> None:
        renewal = self._sd * math.sqrt(1.0 - self._keep**2)
        value = self._last
        for draw in self._random.standard_normal(_BLOCK).tolist():
            value = self._sd * draw if value is None else self._keep * value + renewal * draw
            self._points.append(value)
        self._last = value
        if len(self._points) > _KEPT_POINTS:
            surplus = len(self._points) // 2
            del self._points[:surplus]
            self._dropped += surplus


class HashedNoise:
    """White noise drawn from what it belongs to, not from the order of asking.

    The same window of the same instrument gets the same noise, so a reading asked for twice
    does not change, and one more question does not shift all that follow.
    """

    def __init__(self, seed: int) -> None:
        self._key = seed.to_bytes(8, "little")

    def _uniforms(self, first: float, second: float, which: int) -> tuple[float, float]:
        message = struct.pack("<ddq", first, second, which)
        digest = hashlib.blake2b(message, digest_size=16, key=self._key).digest()
        one, two = struct.unpack("<QQ", digest)
        # The open interval: neither 0 nor 1, of which the logarithm would not do.
        return (one + 0.5) / 2.0**64, (two + 0.5) / 2.0**64

    def normal(self, first: float, second: float = 0.0, which: int = 0) -> float:
        """Return a standard normal draw that belongs to these numbers (Box and Muller)."""
        one, two = self._uniforms(first, second, which)
        return math.sqrt(-2.0 * math.log(one)) * math.cos(2.0 * math.pi * two)

    def student_t(self, degrees: float, first: float, second: float = 0.0, which: int = 0) -> float:
        """Return a Student-t draw scaled to unit standard deviation (Bailey 1994).

        Parameters
        ----------
        degrees : float
            Degrees of freedom, above 2; small means heavy tails.
        """
        one, two = self._uniforms(first, second, which)
        radius = math.sqrt(degrees * (one ** (-2.0 / degrees) - 1.0))
        return radius * math.cos(2.0 * math.pi * two) * math.sqrt((degrees - 2.0) / degrees)
