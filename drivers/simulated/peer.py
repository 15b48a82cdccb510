"""What stands at the far end of a line of the virtual bench, and the faults it is told to have.

A peer speaks bytes and has no clock of its own: it is told when bytes arrived and says when
its reply leaves. Pacing a reply out byte by byte is the business of the line that carries it
(`drivers.memory_line`, `drivers.simulated.terminals`), which knows the baud rate.

Faults are data. Each names the exchange it strikes, counted from 1 over the requests that the
peer would have answered::

    [[light_sensor.faults]]
    kind = "truncate"
    at_exchange = 40
    keep_bytes = 3

What damages any reply is in `DAMAGE` below, and ``"stale"``: the reply is held back and comes
in front of the next one, so that whoever does not drain the line is one behind from then on.
Each peer adds the kinds that only its protocol has. A new kind is one more entry in `DAMAGE` or
in a peer's `OWN_KINDS`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from typing import Protocol

from attrs import field, frozen
from attrs.validators import ge, gt

from drivers.memory_line import Peer


class BenchPeer(Peer, Protocol):
    """The far end of a line of the virtual bench: a peer that notices that a port is opened."""

    def opened(self, at_s: float) -> None:
        """Take note that somebody opened the line. [s]"""
        ...


@frozen(kw_only=True)
class Fault:
    """One scripted misbehaviour.

    Attributes
    ----------
    kind : str
        What happens: a key of `DAMAGE`, or one of the peer's own kinds.
    at_exchange : int
        The first exchange it strikes, counted from 1.
    exchanges : float
        How many exchanges in a row; ``inf`` for all that follow.
    delay_s : float
        For ``"delay"`` and ``"slow"``: how much later. [s]
    keep_bytes : int
        For ``"truncate"``: how many bytes of the reply still come.
    at_byte, flip_bits : int
        For ``"garble"``: which byte of the reply, and the bits inverted in it. The default
        turns any digit into something that is none, within seven bits.
    data : str
        For ``"garbage"``: hexadecimal bytes that come before the reply.
    address : str
        For ``"wrong-address"``: the address that the reply carries.
    value : float
        For ``"value"``: what the instrument says, in the unit of its quantity.
    code : int
        For ``"exception"``, ``"error"`` and ``"alarm"``: the number in the reply.
    """

    kind: str
    at_exchange: int = field(validator=ge(1))
    exchanges: float = field(default=1, validator=gt(0))
    delay_s: float = field(default=0.0, validator=ge(0.0))
    keep_bytes: int = field(default=0, validator=ge(0))
    at_byte: int = field(default=1, validator=ge(0))
    flip_bits: int = 0x55
    data: str = "ff00"
    address: str = "9"
    value: float = math.nan
    code: int = 4

    def strikes(self, exchange: int) -> bool:
        """Say whether this exchange is hit."""
        return self.at_exchange <= exchange < self.at_exchange + self.exchanges


Leaving = tuple[float, bytes]


def _delay(fault: Fault, reply: bytes, at_s: float) -> Leaving:
    return at_s + fault.delay_s, reply


def _truncate(fault: Fault, reply: bytes, at_s: float) -> Leaving:
    return at_s, reply[: fault.keep_bytes]


def _garble(fault: Fault, reply: bytes, at_s: float) -> Leaving:
    where = min(fault.at_byte, len(reply) - 1)
    return at_s, reply[:where] + bytes([reply[where] ^ fault.flip_bits]) + reply[where + 1 :]


def _drop(fault: Fault, reply: bytes, at_s: float) -> Leaving:
    return at_s, b""


def _double(fault: Fault, reply: bytes, at_s: float) -> Leaving:
    return at_s, reply + reply


def _garbage(fault: Fault, reply: bytes, at_s: float) -> Leaving:
    return at_s, bytes.fromhex(fault.data) + reply


#: What can befall any reply, whatever its protocol.
DAMAGE: dict[str, Callable[[Fault, bytes, float], Leaving]] = {
    "delay": _delay,
    "truncate": _truncate,
    "garble": _garble,
    "drop": _drop,
    "double": _double,
    "garbage": _garbage,
}


STALE = "stale"


class FaultScript:
    """Counts exchanges, says which fault strikes the present one, and does the damage.

    Parameters
    ----------
    faults : sequence of Fault
    own_kinds : collection of str
        The kinds that the peer itself knows how to play, beside those of `DAMAGE`.

    Raises
    ------
    ValueError
        Kinds that nobody here knows.
    """

    def __init__(self, faults: Sequence[Fault], own_kinds: Collection[str] = ()) -> None:
        allowed = sorted({*DAMAGE, STALE, *own_kinds})
        unknown = [fault for fault in faults if fault.kind not in allowed]
        if unknown:
            told = ", ".join(f"{one.kind!r} at exchange {one.at_exchange}" for one in unknown)
            raise ValueError(
                f"fault kind {told} is not known to this instrument; give one of "
                f"{', '.join(allowed)}"
            )
        self._faults = tuple(faults)
        self._held_back = b""
        self.exchange = 0

    def begin(self) -> Fault | None:
        """Count one exchange; return the fault that strikes it, if any."""
        self.exchange += 1
        return next((fault for fault in self._faults if fault.strikes(self.exchange)), None)

    def damaged(self, fault: Fault | None, reply: bytes, at_s: float) -> Leaving:
        """Return when the reply leaves and what is left of it. [s]"""
        if fault is not None and fault.kind == STALE:
            self._held_back += reply
            return at_s, b""
        if fault is not None and fault.kind in DAMAGE and reply:
            at_s, reply = DAMAGE[fault.kind](fault, reply, at_s)
        held_back, self._held_back = self._held_back, b""
        return at_s, held_back + reply


class Outbox:
    """Replies that wait for their moment."""

    def __init__(self) -> None:
        self._waiting: list[Leaving] = []

    def put(self, at_s: float, data: bytes) -> None:
        """Let `data` leave at `at_s`, after whatever leaves before it. [s]"""
        if data:
            self._waiting.append((at_s, data))
            self._waiting.sort(key=lambda leaving: leaving[0])

    def next_s(self) -> float:
        """Return when the next reply leaves, infinity if none waits. [s]"""
        return self._waiting[0][0] if self._waiting else math.inf

    def take(self, at_s: float) -> bytes:
        """Return what has left by `at_s`. [s]"""
        due = b"".join(data for leaves_s, data in self._waiting if leaves_s <= at_s)
        self._waiting = [leaving for leaving in self._waiting if leaving[0] > at_s]
        return due

    def clear(self) -> None:
        """Forget all that has not left yet."""
        self._waiting.clear()
