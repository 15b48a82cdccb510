"""What all instruments that hold conversations over a line have in common."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from typing import Any, TypeVar

from drivers.clock import Clock
from drivers.errors import DriverError, PortLost, WriteStalled
from drivers.line import Line
from drivers.talk import Conversation, Talk

Result = TypeVar("Result")


class ConversingInstrument:
    """One line, one conversation at a time, and who this is.

    Parameters
    ----------
    line : Line
        The way to the instrument. It belongs to the instrument from now on.
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

    def __init__(self, line: Line, clock: Clock, device: str) -> None:
        self._line = line
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
        """Release the line. Safe to call twice."""
        self.cancel()
        self._line.close()

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
