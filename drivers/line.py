"""What a line is: a way for bytes to reach an instrument and come back.

A line knows nothing of what the bytes mean. None of its methods waits: `write` hands bytes
over, `read` takes what has arrived. Waiting is the clock's business.
"""

from __future__ import annotations

from typing import Protocol


class Line(Protocol):
    """Bytes out, bytes in, without waiting."""

    @property
    def name(self) -> str:
        """The port as the user knows it, e.g. ``/dev/serial/by-id/...``."""
        ...

    @property
    def seconds_per_byte(self) -> float:
        """Time one character takes on the wire, start, parity and stop bits included. [s]"""
        ...

    def fileno(self) -> int | None:
        """Return the descriptor a clock can wait on, or None where there is none."""
        ...

    def readable(self) -> bool:
        """Say whether `read` would return something now."""
        ...

    def write(self, data: bytes) -> float:
        """Hand bytes over; return the elapsed time at which the last has left the wire. [s]

        Raises
        ------
        PortLost
            The port is gone.
        WriteStalled
            The port takes no bytes.
        """
        ...

    def read(self) -> bytes:
        """Take what has arrived, which may be nothing.

        Raises
        ------
        PortLost
            The port is gone.
        """
        ...

    def set_break(self, on: bool) -> None:
        """Hold the line in the break condition, or release it."""
        ...

    def close(self) -> None:
        """Release the port. Safe to call twice."""
        ...
