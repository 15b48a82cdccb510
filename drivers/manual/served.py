"""What all instruments that a person serves have in common: a desk in place of a line."""

from __future__ import annotations

import math
from collections.abc import Sequence

from drivers.clock import Clock
from drivers.manual.desk import Desk, Question
from drivers.manual.options import BY_HAND


class ServedInstrument:
    """One desk, one question at a time.

    Parameters
    ----------
    desk : Desk
        Where the person is asked; shared by all that the person serves.
    clock : Clock
    device : str
        Who, as error messages name it: ``"light sensor"``.
    serial_number : str or None
        As engraved.

    Attributes
    ----------
    retries : int
        Always 0: what was not understood is asked again before it gets here.
    """

    def __init__(self, desk: Desk, clock: Clock, device: str, serial_number: str | None) -> None:
        self._desk = desk
        self._clock = clock
        self._device = device
        self._serial_number = serial_number
        self._is_asked = self._needs_nobody = False
        self.retries = 0

    @property
    def device(self) -> str:
        """Name, and that it is served by hand, as an error message shows them."""
        return f"{self._device}, {BY_HAND}"

    @property
    def lines(self) -> Sequence[Desk]:
        """The desk, on which a keystroke is a reason to poll."""
        return (self._desk,)

    @property
    def wake_s(self) -> float:
        """Elapsed time by which `poll` wants to be called; infinity when idle. [s]"""
        if self._needs_nobody:
            return -math.inf
        return self._desk.wake_s if self._is_asked else math.inf

    def cancel(self) -> None:
        """Give up what is under way. Safe at any time."""
        self._needs_nobody = False
        if self._is_asked:
            self._is_asked = False
            self._desk.withdraw()

    def close(self) -> None:
        """Leave the desk, which belongs to others too. Safe to call twice."""
        self.cancel()

    def start_identify(self) -> float:
        """Begin to say who this is, which needs nobody. [s]"""
        self._refuse_second()
        self._needs_nobody = True
        return self._clock.elapsed_s()

    def poll_identity(self) -> str | None:
        """Return what is declared of it, in one line."""
        if not self._needs_nobody:
            raise RuntimeError("polled, but nothing was started")
        self._needs_nobody = False
        number = self._serial_number
        return BY_HAND + (f", serial number {number} as declared" if number else "")

    def _put(self, question: Question) -> float:
        self._refuse_second()
        self._is_asked = True
        self._desk.put(question)
        return self._clock.elapsed_s()

    def _reply(self) -> str | None:
        """Fetch the reply; whatever ends the wait, the instrument is idle then."""
        if not self._is_asked:
            raise RuntimeError("polled, but nothing was started")
        try:
            reply = self._desk.reply()
        except BaseException:
            self.cancel()
            raise
        if reply is not None:
            self._is_asked = False
        return reply

    def _refuse_second(self) -> None:
        if self._is_asked or self._needs_nobody:
            raise RuntimeError("started while a measurement is under way; cancel it first")
