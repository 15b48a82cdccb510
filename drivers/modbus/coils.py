"""Requests and replies of Modbus coils as bytes: write one (5), write several (15), read (1).

The layout of the messages is pymodbus's; finding a reply among noise is ours, as in `frames`.
"""

from __future__ import annotations

from attrs import frozen
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    WriteMultipleCoilsRequest,
    WriteSingleCoilRequest,
)

from drivers.modbus.frames import sum_is_right
from drivers.modbus.framing import HEADER_SIZE

READ, WRITE_ONE = 1, 5
#: Bytes behind the function code: an exception code; count and one byte of coils; two numbers.
_EXCEPTION, _READ_DATA, _WRITE_DATA = 1, 2, 4


@frozen
class CoilReply:
    """What came back: the frame, and the state in it or the exception code."""

    frame: bytes
    is_closed: bool | None = None
    exception: int | None = None


def read_request(address: int, coil: int) -> ModbusPDU:
    """Return the message that asks for the state of one coil."""
    return ReadCoilsRequest(dev_id=address, address=coil, count=1)


def write_request(address: int, coil: int, closed: bool, function: int) -> ModbusPDU:
    """Return the message that sets one coil, by function 5 or 15."""
    kind = WriteSingleCoilRequest if function == WRITE_ONE else WriteMultipleCoilsRequest
    return kind(dev_id=address, address=coil, bits=[closed])


def find_reply(data: bytes, request: bytes, *, is_tcp: bool) -> CoilReply | None:
    """Return the first reply to a request, or exception to it, in `data`; None if there is none.

    A write is answered by the address, function and numbers of the request itself: a reply about
    another coil is none. Noise, frames with a bad check sum and replies to other requests are
    passed over.

    Parameters
    ----------
    data : bytes
        All that has come.
    request : bytes
        The frame that was sent.
    is_tcp : bool
        Whether frames have the header of Modbus TCP, else a check sum.
    """
    head = HEADER_SIZE - 1 if is_tcp else 0  # bytes before the address
    tail = 0 if is_tcp else 2
    function = request[head + 1]
    for start in range(len(data) - head - tail - 2):
        frame = data[start:]
        if frame[head] != request[head] or frame[head + 1] & 0x7F != function:
            continue
        is_exception = bool(frame[head + 1] & 0x80)
        wanted = _EXCEPTION if is_exception else _READ_DATA if function == READ else _WRITE_DATA
        frame = frame[: head + 2 + wanted + tail]
        content = frame[head + 2 : head + 2 + wanted]
        if len(frame) < head + 2 + wanted + tail:
            continue
        if is_tcp:
            if frame[:4] != request[:4] or frame[4:6] != (2 + wanted).to_bytes(2, "big"):
                continue
        elif not sum_is_right(frame):
            continue
        if is_exception:
            return CoilReply(frame, exception=content[0])
        if function == READ and content[0] == 1:
            return CoilReply(frame, is_closed=bool(content[1] & 1))
        if function != READ and content == request[head + 2 : head + 6]:
            return CoilReply(frame)
    return None
