"""A power meter on a Modbus RTU line, at the byte level.

Requests are found in the bytes, and replies built, by pymodbus's server-side classes; which
registers there are and what they hold is data. One request is answered from one window, so
that power, voltage and current of a reply belong together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from pymodbus.constants import DeviceInformation, ExcCodes
from pymodbus.exceptions import ModbusIOException
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest, ReadDeviceInformationResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadHoldingRegistersResponse,
    ReadInputRegistersRequest,
    ReadInputRegistersResponse,
)

from drivers.simulated.modbus_makes import ModbusMeter
from drivers.simulated.peer import Fault, FaultScript, Outbox

#: Kinds of fault that only this protocol has.
OWN_KINDS = frozenset({"wrong-address", "value", "stuck", "exception"})


class ModbusPeer:
    """The meter's end of the line.

    Parameters
    ----------
    meter : ModbusMeter
    measure : callable
        ``measure(start_s, end_s)`` returns the mean of each electrical quantity in that
        window, by its name in the glossary.
    """

    def __init__(
        self, meter: ModbusMeter, measure: Callable[[float, float], Mapping[str, float]]
    ) -> None:
        self._meter = meter
        self._measure = measure
        self._script = FaultScript(meter.faults, OWN_KINDS)
        self._outbox = Outbox()
        self._framer = FramerRTU(DecodePDU(is_server=True))
        self._heard = b""
        self._heard_until_s = -math.inf
        self._last_values: Mapping[str, float] = {}

    @property
    def exchanges(self) -> int:
        """How many requests have been answered, or would have been but for a fault."""
        return self._script.exchange

    def opened(self, at_s: float) -> None:
        """Drop half a request: whoever sent it has gone. [s]"""
        self._heard = b""

    def line_break(self, start_s: float, end_s: float) -> None:
        """A break spoils the frame that it falls into. [s]"""
        self._heard = b""

    def receive(self, data: bytes, at_s: float) -> None:
        """Hear bytes, the last of which ended at `at_s`. [s]"""
        # Frames are told apart by silence: what was left before one is of no use.
        began_s = at_s - len(data) * 11 / self._meter.baud
        if began_s - self._heard_until_s > self._meter.silence_s:
            self._heard = b""
        self._heard += data
        self._heard_until_s = at_s
        try:
            used, request = self._framer.handleFrame(self._heard, 0, 0)
        except ModbusIOException as refused:  # A whole frame, but the count in it is not allowed.
            frame, self._heard = self._heard, b""
            if refused.dev_id == self._meter.address:
                self._answer(ExceptionResponse(frame[1], ExcCodes.ILLEGAL_VALUE), at_s)
            return
        if request is not None:
            self._heard = b""
            if request.dev_id == self._meter.address:
                self._obey(request, at_s)
        elif used or self._is_whole_frame():
            frame, self._heard = self._heard, b""
            if not used and frame[0] == self._meter.address:
                self._answer(ExceptionResponse(frame[1], ExcCodes.ILLEGAL_FUNCTION), at_s)

    def next_s(self) -> float:
        """Return when the next reply leaves. [s]"""
        return self._outbox.next_s()

    def take(self, at_s: float) -> bytes:
        """Return the reply whose turn has come. [s]"""
        return self._outbox.take(at_s)

    def _is_whole_frame(self) -> bool:
        """Say whether this is a sound frame with a function code that pymodbus has no class for."""
        heard = self._heard
        return len(heard) >= FramerRTU.MIN_SIZE and FramerRTU.check_CRC(
            heard[:-2], int.from_bytes(heard[-2:], "big")
        )

    def _obey(self, request: ModbusPDU, at_s: float) -> None:
        if isinstance(request, ReadDeviceInformationRequest):
            meter = self._meter
            self._answer(
                ReadDeviceInformationResponse(
                    read_code=DeviceInformation.BASIC,
                    information={
                        0: meter.vendor.encode("ascii", "replace"),
                        1: f"{meter.product} {meter.serial}".strip().encode("ascii", "replace"),
                        2: meter.revision.encode("ascii", "replace"),
                    },
                ),
                at_s,
            )
        elif isinstance(request, (ReadHoldingRegistersRequest, ReadInputRegistersRequest)):
            self._read(request, at_s)
        else:
            self._answer(ExceptionResponse(request.function_code, ExcCodes.ILLEGAL_FUNCTION), at_s)

    def _read(self, request: ModbusPDU, at_s: float) -> None:
        fault = self._script.begin()
        values = self._values(at_s, fault)
        held = self._meter.held(values, request.function_code)
        wanted = range(request.address, request.address + request.count)
        reply: ModbusPDU
        if fault and fault.kind == "exception":
            reply = ExceptionResponse(request.function_code, fault.code)
        elif any(address not in held for address in wanted):
            reply = ExceptionResponse(request.function_code, ExcCodes.ILLEGAL_ADDRESS)
        else:
            kind = (
                ReadHoldingRegistersResponse
                if request.function_code == ReadHoldingRegistersRequest.function_code
                else ReadInputRegistersResponse
            )
            reply = kind(registers=[held[address] for address in wanted])
        self._send(reply, at_s, fault)

    def _values(self, at_s: float, fault: Fault | None) -> Mapping[str, float]:
        """Return what the registers hold: the mean over the window before the last refresh."""
        meter = self._meter
        refreshed_s = math.floor(at_s / meter.refresh_s) * meter.refresh_s
        values = dict(self._measure(max(0.0, refreshed_s - meter.averaging_s), refreshed_s))
        if fault and fault.kind == "stuck" and self._last_values:
            return self._last_values
        self._last_values = values
        if fault and fault.kind == "value":
            return dict.fromkeys(values, fault.value)
        return values

    def _answer(self, reply: ModbusPDU, at_s: float) -> None:
        self._send(reply, at_s, self._script.begin())

    def _send(self, reply: ModbusPDU, at_s: float, fault: Fault | None) -> None:
        wrong = fault is not None and fault.kind == "wrong-address"
        reply.dev_id = int(fault.address) if fault and wrong else self._meter.address
        delay_s = max(self._meter.reply_delay_s, self._meter.silence_s)
        self._outbox.put(
            *self._script.damaged(fault, self._framer.buildFrame(reply), at_s + delay_s)
        )
