"""A line in memory, with the timing of a wire and an instrument at its far end.

Bytes take the time that they take on a wire of these settings. Everything that happens on
the wire is logged with its times, so that a test can show what a pseudo-terminal cannot: the
length of a break, the marking after it, the parity of a character.
"""

from __future__ import annotations

import math
from collections import deque
from functools import partial
from typing import NamedTuple, Protocol, runtime_checkable

from drivers.clock import VirtualClock
from drivers.errors import PortLost, WriteStalled
from drivers.line import SerialSettings

_LUMP_S = 0.016  # a usual latency of USB serial adapters (common practice, no source)


class Peer(Protocol):
    """What sits at the far end. It speaks bytes and has no clock of its own."""

    def receive(self, data: bytes, at_s: float) -> None:
        """Take bytes, the last bit of which arrived at `at_s`. [s]"""
        ...

    def line_break(self, start_s: float, end_s: float) -> None:
        """Learn of a break that began and ended at these times. [s]"""
        ...

    def next_s(self) -> float:
        """Return when the next byte of a reply leaves; infinity when there is none. [s]"""
        ...

    def take(self, at_s: float) -> bytes:
        """Hand over the bytes whose turn to leave has come. [s]"""
        ...


@runtime_checkable
class ControlLinePeer(Protocol):
    """A peer that sees the control lines of the port, and has some of its own."""

    def control_line(self, which: str, raised: bool, at_s: float) -> None:
        """Learn that ``"rts"`` or ``"dtr"`` was raised or dropped. [s]"""
        ...

    def raises(self, which: str, at_s: float) -> bool:
        """Say whether it raises ``"cts"``, ``"dsr"`` or ``"dcd"``. [s]"""
        ...


class LineEvent(NamedTuple):
    """One thing that happened on the wire.

    `kind` is ``"break"``, ``"marking"`` (the idle line between the end of a break and the next
    character), ``"out"`` (towards the instrument) or ``"in"``. `settings` are those of the
    sender, who alone decides what the characters look like.
    """

    kind: str
    start_s: float
    end_s: float
    data: bytes
    settings: SerialSettings


class MemoryLine:
    """A `drivers.line.Line` without a port, on a virtual clock.

    Parameters
    ----------
    name : str
        What messages call the port.
    settings : SerialSettings
        The near end's settings.
    clock : VirtualClock
        Carries the bytes.
    peer : Peer
        The instrument at the far end.
    peer_settings : SerialSettings, optional
        The far end's settings where they differ: what arrives is then garbage, bit for bit
        as on a wire. Framing and parity errors pass as they do on a port that ignores them.
    events_kept : int
        Events before the last so many are forgotten.
    """

    def __init__(
        self,
        name: str,
        settings: SerialSettings,
        clock: VirtualClock,
        peer: Peer,
        *,
        peer_settings: SerialSettings | None = None,
        events_kept: int = 4096,
    ) -> None:
        self._name = name
        self.settings = settings
        self._peer_settings = peer_settings or settings
        self._clock = clock
        self._peer = peer
        self.events: deque[LineEvent] = deque(maxlen=events_kept)
        self._arrived = bytearray()
        self._out_free_s = -math.inf
        self._in_free_s = -math.inf
        self._break_since_s: float | None = None
        self._break_ended_s: float | None = None
        self._due_s = math.inf
        self._is_closed = False
        self._is_lost = False
        self._is_stalled = False
        self._attend_peer()

    @property
    def name(self) -> str:
        """What messages call the port."""
        return self._name

    @property
    def seconds_per_byte(self) -> float:
        """Time one character takes on the wire. [s]"""
        return self.settings.seconds_per_byte

    def fileno(self) -> int | None:
        """Return None: only a virtual clock can wait on this line."""
        return None

    def readable(self) -> bool:
        """Say whether `read` would return or raise something now."""
        return not self._is_closed and (bool(self._arrived) or self._is_lost)

    def write(self, data: bytes) -> float:
        """Put bytes on the wire; return when the last has left it. [s]

        Raises
        ------
        PortLost
            The line is closed or unplugged.
        WriteStalled
            The line was told to take no bytes.
        """
        self._check_open()
        if self._is_stalled:
            raise WriteStalled(self._name, "takes no bytes", request=data)
        start_s = max(self._clock.elapsed_s(), self._out_free_s)
        end_s = start_s + len(data) * self.seconds_per_byte
        if self._break_ended_s is not None:
            self._log("marking", self._break_ended_s, start_s, b"", self.settings)
            self._break_ended_s = None
        self._log("out", start_s, end_s, data, self.settings)
        self._out_free_s = end_s
        heard = as_heard(data, self.settings, self._peer_settings)
        self._clock.call_at(end_s, partial(self._deliver_out, heard, end_s))
        return end_s

    def read(self) -> bytes:
        """Take what has arrived, which may be nothing.

        Raises
        ------
        PortLost
            The line is closed or unplugged.
        """
        self._check_open()
        data = bytes(self._arrived)
        self._arrived.clear()
        return data

    def set_break(self, on: bool) -> None:
        """Hold the line in the break condition, or release it."""
        self._check_open()
        now_s = self._clock.elapsed_s()
        if on and self._break_since_s is None:
            self._break_since_s = now_s
        elif not on and self._break_since_s is not None:
            start_s, self._break_since_s = self._break_since_s, None
            self._break_ended_s = now_s
            self._log("break", start_s, now_s, b"", self.settings)
            self._peer.line_break(start_s, now_s)
            self._attend_peer()

    def set_control_line(self, which: str, raised: bool) -> None:
        """Raise or drop ``"rts"`` or ``"dtr"``; a peer without them makes a port without them."""
        self._check_open()
        self._control_lines().control_line(which, raised, self._clock.elapsed_s())
        self._attend_peer()

    def control_line(self, which: str) -> bool:
        """Say whether ``"cts"``, ``"dsr"`` or ``"dcd"`` is raised from the far end."""
        self._check_open()
        return self._control_lines().raises(which, self._clock.elapsed_s())

    def _control_lines(self) -> ControlLinePeer:
        if not isinstance(self._peer, ControlLinePeer):
            raise PortLost(self._name, "the port has no control lines.")
        return self._peer

    def close(self) -> None:
        """Release the line. Safe to call twice."""
        if not (self._is_closed or self._is_lost) and self.settings.control_lines == "down":
            for which in ("rts", "dtr"):
                self.set_control_line(which, False)
        self._is_closed = True
        self._arrived.clear()

    def unplug(self) -> None:
        """Let the port vanish, as a pulled cable does."""
        self._is_lost = True

    def replug(self) -> None:
        """Let the port come back, with nothing left of what was under way."""
        self._is_lost = False
        self._arrived.clear()

    def stall(self, stalled: bool = True) -> None:
        """Let the port take no bytes, or take them again."""
        self._is_stalled = stalled

    def _check_open(self) -> None:
        if self._is_lost:
            raise PortLost(self._name, "the port is gone.", remedy="Plug it in again.")
        if self._is_closed:
            raise PortLost(self._name, "the port is closed.")

    def _log(
        self, kind: str, start_s: float, end_s: float, data: bytes, settings: SerialSettings
    ) -> None:
        self.events.append(LineEvent(kind, start_s, end_s, data, settings))

    def _deliver_out(self, data: bytes, at_s: float) -> None:
        if not self._is_lost:
            self._peer.receive(data, at_s)
            self._attend_peer()

    def _attend_peer(self) -> None:
        """Be there when the peer next speaks; an earlier appointment still standing is enough."""
        next_s = self._peer.next_s()
        if next_s < self._due_s:
            self._due_s = next_s
            self._clock.call_at(next_s, self._hear_peer)

    def _hear_peer(self) -> None:
        now_s = self._clock.elapsed_s()
        self._due_s = math.inf
        # A peer whose plug was pulled lives on: a relay opens by itself. Nobody hears it.
        while self._peer.next_s() <= now_s and (data := self._peer.take(now_s)):
            if self._is_lost:
                continue
            start_s = max(now_s, self._in_free_s)
            character_s = self._peer_settings.seconds_per_byte
            end_s = start_s + len(data) * character_s
            self._in_free_s = end_s
            self._log("in", start_s, end_s, data, self._peer_settings)
            heard = as_heard(data, self._peer_settings, self.settings)
            # The first character wakes whoever waits; the rest comes in lumps, as an adapter
            # hands characters over. One event for each character would be slow.
            lump = max(1, int(_LUMP_S / character_s))
            begin = 0
            while begin < len(heard):
                stop = 1 if begin == 0 else min(begin + lump, len(heard))
                arrives_s = end_s if stop == len(heard) else start_s + stop * character_s
                self._clock.call_at(arrives_s, partial(self._arrive, heard[begin:stop]))
                begin = stop
        self._attend_peer()

    def _arrive(self, data: bytes) -> None:
        if not (self._is_closed or self._is_lost):
            self._arrived += data


def as_heard(data: bytes, sender: SerialSettings, receiver: SerialSettings) -> bytes:
    """Return what a receiver makes of characters put on the wire with the sender's settings.

    The wire is followed bit by bit: the receiver starts at a falling edge, looks at the middle
    of each of its own bit times, and starts anew after its stop bit, whatever it found there.
    """
    if sender == receiver and (sender.data_bits == 8 or all(byte < 128 for byte in data)):
        return data
    bits: list[int] = []
    for byte in data:
        value = byte & ((1 << sender.data_bits) - 1)
        bits.append(0)
        bits += [value >> i & 1 for i in range(sender.data_bits)]
        if sender.parity != "none":
            bits.append((value.bit_count() + (sender.parity == "odd")) % 2)
        bits += [1] * sender.stop_bits
    ratio = sender.baud / receiver.baud  # the receiver's bit time in the sender's bit times

    def level(at: float) -> int:
        return bits[int(at)] if 0 <= at < len(bits) else 1

    heard = bytearray()
    at = 0.0
    while at < len(bits):
        if level(at):
            at = math.floor(at) + 1.0
            continue
        value = sum(level(at + (1.5 + i) * ratio) << i for i in range(receiver.data_bits))
        heard.append(value)
        # The search for the next start bit begins in the middle of the stop bit.
        at += (receiver.bits_per_byte - receiver.stop_bits + 0.5) * ratio
    return bytes(heard)
