"""How a Modbus message is framed, and how a reply to it is told from everything else.

Over a serial bus (RTU) a reply is known by address, function, size and check sum; two replies of
one device to two like requests look the same. Over TCP each message carries the number of its
request besides, so that a stale reply is never taken.

The frames themselves are pymodbus's work (its framers and PDU classes).
"""

from __future__ import annotations

from typing import Protocol

from attrs import frozen
from pymodbus.framer.socket import FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU

from drivers.modbus import frames

Found = tuple[bytes, ModbusPDU]

#: Address, function and the shortest data of a reply, behind the header of Modbus TCP.
HEADER_SIZE = 7
_LONGEST_BODY = 254  # unit identifier and PDU
_decoder = DecodePDU(is_server=False)
_framer = FramerSocket(_decoder)


@frozen
class Expected:
    """What a request asks for: a reply is one only if it fits.

    `count` is the number of registers, None where the size of the reply is not known before.
    `number` is that of the request, counted over all who use the line.
    """

    request: ModbusPDU
    count: int | None
    number: int

    @property
    def address(self) -> int:
        """Whose reply is wanted."""
        return self.request.dev_id

    @property
    def function(self) -> int:
        """The function code asked for."""
        return self.request.function_code


class Framing(Protocol):
    """What a way of framing does."""

    silence_s: float
    numbers_requests: bool

    def encode(self, expected: Expected) -> bytes:
        """Return the request as it goes over the line."""
        ...

    def find(self, data: bytes, expected: Expected) -> Found | None:
        """Return the first reply to the request in `data`, or exception to it; None if none."""
        ...

    def foreign(self, data: bytes, expected: Expected) -> int:
        """Return how many bytes at the head are whole messages that are no reply to this."""
        ...

    def why_not(self, data: bytes, expected: Expected) -> str:
        """Say what is wrong with `data` as a reply."""
        ...


class RtuFraming:
    """Frames with a check sum, parted by silence.

    Parameters
    ----------
    baud : int
        Rate of the bus; sets the silence. [Bd]
    """

    numbers_requests = False

    def __init__(self, baud: int) -> None:
        self.silence_s = frames.silent_interval_s(baud)

    def encode(self, expected: Expected) -> bytes:
        """Return the request with address and check sum."""
        return frames.encode(expected.request)

    def find(self, data: bytes, expected: Expected) -> Found | None:
        """Return the first reply in `data`; noise and bad check sums are passed over."""
        if expected.count is None:
            return frames.find_identity(data, expected.address)
        return frames.find_registers(data, expected.address, expected.function, expected.count)

    def foreign(self, data: bytes, expected: Expected) -> int:
        """Return the size of the sound frames at the head, of other devices or functions."""
        size = 0
        while part := data[size:]:
            whole = frames.frame_at_head(part)
            if not whole or (part[0] == expected.address and part[1] & 0x7F == expected.function):
                break
            size += whole
        return size

    def why_not(self, data: bytes, expected: Expected) -> str:
        """Say what is wrong with `data` as a reply."""
        return frames.why_not(data, expected.address, expected.function, expected.count)


class TcpFraming:
    """Messages with a header that carries the number of the request and their own length."""

    silence_s = 0.0
    numbers_requests = True

    def encode(self, expected: Expected) -> bytes:
        """Return the request with its header."""
        request = expected.request
        request.transaction_id = _number(expected)
        return _framer.buildFrame(request)

    def find(self, data: bytes, expected: Expected) -> Found | None:
        """Return the first reply in `data`; those of other requests and units are passed over."""
        for frame in _messages(data):
            if _is_reply(frame, expected) and (reply := _decoded(frame, expected)):
                return frame, reply
        return None

    def foreign(self, data: bytes, expected: Expected) -> int:
        """Return the size of the whole messages at the head that answer other requests."""
        size = 0
        for frame in _messages(data):
            if data[size : size + len(frame)] != frame or _is_reply(frame, expected):
                break
            size += len(frame)
        return size

    def why_not(self, data: bytes, expected: Expected) -> str:
        """Say what is wrong with `data` as a reply."""
        for frame in _messages(data):
            if (number := int.from_bytes(frame[:2], "big")) != _number(expected):
                return f"a reply to request {number}, not {_number(expected)}"
            if frame[6] != expected.address:
                return f"a reply of unit {frame[6]}, not {expected.address}"
            if frame[7] & 0x7F != expected.function:
                return f"a reply to function {frame[7]}, not {expected.function}"
            return f"{len(frame) - HEADER_SIZE - 2} bytes of data, not {2 * (expected.count or 0)}"
        if len(data) < HEADER_SIZE:
            return "too short for a reply"
        return "no whole message: bad header, or cut short"


def framing_of(is_tcp: bool, baud: int) -> Framing:
    """Return the framing for these options. [Bd]"""
    return TcpFraming() if is_tcp else RtuFraming(baud)


def _number(expected: Expected) -> int:
    """Return the transaction identifier: 1 to 65535; pymodbus takes 0 for any."""
    return 1 + (expected.number - 1) % 0xFFFF


def _messages(data: bytes) -> list[bytes]:
    """Return the whole messages in `data`, in order; bytes that begin none are passed over."""
    found = []
    start = 0
    while len(data) - start >= HEADER_SIZE + 1:
        length = int.from_bytes(data[start + 4 : start + 6], "big")
        if data[start + 2 : start + 4] != b"\0\0" or not 2 < length <= _LONGEST_BODY:
            start += 1
            continue
        frame = data[start : start + 6 + length]
        if len(frame) < 6 + length:
            break
        found.append(frame)
        start += len(frame)
    return found


def _is_reply(frame: bytes, expected: Expected) -> bool:
    return (
        int.from_bytes(frame[:2], "big") == _number(expected)
        and frame[6] == expected.address
        and frame[7] & 0x7F == expected.function
    )


def _decoded(frame: bytes, expected: Expected) -> ModbusPDU | None:
    size = len(frame) - HEADER_SIZE
    if frame[7] & 0x80:
        fits = size == 2
    elif expected.count is not None:
        fits = size == 2 + 2 * expected.count and frame[8] == 2 * expected.count
    else:
        fits = size > 2
    return _decoder.decode(frame[HEADER_SIZE:]) if fits else None
