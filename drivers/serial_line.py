"""A serial port that never makes anybody wait. The only place that opens one.

Settings are made once, on opening, and never changed: on some adapters a change between
write and read loses bytes. Whatever way the operating system has of saying that a port is
gone, it leaves here as `PortLost`, and the port is closed at once.
"""

from __future__ import annotations

import errno
import fcntl
import math
import os
import select
import stat
import termios
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import serial
from serial.tools import list_ports

from drivers.clock import Clock
from drivers.errors import PortLost, WriteStalled
from drivers.line import SerialSettings

_READ_AT_MOST = 4096
_INPUTS = {"cts": "cts", "dsr": "dsr", "dcd": "cd"}  # what pyserial calls them
_BUSY = (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK)
_LASTING_NAMES = ("/dev/serial/by-id/", "/dev/serial/by-path/")
_UNIX98_PTY_MAJORS = range(136, 144)  # Linux, Documentation/admin-guide/devices.txt


class SerialLine:
    """A `drivers.line.Line` over a serial port.

    Parameters
    ----------
    port : str
        Device file; one under ``/dev/serial/by-id/`` survives replugging.
    settings : SerialSettings
        Rate and character format.
    clock : Clock
        Says when written bytes have left the wire.

    Raises
    ------
    PortLost
        No such port, no permission, in use by another program, or not a serial port.
    """

    def __init__(self, port: str, settings: SerialSettings, clock: Clock) -> None:
        self._name = port
        self.settings = settings
        self._clock = clock
        self._out_free_s = -math.inf
        self._lost_by = ""
        self._port: serial.Serial | None = _open(port, settings)

    @property
    def name(self) -> str:
        """The device file."""
        return self._name

    @property
    def seconds_per_byte(self) -> float:
        """Time one character takes on the wire. [s]"""
        return self.settings.seconds_per_byte

    def fileno(self) -> int | None:
        """Return the descriptor a clock can wait on, or None once the port is closed."""
        return None if self._port is None else self._port.fileno()

    def readable(self) -> bool:
        """Say whether `read` would return or raise something now."""
        return self._port is not None and bool(select.select([self._port.fileno()], [], [], 0.0)[0])

    def write(self, data: bytes) -> float:
        """Hand bytes to the port; return when the last leaves the wire, by its baud rate. [s]

        Raises
        ------
        PortLost
            The port is gone.
        WriteStalled
            It has no room for the bytes. Some of them may have been taken.
        """
        start_s = max(self._clock.elapsed_s(), self._out_free_s)
        with self._guarded("write", data) as port:
            left = memoryview(data)
            # Each turn hands over at least one byte, so the loop ends.
            while left:
                if not select.select([], [port.fileno()], [], 0.0)[1]:
                    raise self._stalled(data)
                try:
                    taken = os.write(port.fileno(), left)
                except BlockingIOError:
                    raise self._stalled(data) from None
                left = left[taken:]
        self._out_free_s = start_s + len(data) * self.seconds_per_byte
        return self._out_free_s

    def read(self) -> bytes:
        """Take what has arrived, which may be nothing.

        Raises
        ------
        PortLost
            The port is gone.
        """
        with self._guarded("read") as port:
            data: bytes = port.read(_READ_AT_MOST)
            return data

    def set_break(self, on: bool) -> None:
        """Hold the line in the break condition, or release it. A pseudo-terminal shows nothing.

        Raises
        ------
        PortLost
            The port is gone.
        """
        with self._guarded("break") as port:
            port.break_condition = on

    def set_control_line(self, which: str, raised: bool) -> None:
        """Raise or drop ``"rts"`` or ``"dtr"``.

        Raises
        ------
        PortLost
            The port is gone, or it has no control lines.
        """
        with self._guarded("switch a control line") as port, self._with_control_lines():
            setattr(port, which, raised)

    def control_line(self, which: str) -> bool:
        """Say whether ``"cts"``, ``"dsr"`` or ``"dcd"`` is raised from the far end.

        Raises
        ------
        PortLost
            The port is gone, or it has no control lines.
        """
        with self._guarded("read a control line") as port, self._with_control_lines():
            return bool(getattr(port, _INPUTS[which]))

    @contextmanager
    def _with_control_lines(self) -> Iterator[None]:
        """Tell a port without control lines from one that is gone."""
        try:
            yield
        except OSError as error:
            if _errno(error) not in (errno.ENOTTY, errno.EINVAL):
                raise
            raise PortLost(
                self._name,
                "the port has no control lines: a pseudo-terminal carries bytes only.",
                remedy="Use a serial port with RTS and DTR, or a relay of another kind.",
            ) from error

    def close(self) -> None:
        """Release the port. Safe to call twice, and when the port is gone."""
        port, self._port = self._port, None
        if port is None:
            return
        gone = (OSError, serial.SerialException, termios.error)
        with suppress(*gone):
            # A break left on would hold the bus.
            port.break_condition = False
            if self.settings.control_lines == "down":
                port.rts = port.dtr = False
            fcntl.ioctl(port.fileno(), termios.TIOCNXCL)
        with suppress(*gone):
            port.close()

    @contextmanager
    def _guarded(self, doing: str, request: bytes = b"") -> Iterator[serial.Serial]:
        """Turn each of the three types by which a lost port shows itself into one."""
        if self._port is None:
            if self._lost_by:
                raise self._lost(self._lost_by, request)
            raise PortLost(
                self._name, f"cannot {doing}: the port is closed.", remedy="Open it anew."
            )
        try:
            yield self._port
        except (serial.SerialException, OSError, termios.error) as error:
            self.close()
            self._lost_by = _reason(error)
            raise self._lost(self._lost_by, request) from error

    def _lost(self, reason: str, request: bytes) -> PortLost:
        """Say that the port is gone; this line stays so, whoever comes back under its name."""
        if self._name.startswith(_LASTING_NAMES):
            name = "It keeps this name when it comes back."
        else:
            name = (
                "It may come back under another name: give 'port' in the rig profile its name "
                "under /dev/serial/by-id/, which lasts."
            )
        return PortLost(
            self._name,
            f"the port is gone ({reason}).",
            remedy=f"Check the plug and the adapter's supply. {name}",
            request=request,
        )

    def _stalled(self, data: bytes) -> WriteStalled:
        return WriteStalled(
            self._name,
            f"the port has no room for {len(data)} more bytes: earlier ones were not sent.",
            remedy="Check flow control and that the adapter answers; replug it if it does not.",
            request=data,
        )


def _open(port: str, settings: SerialSettings) -> serial.Serial:
    handle = serial.Serial(
        port=None,
        baudrate=settings.baud,
        bytesize=settings.data_bits,
        parity=settings.parity[0].upper(),
        stopbits=settings.stop_bits,
        timeout=0,
        write_timeout=0,
        exclusive=True,
    )
    handle.port = port
    if settings.control_lines == "down":
        handle.rts = handle.dtr = False
    try:
        handle.open()
    except (serial.SerialException, OSError, termios.error, ValueError) as error:
        raise _cannot_open(port, settings, error) from error
    try:
        _hold(handle.fileno())
    except (OSError, termios.error) as error:
        handle.close()
        raise _cannot_open(port, settings, error) from error
    return handle


def _hold(descriptor: int) -> None:
    """Keep others out, and keep the control lines as they are when we leave.

    The lock that pyserial takes is advisory. TIOCEXCL keeps out whoever does not ask for it,
    except the superuser. It is not set on a pseudo-terminal, where it would outlive a killed
    program for as long as the far end holds the terminal.
    """
    if os.major(os.fstat(descriptor).st_rdev) not in _UNIX98_PTY_MAJORS:
        fcntl.ioctl(descriptor, termios.TIOCEXCL)
    # Without "hang up on close", DTR stays as it is when the port is closed: many motion
    # controllers restart, and forget their position, on each change of it.
    attributes = termios.tcgetattr(descriptor)
    attributes[2] &= ~termios.HUPCL
    termios.tcsetattr(descriptor, termios.TCSANOW, attributes)


def _cannot_open(port: str, settings: SerialSettings, error: Exception) -> PortLost:
    code = _errno(error)
    if code in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        present = ", ".join(sorted(p.device for p in list_ports.comports())) or "none"
        return PortLost(
            port,
            f"no such port. Serial ports present: {present}.",
            remedy="Check the plug, or correct 'port' in the rig profile.",
        )
    if code in (errno.EACCES, errno.EPERM):
        return PortLost(
            port,
            "no permission to open the port.",
            remedy=f"Join the group that owns it ('ls -l {port}' names it, often dialout or uucp) "
            "and sign in again.",
        )
    if code in _BUSY:
        return PortLost(
            port,
            "the port is in use by another program.",
            remedy="Close the other program: another run, a serial terminal, or a modem manager "
            f"('fuser {port}' names it).",
        )
    if code == errno.ENOTTY or not _is_character_device(port):
        return PortLost(
            port,
            "this is not a serial port.",
            remedy="Correct 'port' in the rig profile.",
        )
    return PortLost(
        port,
        f"the port refuses {settings.baud} baud {settings.character_format} ({_reason(error)}).",
        remedy="Correct 'baud' or 'character_format' in the rig profile; a pseudo-terminal takes "
        "only 8N1.",
    )


def _is_character_device(port: str) -> bool:
    try:
        return stat.S_ISCHR(os.stat(port).st_mode)
    except OSError:
        return False


def _errno(error: BaseException) -> int | None:
    """Return the system's error number; pyserial wraps it, termios puts it first."""
    code = getattr(error, "errno", None)
    if code is None and isinstance(error, termios.error) and error.args:
        code = error.args[0]
    if code is None and error.__context__ is not None:
        return _errno(error.__context__)
    return code


def _reason(error: BaseException) -> str:
    code = _errno(error)
    return os.strerror(code).lower() if code else str(error)
