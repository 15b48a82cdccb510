"""What a line is: a way for bytes to reach an instrument and come back.

A line knows nothing of what the bytes mean. None of its methods waits: `write` hands bytes
over, `read` takes what has arrived. Waiting is the clock's business.
"""

from __future__ import annotations

from typing import Protocol

from attrs import field, frozen
from attrs.validators import in_


@frozen
class SerialSettings:
    """How characters are put on the wire.

    Attributes
    ----------
    baud : int
        Signalling rate; on two-level lines the bits per second. [Bd]
    data_bits : int
        7 or 8.
    parity : str
        ``"none"``, ``"even"`` or ``"odd"``.
    stop_bits : int
        1 or 2.
    control_lines : str
        ``"up"``: DTR and RTS are raised on opening, as is usual. ``"down"``: they are kept down
        on opening and let down on closing, where one of them switches something.
    """

    baud: int
    data_bits: int = field(default=8, validator=in_((7, 8)))
    parity: str = field(default="none", validator=in_(("none", "even", "odd")))
    stop_bits: int = field(default=1, validator=in_((1, 2)))
    control_lines: str = field(default="up", validator=in_(("up", "down")))

    @classmethod
    def from_text(cls, baud: int, character_format: str) -> SerialSettings:
        """Read the usual short form, e.g. ``"7E1"``."""
        data_bits, parity, stop_bits = tuple(character_format)
        return cls(
            baud=baud,
            data_bits=int(data_bits),
            parity={"N": "none", "E": "even", "O": "odd"}[parity],
            stop_bits=int(stop_bits),
        )

    @property
    def character_format(self) -> str:
        """The usual short form, e.g. ``"8N1"``."""
        return f"{self.data_bits}{self.parity[0].upper()}{self.stop_bits}"

    @property
    def bits_per_byte(self) -> int:
        """Bit times of one character: start, data, parity and stop bits."""
        return 1 + self.data_bits + (self.parity != "none") + self.stop_bits

    @property
    def seconds_per_byte(self) -> float:
        """Time one character takes on the wire. [s]"""
        return self.bits_per_byte / self.baud


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


class ControlLines(Line, Protocol):
    """A line with the control lines of a serial port beside its bytes."""

    def set_control_line(self, which: str, raised: bool) -> None:
        """Raise or drop ``"rts"`` or ``"dtr"``.

        Raises
        ------
        PortLost
            The port is gone, or it has no control lines.
        """
        ...

    def control_line(self, which: str) -> bool:
        """Say whether ``"cts"``, ``"dsr"`` or ``"dcd"`` is raised from the far end.

        Raises
        ------
        PortLost
            The port is gone, or it has no control lines.
        """
        ...
