"""A line over VISA, for instruments on USB: the only place that opens one through PyVISA.

PyVISA waits inside its calls, and a line must not. So a thread does the waiting: it is handed
each message, and what comes back goes through a pipe, on which a clock can wait as on a port::

    write → queue → [thread: write, read] → pipe → read

VISA carries messages, not bytes: a reply is fetched only when it was asked for. So after a
message with a question mark the thread fetches one reply. Where none comes in time it clears
the instrument's interface, so that a late reply is not fetched as the next one.

PyVISA is an extra: ``pip install 'evenfall[usb]'``. Tested with: PyVISA-sim only.
"""

from __future__ import annotations

import os
import queue
import select
import threading
from collections import deque
from contextlib import suppress
from typing import Any

from drivers.clock import Clock
from drivers.errors import PortLost, WriteStalled

#: Beyond the time that VISA itself was given, after which it is no more waited for. [s]
GRACE_S = 1.0
OPEN_WITHIN_S = 3.0
_READ_AT_MOST = 65536


class VisaLine:
    """A `drivers.line.Line` over VISA.

    Parameters
    ----------
    resource : str
        What VISA calls the instrument: ``"USB0::0x1234::0x5678::SN-42::INSTR"``.
    clock : Clock
        Says how long a message has been under way.
    within_s : float
        Time that VISA is given for one message, and for its reply. [s]
    library : str
        Which implementation PyVISA uses; empty is its own choice.

    Raises
    ------
    PortLost
        PyVISA is not installed, or the instrument cannot be opened.
    """

    def __init__(self, resource: str, clock: Clock, *, within_s: float, library: str = "") -> None:
        self._name = f"visa:{resource}"
        self._clock = clock
        self._within_s = within_s
        self._failure: Exception | None = None
        self._under_way: deque[float] = deque()
        self._jobs: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        instrument = self._open(resource, library)
        self._pipe, far_end = os.pipe()
        os.set_blocking(self._pipe, False)
        self._is_closed = False
        # A thread that hangs in a driver of the system must not keep the program from ending.
        threading.Thread(
            target=self._work, args=(instrument, far_end), name=self._name, daemon=True
        ).start()

    @property
    def name(self) -> str:
        """The port as the rig profile has it."""
        return self._name

    @property
    def seconds_per_byte(self) -> float:
        """Zero: what a byte takes is nothing beside a reply. [s]"""
        return 0.0

    def fileno(self) -> int | None:
        """Return the descriptor a clock can wait on, or None once the line is closed."""
        return None if self._is_closed else self._pipe

    def readable(self) -> bool:
        """Say whether `read` would return or raise something now."""
        return not self._is_closed and bool(select.select([self._pipe], [], [], 0.0)[0])

    def write(self, data: bytes) -> float:
        """Hand one whole message over; return the elapsed time, at which it is on its way. [s]

        Raises
        ------
        PortLost
            The instrument is gone.
        WriteStalled
            VISA has not come back from an earlier message in its time and some more.
        """
        self._check("write", data)
        now_s = self._clock.elapsed_s()
        if self._under_way and now_s > self._under_way[0] + self._within_s + GRACE_S:
            raise WriteStalled(
                self._name,
                f"VISA has been at an earlier message for {now_s - self._under_way[0]:.1f} s.",
                remedy="Switch the instrument off and on, or replug it; then start anew.",
                request=data,
            )
        self._under_way.append(now_s)
        self._jobs.put(data)
        return now_s

    def read(self) -> bytes:
        """Take what has arrived, which may be nothing.

        Raises
        ------
        PortLost
            The instrument is gone.
        """
        self._check("read")
        try:
            data = os.read(self._pipe, _READ_AT_MOST)
        except BlockingIOError:
            return b""
        if not data:  # The thread has ended, and left behind why.
            self._check("read")
        return data

    def set_break(self, on: bool) -> None:
        """Refuse: VISA carries no break.

        Raises
        ------
        PortLost
            Always, when asked to hold one.
        """
        if on:
            raise PortLost(self._name, "VISA carries no break.", remedy="Use a serial port.")

    def close(self) -> None:
        """Release the instrument, once VISA has come back. Safe to call twice."""
        if not self._is_closed:
            self._is_closed = True
            self._jobs.put(None)
            os.close(self._pipe)

    def _check(self, doing: str, request: bytes = b"") -> None:
        if self._is_closed:
            raise PortLost(
                self._name, f"cannot {doing}: the line is closed.", remedy="Open it anew."
            )
        if self._failure is not None:
            raise PortLost(
                self._name,
                f"the instrument is gone ({self._failure}).",
                remedy="Check its supply and cable.",
                request=request,
            ) from self._failure

    def _open(self, resource: str, library: str) -> Any:
        try:
            import pyvisa
        except ImportError as error:
            raise PortLost(
                self._name,
                "PyVISA is not installed.",
                remedy="Install it with: pip install 'evenfall[usb]'",
            ) from error
        try:
            manager = pyvisa.ResourceManager(library)
            instrument: Any = manager.open_resource(
                resource, open_timeout=round(OPEN_WITHIN_S * 1000)
            )
        except (pyvisa.Error, OSError, ValueError) as error:
            raise PortLost(
                self._name,
                f"cannot be opened ({str(error).partition(chr(10))[0][:160]}).",
                remedy="Check its supply and cable, 'port' and 'visa_library' in the rig profile, "
                "that you may use USB devices, and that no other program has it.",
            ) from error
        if not isinstance(instrument, pyvisa.resources.MessageBasedResource):
            instrument.close()
            raise PortLost(
                self._name,
                "is nothing that carries messages.",
                remedy="Give the name of an instrument, which ends in '::INSTR'.",
            )
        instrument.timeout = round(self._within_s * 1000)
        return instrument

    # -- in the thread ---------------------------------------------------------------------

    def _work(self, instrument: Any, far_end: int) -> None:
        try:
            while (message := self._jobs.get()) is not None:
                reply = _exchange(instrument, message)
                self._under_way.popleft()
                if reply:
                    os.write(far_end, reply)
        except Exception as failure:  # Whatever it is, whoever reads next learns of it.
            self._failure = failure
        finally:
            os.close(far_end)
            with suppress(Exception):
                instrument.close()


def _exchange(instrument: Any, message: bytes) -> bytes:
    """Send a message; return its reply, nothing where it has none or none comes."""
    from pyvisa.constants import StatusCode
    from pyvisa.errors import VisaIOError

    try:
        instrument.write_raw(message)
        return bytes(instrument.read_raw()) if b"?" in message else b""
    except VisaIOError as error:
        if error.error_code != StatusCode.error_timeout:
            raise
        # Not every kind of connection can be cleared.
        with suppress(VisaIOError, NotImplementedError):
            instrument.clear()
        return b""
