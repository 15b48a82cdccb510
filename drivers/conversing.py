"""What all instruments that hold conversations over a line have in common."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, TypeVar

from drivers.bus import Bus
from drivers.clock import Clock
from drivers.errors import DriverError, PortLost, WriteStalled
from drivers.line import Line
from drivers.talk import Conversation, Talk

Found = TypeVar("Found")

#: So long after a reply, one that is the same byte for byte is not taken for its double. [s]
DOUBLE_WITHIN_S = 0.25
#: Beyond twice the time that replies take, for adapters that hand bytes over in lumps. [s]
DOUBT_S = 0.03


class ConversingInstrument:
    """One bus, one conversation at a time, and who this is.

    Parameters
    ----------
    line : Line or Bus
        The way to the instrument: the bus that it shares with others, or a line that belongs
        to it alone from now on.
    clock : Clock
        Deadlines and time stamps.
    device : str
        Who, as error messages name it: ``"light sensor, /dev/ttyUSB0 address 0"``.

    Attributes
    ----------
    retries : int
        Requests repeated so far because the protocol prescribes it.
    unasked : bytes
        What was found on the line before the latest request: an earlier reply that came too
        late, or noise. It is never taken for a reply.
    """

    def __init__(self, line: Line | Bus, clock: Clock, device: str) -> None:
        self._bus = Bus.over(line, clock)
        self._bus.join(self)
        self._clock = clock
        self._device = device
        self._talk: Talk[Any] = Talk()
        self.retries = 0
        self.unasked = b""

    @property
    def device(self) -> str:
        """Name, port and address, as an error message shows them."""
        return self._device

    @property
    def bus(self) -> Bus:
        """The bus that it sits on, for whoever has to open its port anew."""
        return self._bus

    @property
    def _line(self) -> Line:
        return self._bus.line

    @property
    def lines(self) -> Sequence[Line]:
        """The lines on which an arriving byte is a reason to poll."""
        return (self._line,)

    @property
    def wake_s(self) -> float:
        """Elapsed time by which `poll` wants to be called; infinity when idle. [s]"""
        return self._talk.wake_s

    def cancel(self) -> None:
        """Give up what is under way. Safe at any time."""
        # A conversation that is dropped tidies up on the line, which may be gone.
        with suppress(DriverError):
            self._talk.end()

    def close(self) -> None:
        """Leave the bus; its last user closes the line. Safe to call twice."""
        self.cancel()
        self._bus.leave(self)

    def start_identify(self) -> float:
        """Begin asking the instrument who it is; `poll_identity` has the answer. [s]"""
        self._talk.begin(self._identify())
        return self._clock.elapsed_s()

    def poll_identity(self) -> str | None:
        """Return who the instrument says it is, in one line, or None before it has answered."""
        identity: str | None = self._advance()
        return identity

    def _identify(self) -> Conversation[str]:
        raise NotImplementedError

    def _advance(self) -> Any:
        """Carry the conversation forward."""
        try:
            return self._talk.advance()
        except (PortLost, WriteStalled) as error:
            raise self._named(error) from error

    def _named(self, error: PortLost | WriteStalled) -> PortLost | WriteStalled:
        """Add who sits on the line to what a line says, which knows its port only."""
        return type(error)(
            self._device,
            error.problem,
            remedy=error.remedy,
            request=error.request,
            reply=error.reply,
        )


class RequestReplyInstrument(ConversingInstrument):
    """An instrument that speaks when spoken to, on a bus that may echo what is sent."""

    def __init__(self, line: Line | Bus, clock: Clock, device: str) -> None:
        super().__init__(line, clock, device)
        self._replies: deque[tuple[float, bytes]] = deque()  # the last ones, and when they came
        self._usual_s = 0.0  # the longest that a reply has taken so far

    @property
    def _active_s(self) -> float:
        """When the line last carried a character, whoever spoke. [s]"""
        return self._bus.active_s

    @_active_s.setter
    def _active_s(self, elapsed_s: float) -> None:
        self._bus.active_s = elapsed_s

    def _collect(
        self,
        request: bytes,
        find: Callable[[bytes], Found | None],
        *,
        within_s: float,
        lump_s: float,
        longest: int,
        foreign: Callable[[bytes], int] = lambda heard: 0,
        bytes_of: Callable[[Found], bytes] | None = None,
    ) -> Conversation[tuple[Found | None, bytes, float]]:
        """Send a request and collect what comes until a reply is found in it, or no more comes.

        Parameters
        ----------
        find : callable
            Looks for a reply in all that has come; None where there is none yet.
        within_s : float
            Time allowed to the first byte, from the end of the request. [s]
        lump_s : float
            Longest pause inside a reply that has begun. [s]
        longest : int
            More bytes than any reply has; a line that babbles is given up there.
        foreign : callable
            Says how many bytes at the head are whole messages of others. They are passed over,
            and the reply keeps its time.
        bytes_of : callable, optional
            Gives the bytes of a reply, where replies carry no number. One that has just been
            there may be a double: it is then taken only if no other follows it in the time that
            replies take.

        Returns
        -------
        tuple
            What was found or None, all that came (an echo of the request left out), and the
            elapsed time at which the request had left. [s]
        """
        sent_s = self._line.write(request)
        self._active_s = sent_s
        heard = b""
        echo = 0
        deadline_s = sent_s + within_s
        double: tuple[Found, bytes] | None = None
        while True:
            data = self._line.read()
            now_s = self._clock.elapsed_s()
            if data:
                heard += data
                self._active_s = now_s
                # On two wires an adapter may hear itself.
                if heard.startswith(request):
                    echo = len(request)
                if passed := foreign(heard[echo:]):
                    self.unasked += heard[echo : echo + passed]
                    heard = heard[:echo] + heard[echo + passed :]
                if len(heard) == echo:
                    deadline_s = sent_s + within_s
                elif request.startswith(heard):  # an echo, or a reply that begins alike
                    deadline_s = max(deadline_s, now_s + lump_s)
                else:
                    deadline_s = now_s + lump_s
                found = find(heard[echo:])
                if found is not None and double is None and self._is_double(found, bytes_of):
                    assert bytes_of is not None
                    double = found, heard[echo:]
                    heard = heard[:echo] + heard[echo:].partition(bytes_of(found))[2]
                    deadline_s = max(now_s, sent_s + 2.0 * self._usual_s) + DOUBT_S
                    found = find(heard[echo:])
                if found is not None:
                    self._usual_s = max(self._usual_s, min(within_s, now_s - sent_s))
                    self._remember(found, bytes_of)
                    return found, heard[echo:], sent_s
            if now_s >= deadline_s or len(heard) > longest + echo:
                if double is not None:
                    self._remember(double[0], bytes_of)
                    return *double, sent_s
                return None, heard[echo:], sent_s
            yield deadline_s

    def _is_double(self, found: Found, bytes_of: Callable[[Found], bytes] | None) -> bool:
        if bytes_of is None:
            return False
        while self._replies and self._clock.elapsed_s() - self._replies[0][0] > DOUBLE_WITHIN_S:
            self._replies.popleft()
        return any(reply == bytes_of(found) for _, reply in self._replies)

    def _remember(self, found: Found, bytes_of: Callable[[Found], bytes] | None) -> None:
        if bytes_of is not None:
            self._replies.append((self._clock.elapsed_s(), bytes_of(found)))
