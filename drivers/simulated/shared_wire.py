"""Several instruments at the far end of one line, each behind its own address."""

from __future__ import annotations

import math
from collections.abc import Sequence

from drivers.simulated.peer import BenchPeer


class SharedWire:
    """A peer made of peers: all hear what is sent, and whoever is addressed answers.

    Parameters
    ----------
    peers : sequence of BenchPeer
        The instruments. Each keeps silent when another one is meant; two that answer at once,
        as two with the same address do, are heard one after the other.
    """

    def __init__(self, peers: Sequence[BenchPeer]) -> None:
        self._peers = tuple(peers)

    def opened(self, at_s: float) -> None:
        """Take note that somebody opened the line. [s]"""
        for peer in self._peers:
            peer.opened(at_s)

    def receive(self, data: bytes, at_s: float) -> None:
        """Let all of them hear bytes, the last of which arrived at `at_s`. [s]"""
        for peer in self._peers:
            peer.receive(data, at_s)

    def line_break(self, start_s: float, end_s: float) -> None:
        """Let all of them notice a break. [s]"""
        for peer in self._peers:
            peer.line_break(start_s, end_s)

    def next_s(self) -> float:
        """Return when the first of them speaks, infinity if none has anything to say. [s]"""
        return min((peer.next_s() for peer in self._peers), default=math.inf)

    def take(self, at_s: float) -> bytes:
        """Return what they say by `at_s`, in the order in which they begin. [s]"""
        speaking = sorted(
            (peer for peer in self._peers if peer.next_s() <= at_s), key=lambda peer: peer.next_s()
        )
        return b"".join(peer.take(at_s) for peer in speaking)
