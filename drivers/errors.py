"""Who failed.

::

    DriverError
    ├── NoReply          nothing came within the time allowed
    ├── GarbledReply     something came, but it is not a valid reply
    ├── DeviceFault      a valid reply came, and it says that the device refuses or failed
    ├── PortLost         the port is gone, busy, or cannot be opened
    ├── WriteStalled     the port took no bytes within the time allowed
    ├── StageError
    │   ├── MotionRefused    the move was not begun: outside limits, alarm, not homed
    │   └── PositionLost     the stage may not be where it says it is
    └── RelayError
        ├── LightingRefused  the lamp circuit was not closed: not armed; nothing was sent
        └── RelayLost        the lamp relay does not do as it was told

Each carries the device, the request and the reply, so that whoever decides what to do
(`rig/faults.py`) and whoever reads the message have the bytes before them.
"""

from __future__ import annotations


def describe_bytes(data: bytes, limit: int = 24) -> str:
    """Show bytes to a person: text where all of it is printable, else hex, and the count."""
    if not data:
        return "0 bytes"
    count = f"{len(data)} byte{'s' if len(data) != 1 else ''}"
    shown = data[:limit]
    more = " …" if len(data) > limit else ""
    if all(32 <= byte < 127 or byte in b"\r\n" for byte in data):
        return f"{shown.decode('ascii')!r}{more} ({count})"
    return f"{shown.hex(' ').upper()}{more} ({count})"


class DriverError(Exception):
    """An instrument, or the way to it, failed.

    Parameters
    ----------
    device : str
        Who, as the user knows it: ``"light sensor, /dev/ttyUSB0 address 0"``.
    problem : str
        What was wrong, what was received and what is allowed.
    remedy : str
        The next step for the person at the bench.
    request, reply : bytes
        What was sent, and what had come when it failed.
    """

    def __init__(
        self,
        device: str,
        problem: str,
        *,
        remedy: str = "",
        request: bytes = b"",
        reply: bytes = b"",
    ) -> None:
        self.device = device
        self.problem = problem
        self.remedy = remedy
        self.request = request
        self.reply = reply
        super().__init__(f"{device}: {problem}" + (f" {remedy}" if remedy else ""))


class NoReply(DriverError):
    """Nothing came within the time allowed."""


class GarbledReply(DriverError):
    """Something came, but it is not a valid reply."""


class DeviceFault(DriverError):
    """A valid reply came, and it says that the device refuses or failed."""


class PortLost(DriverError):
    """The port is gone, busy, or cannot be opened."""


class WriteStalled(DriverError):
    """The port took no bytes within the time allowed."""


class StageError(DriverError):
    """The stage did not do what it was asked."""


class MotionRefused(StageError):
    """The move was not begun: outside the limits, in alarm, or not homed."""


class PositionLost(StageError):
    """The stage may not be where it says it is."""


class RelayError(DriverError):
    """The lamp relay did not do what it was asked."""


class LightingRefused(RelayError):
    """The lamp circuit was not closed: not armed, or not allowed now. Nothing was sent."""


class RelayLost(RelayError):
    """The lamp relay does not do as it was told."""
