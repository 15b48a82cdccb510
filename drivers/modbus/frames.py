"""Modbus RTU requests and replies as bytes. Opens nothing, waits for nothing.

Framing, check sum and message layout are pymodbus's (its framer and its PDU classes). Finding
a reply among noise is ours, since pymodbus gives up all that has come at the first bad sum.
"""

from __future__ import annotations

from pymodbus.exceptions import ModbusException
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest, ReadDeviceInformationResponse
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

IDENTIFY_FUNCTION = 0x2B
EXCEPTION_SIZE = 5
SHORTEST_FRAME = 4

# Modbus Application Protocol V1.1b3, section 7 (from memory).
EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledged, still working",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target did not respond",
}

_REQUESTS = {3: ReadHoldingRegistersRequest, 4: ReadInputRegistersRequest}
_decoder = DecodePDU(is_server=False)
_framer = FramerRTU(_decoder)


def silent_interval_s(baud: int) -> float:
    """Return t3.5, the silence between two frames. [s]

    3.5 characters of 11 bits, and 1.75 ms above 19200 baud.

    References
    ----------
    Modbus over Serial Line V1.02, section 2.5.1.1 (from memory; agrees with minimalmodbus).
    """
    return 0.00175 if baud > 19200 else 3.5 * 11 / baud


def encode(request: ModbusPDU) -> bytes:
    """Return a request as a frame, with address and check sum."""
    return _framer.buildFrame(request)


def read_request(address: int, function: int, register: int, count: int) -> ModbusPDU:
    """Return the message that asks for `count` registers from `register` on."""
    return _REQUESTS[function](dev_id=address, address=register, count=count)


def identify_request(address: int) -> ModbusPDU:
    """Return the message that asks for the basic device identification (2B/0E)."""
    return ReadDeviceInformationRequest(dev_id=address)


def encode_read(address: int, function: int, register: int, count: int) -> bytes:
    """Return the frame that asks for `count` registers from `register` on."""
    return encode(read_request(address, function, register, count))


def encode_identify(address: int) -> bytes:
    """Return the frame that asks for the basic device identification (2B/0E)."""
    return encode(identify_request(address))


def find_registers(
    data: bytes, address: int, function: int, count: int
) -> tuple[bytes, ModbusPDU] | None:
    """Return the first reply to a read, or exception to it, in `data`; None if there is none.

    Noise before and after, and frames with a bad check sum, are passed over.
    """
    return _find(data, address, function, 5 + 2 * count)


def find_identity(data: bytes, address: int) -> tuple[bytes, ModbusPDU] | None:
    """Return the first reply to `encode_identify`, or exception to it; None if there is none."""
    return _find(data, address, IDENTIFY_FUNCTION, None)


def identity_text(reply: ModbusPDU) -> str:
    """Join vendor, product code and revision into one line."""
    assert isinstance(reply, ReadDeviceInformationResponse)
    words = []
    for value in reply.information.values():
        for item in value if isinstance(value, list) else [value]:
            words.append(item.decode("ascii", "replace").strip("\0 "))
    return " ".join(word for word in words if word)


def frame_at_head(data: bytes) -> int:
    """Return the size of the sound reply frame that `data` begins with, 0 if there is none."""
    try:
        kind = _decoder.lookupPduClass(data)
        size = kind.calculateRtuFrameSize(data) if kind else 0
    except (ModbusException, IndexError):
        return 0
    return size if 0 < size <= len(data) and sum_is_right(data[:size]) else 0


def why_not(data: bytes, address: int, function: int, count: int | None) -> str:
    """Say what is wrong with `data` as a reply."""
    for start in range(len(data) - SHORTEST_FRAME + 1):
        part = data[start:]
        if not frame_at_head(part):
            continue
        if part[0] != address:
            return f"a reply of address {part[0]}, not {address}"
        if part[1] & 0x7F != function:
            return f"a reply to function {part[1]}, not {function}"
        return f"{part[2]} bytes of data, not {2 * (count or 0)}"
    if len(data) < SHORTEST_FRAME:
        return "too short for a reply"
    computed = FramerRTU.compute_CRC(data[:-2])
    return f"bad check sum: computed {computed:04X}, received {data[-2:].hex().upper()}"


def _find(
    data: bytes, address: int, function: int, size: int | None
) -> tuple[bytes, ModbusPDU] | None:
    for start in range(len(data) - EXCEPTION_SIZE + 1):
        part = data[start:]
        if part[0] != address or part[1] & 0x7F != function:
            continue
        if part[1] & 0x80:
            wanted = EXCEPTION_SIZE
        elif size is not None:
            wanted = size
            if part[2] != size - 5:
                continue
        else:
            if part[2] != ReadDeviceInformationRequest.sub_function_code:
                continue
            wanted = ReadDeviceInformationResponse.calculateRtuFrameSize(part)
        frame = part[:wanted]
        if len(frame) == wanted and sum_is_right(frame) and (pdu := _decoder.decode(frame[1:-2])):
            return frame, pdu
    return None


def sum_is_right(frame: bytes) -> bool:
    """Say whether the last two bytes are the check sum of those before."""
    return FramerRTU.check_CRC(frame[:-2], int.from_bytes(frame[-2:], "big"))
