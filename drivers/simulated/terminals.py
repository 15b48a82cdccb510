"""The virtual bench on pseudo-terminals: the same peers, on the computer's clock.

A pseudo-terminal carries bytes and the life cycle of a port (opened, closed, gone), and
nothing else: no parity, no break, no baud rate. The rate is therefore kept here. Each byte
has a deadline counted from the start of its run, so lateness does not add up, and none is
handed over before it could have arrived on a wire of that rate.

One plain loop serves all terminals; there are no threads.
"""

from __future__ import annotations

import errno
import math
import os
import select
import tty
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from types import TracebackType

from drivers.clock import Clock, Watchable
from drivers.simulated.peer import BenchPeer
from drivers.simulated.script import PortLoss

#: How often a port that nobody has open is looked at. [s]
LOOK_EVERY_S = 0.02
_READ_AT_MOST = 4096


class Terminal:
    """One pseudo-terminal with a peer behind it.

    Parameters
    ----------
    peer : BenchPeer
        The instrument.
    seconds_per_byte : float
        What one character takes on the wire that this stands for. [s]
    clock : Clock
        The system clock.

    Attributes
    ----------
    port : str
        Its device file.
    is_away : bool
        Whether the plug is pulled; nobody is told the device file meanwhile.
    first_opened_s : float
        When a client was first seen to have it open; infinity before that. [s]
    """

    def __init__(self, peer: BenchPeer, seconds_per_byte: float, clock: Clock) -> None:
        self._peer = peer
        self._clock = clock
        self._seconds_per_byte = seconds_per_byte
        self._master = -1
        self._lost: list[int] = []
        self.is_away = False
        self.first_opened_s = math.inf
        self._appear()
        self._is_open = False
        self._look_s = -math.inf
        self._arriving: deque[tuple[float, bytes]] = deque()
        self._heard_until_s = -math.inf
        self._leaving: deque[tuple[float, bytes]] = deque()
        self._said_until_s = -math.inf

    @property
    def is_open(self) -> bool:
        """Whether a client has the port open, as far as has been noticed.

        A client that closes the port and opens it again at once passes unnoticed.
        """
        return self._is_open

    def fileno(self) -> int | None:
        """Return the descriptor to wait on, or None while nobody has the port open."""
        # A port that is hung up is readable without end: waiting on it would not wait.
        return self._master if self._is_open else None

    def readable(self) -> bool:
        """Say whether a client has sent something, or hung up."""
        return self._is_open and bool(self._poll.poll(0))

    def next_s(self) -> float:
        """Return when `advance` next has something to do of its own accord. [s]"""
        return min(
            self._arriving[0][0] if self._arriving else math.inf,
            self._leaving[0][0] if self._leaving else math.inf,
            self._peer.next_s(),
            math.inf if self._is_open or self.is_away else self._look_s,
        )

    def advance(self, now_s: float) -> None:
        """Do everything that is due. [s]"""
        if not (self._is_open or self.is_away) and now_s >= self._look_s:
            self._look(now_s)
        if self._is_open:
            self._listen(now_s)
        while self._arriving and self._arriving[0][0] <= now_s:
            arrived_s, data = self._arriving.popleft()
            self._peer.receive(data, arrived_s)
        while (moment_s := self._peer.next_s()) <= now_s:
            self._say(self._peer.take(moment_s), moment_s)
        self._hand_over(now_s)

    def close(self) -> None:
        """Take the port away. A client that has it open sees it vanish. Safe to call twice."""
        if self._master >= 0:
            os.close(self._master)
            self._master = -1
            self._is_open = False
            self._look_s = math.inf
        while self._lost:
            os.close(self._lost.pop())

    def lose(self) -> None:
        """Take the port away, as a plug that is pulled; `come_back` brings it under a new name."""
        self.is_away = True
        gone = self._master
        # The system gives no other device this name while somebody holds this one: who had it open
        # may still know its port by it.
        self._lost.append(os.open(self.port, os.O_RDWR | os.O_NOCTTY))
        os.close(gone)
        self._appear()
        self._is_open = False
        self._arriving.clear()
        self._leaving.clear()

    def come_back(self, now_s: float) -> None:
        """Let the port be there again, under the name that `port` now has. [s]"""
        self.is_away = False
        self._look_s = now_s

    def _appear(self) -> None:
        self._master, slave = os.openpty()
        self.port = os.ttyname(slave)
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        # From here on the system reports the port as hung up until a client opens it.
        os.close(slave)
        self._poll = select.poll()
        self._poll.register(self._master, select.POLLIN)

    def _look(self, now_s: float) -> None:
        self._look_s = now_s + LOOK_EVERY_S
        if not any(event & select.POLLHUP for _, event in self._poll.poll(0)):
            self._is_open = True
            self.first_opened_s = min(self.first_opened_s, now_s)
            self._peer.opened(now_s)

    def _listen(self, now_s: float) -> None:
        try:
            data = os.read(self._master, _READ_AT_MOST)
        except BlockingIOError:
            return
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            # The client has closed it: what was on its way to the client is lost.
            self._is_open = False
            self._look_s = now_s
            self._leaving.clear()
            return
        # They may have been written since the caller looked at the clock.
        start_s = max(self._clock.elapsed_s(), self._heard_until_s)
        self._heard_until_s = start_s + len(data) * self._seconds_per_byte
        self._arriving.append((self._heard_until_s, data))

    def _say(self, data: bytes, moment_s: float) -> None:
        if not self._is_open:
            return
        start_s = max(moment_s, self._said_until_s)
        for n in range(len(data)):
            self._leaving.append((start_s + (n + 1) * self._seconds_per_byte, data[n : n + 1]))
        self._said_until_s = start_s + len(data) * self._seconds_per_byte

    def _hand_over(self, now_s: float) -> None:
        due = b""
        while self._leaving and self._leaving[0][0] <= now_s:
            due += self._leaving.popleft()[1]
        if due:
            # Where nobody reads, a port overruns and the bytes are lost, here as on a wire.
            with suppress(BlockingIOError):
                os.write(self._master, due)


class Terminals:
    """All instruments of a bench, each on a pseudo-terminal of its own.

    Parameters
    ----------
    peers : mapping of str to BenchPeer
        By the section of the rig profile.
    seconds_per_byte : mapping of str to float
        Of each line. [s]
    clock : Clock
        The system clock.
    losses : sequence of PortLoss
        Plugs that are pulled on the way.
    tell : callable, optional
        ``tell(section, port)`` is called when a port has gone (None) or is back, with its new
        device file.
    """

    def __init__(
        self,
        peers: Mapping[str, BenchPeer],
        seconds_per_byte: Mapping[str, float],
        clock: Clock,
        losses: Sequence[PortLoss] = (),
        tell: Callable[[str, str | None], None] = lambda section, port: None,
    ) -> None:
        self._clock = clock
        self._losses = list(losses)
        self._returns: list[tuple[float, str]] = []
        self._tell = tell
        self._terminals: dict[str, Terminal] = {}
        try:
            for section, peer in peers.items():
                self._terminals[section] = Terminal(peer, seconds_per_byte[section], clock)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Terminals:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def ports(self) -> dict[str, str]:
        """Device file of each instrument, by section."""
        return {section: terminal.port for section, terminal in self._terminals.items()}

    def is_open(self, section: str) -> bool:
        """Say whether a client has this port open, as far as has been noticed."""
        return self._terminals[section].is_open

    def serve(self, until_s: float, *, watching: Sequence[Watchable] = ()) -> None:
        """Serve all terminals until a deadline, or until something else is readable. [s]"""
        terminals = list(self._terminals.values())
        while True:
            now_s = self._clock.elapsed_s()
            plug_s = self._pull_and_put(now_s)
            for terminal in terminals:
                terminal.advance(now_s)
            if now_s >= until_s or any(other.readable() for other in watching):
                return
            due_s = min(until_s, plug_s, *(terminal.next_s() for terminal in terminals))
            self._clock.wait_until(due_s, watching=[*terminals, *watching])

    def _pull_and_put(self, now_s: float) -> float:
        """Pull plugs and put them in as the script says; return when it next has to be done."""
        for loss in list(self._losses):
            terminal = self._terminals[loss.port]
            if now_s >= terminal.first_opened_s + loss.lost_after_s and not terminal.is_away:
                self._losses.remove(loss)
                terminal.lose()
                self._returns.append((now_s + loss.back_after_s, loss.port))
                self._tell(loss.port, None)
        for back_s, section in list(self._returns):
            if now_s >= back_s:
                self._returns.remove((back_s, section))
                self._terminals[section].come_back(now_s)
                self._tell(section, self._terminals[section].port)
        pulls = [
            self._terminals[loss.port].first_opened_s + loss.lost_after_s
            for loss in self._losses
            if not self._terminals[loss.port].is_away
        ]
        return min([back_s for back_s, _ in self._returns] + pulls, default=math.inf)

    def close(self) -> None:
        """Take all ports away. Safe to call twice."""
        for terminal in self._terminals.values():
            terminal.close()
