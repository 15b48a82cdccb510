"""A lamp relay at the far end of a line, with a timeout of its own that nothing here can stop.

Whatever befalls the program, the contact opens once the relay has not been spoken to for its
time: it is an event of the relay, not an answer to anything.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from attrs import field, frozen
from attrs.validators import ge, gt, in_, le
from pymodbus.constants import ExcCodes
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadCoilsResponse,
    WriteMultipleCoilsRequest,
    WriteMultipleCoilsResponse,
    WriteSingleCoilRequest,
    WriteSingleCoilResponse,
)

from drivers.simulated.peer import Fault, FaultScript, Outbox

#: Kinds of fault that only relays have: the contact does not follow, or the device refuses.
OWN_KINDS = frozenset({"stuck", "exception"})
Switch = Callable[[bool, float], None]


@frozen(kw_only=True)
class CoilRelay:
    """A relay that is a coil of a Modbus device, as data.

    Attributes
    ----------
    address, coil, baud : int
        Where it answers. [baud: 1/s]
    opens_after_silence_s : float
        What its profile declares. [s]
    timeout_s : float
        When it really opens, counted from the last word that it heeds. [s]
    heeds : str
        ``"read"``: any request to it is a word; ``"write"``: only a writing of the coil.
    reply_delay_s : float
        From the end of a request to the reply. [s]
    line : str
        Section of the instrument whose line it sits on; its own where empty.
    faults : tuple of Fault
    """

    address: int = field(default=3, validator=[ge(1), le(247)])
    coil: int = field(default=0, validator=[ge(0), le(65535)])
    baud: int = field(default=9600, validator=gt(0))
    opens_after_silence_s: float = field(default=20.0, validator=gt(0.0))
    timeout_s: float = field(default=18.0, validator=gt(0.0))
    heeds: str = field(default="read", validator=in_(("read", "write")))
    reply_delay_s: float = field(default=0.006, validator=ge(0.0))
    line: str = ""
    faults: tuple[Fault, ...] = ()


@frozen(kw_only=True)
class BlinkedRelay:
    """A timer relay on a control line, as data.

    Attributes
    ----------
    control_line, read_back : str
        The line that closes it, and the one that it raises while closed (``"none"``).
    opens_after_silence_s, timeout_s : float
        As declared, and as it is: counted from the last change of the line. [s]
    closes_after_s, releases_after_s : float
        How long the line must be up, or down, before the contact follows. [s]
    """

    control_line: str = field(default="rts", validator=in_(("rts", "dtr")))
    read_back: str = field(default="cts", validator=in_(("none", "cts", "dsr", "dcd")))
    opens_after_silence_s: float = field(default=20.0, validator=gt(0.0))
    timeout_s: float = field(default=18.0, validator=gt(0.0))
    closes_after_s: float = field(default=0.3, validator=gt(0.0))
    releases_after_s: float = field(default=0.1, validator=gt(0.0))
    line: str = ""
    faults: tuple[Fault, ...] = ()


class _Contact:
    """The contact in the lamp's feed, and the moment at which it opens by itself."""

    def __init__(self, timeout_s: float, switch: Switch) -> None:
        self._timeout_s = timeout_s
        self._switch = switch
        self.is_closed = False
        self.opens_s = math.inf

    def word(self, at_s: float) -> None:
        """Take note of a word."""
        if self.is_closed:
            self.opens_s = at_s + self._timeout_s

    def set(self, closed: bool, at_s: float) -> None:
        """Move the contact."""
        if closed != self.is_closed:
            self.is_closed = closed
            self._switch(closed, at_s)
        self.opens_s = at_s + self._timeout_s if closed else math.inf

    def advance(self, at_s: float) -> None:
        """Open, if that is due."""
        if self.opens_s <= at_s:
            self.set(False, self.opens_s)


class CoilRelayPeer:
    """The Modbus device's end of the line.

    Parameters
    ----------
    relay : CoilRelay
    switch : callable
        ``switch(closed, at_s)`` closes or opens the lamp circuit.
    """

    def __init__(self, relay: CoilRelay, switch: Switch) -> None:
        self._relay = relay
        self._contact = _Contact(relay.timeout_s, switch)
        self._script = FaultScript(relay.faults, OWN_KINDS)
        self._outbox = Outbox()
        self._framer = FramerRTU(DecodePDU(is_server=True))
        self._heard = b""
        self._heard_until_s = -math.inf

    @property
    def is_closed(self) -> bool:
        """Whether the contact is closed."""
        return self._contact.is_closed

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
        self._contact.advance(at_s)
        began_s = at_s - len(data) * 11 / self._relay.baud
        if began_s - self._heard_until_s > 3.5 * 11 / self._relay.baud:
            self._heard = b""
        self._heard += data
        self._heard_until_s = at_s
        used, request = self._framer.handleFrame(self._heard, 0, 0)
        if used:
            self._heard = self._heard[used:]
        if request is not None and request.dev_id == self._relay.address:
            self._obey(request, at_s)

    def next_s(self) -> float:
        """Return when a reply leaves or the contact opens by itself. [s]"""
        return min(self._outbox.next_s(), self._contact.opens_s)

    def take(self, at_s: float) -> bytes:
        """Return the reply whose turn has come. [s]"""
        self._contact.advance(at_s)
        return self._outbox.take(at_s)

    def _obey(self, request: ModbusPDU, at_s: float) -> None:
        fault = self._script.begin()
        relay = self._relay
        reply: ModbusPDU
        if fault and fault.kind == "exception":
            reply = ExceptionResponse(request.function_code, fault.code)
        elif isinstance(request, ReadCoilsRequest):
            if relay.heeds == "read":
                self._contact.word(at_s)
            reply = ReadCoilsResponse(bits=[self.is_closed])
        elif isinstance(request, WriteSingleCoilRequest | WriteMultipleCoilsRequest):
            if request.address != relay.coil:
                reply = ExceptionResponse(request.function_code, ExcCodes.ILLEGAL_ADDRESS)
            else:
                if not (fault and fault.kind == "stuck"):
                    self._contact.set(bool(request.bits[0]), at_s)
                single = isinstance(request, WriteSingleCoilRequest)
                kind = WriteSingleCoilResponse if single else WriteMultipleCoilsResponse
                reply = kind(address=request.address, bits=request.bits[:1], count=1)
        else:
            reply = ExceptionResponse(request.function_code, ExcCodes.ILLEGAL_FUNCTION)
        reply.dev_id = relay.address
        self._outbox.put(
            *self._script.damaged(fault, self._framer.buildFrame(reply), at_s + relay.reply_delay_s)
        )


class BlinkedRelayPeer:
    """The timer relay's end of the control lines.

    Parameters
    ----------
    relay : BlinkedRelay
    switch : callable
        ``switch(closed, at_s)`` closes or opens the lamp circuit.
    """

    def __init__(self, relay: BlinkedRelay, switch: Switch) -> None:
        self._relay = relay
        self._contact = _Contact(relay.timeout_s, switch)
        self._is_up = False
        self._follows_s = math.inf  # when the contact does what the line says

    @property
    def is_closed(self) -> bool:
        """Whether the contact is closed."""
        return self._contact.is_closed

    def opened(self, at_s: float) -> None:
        """Pay no heed: the lines tell. [s]"""

    def line_break(self, start_s: float, end_s: float) -> None:
        """Pay no heed to a break. [s]"""

    def receive(self, data: bytes, at_s: float) -> None:
        """Pay no heed to bytes. [s]"""

    def control_line(self, which: str, raised: bool, at_s: float) -> None:
        """Learn that a line was raised or dropped. [s]"""
        self._advance(at_s)
        if which != self._relay.control_line or raised == self._is_up:
            return
        self._is_up = raised
        self._contact.word(at_s)
        delay_s = self._relay.closes_after_s if raised else self._relay.releases_after_s
        self._follows_s = at_s + delay_s

    def raises(self, which: str, at_s: float) -> bool:
        """Say whether it raises a line. [s]"""
        self._advance(at_s)
        return which == self._relay.read_back and self.is_closed

    def next_s(self) -> float:
        """Return when the contact moves by itself. [s]"""
        return min(self._follows_s, self._contact.opens_s)

    def take(self, at_s: float) -> bytes:
        """Return nothing: it has no bytes to say. [s]"""
        self._advance(at_s)
        return b""

    def _advance(self, at_s: float) -> None:
        while (due_s := self.next_s()) <= at_s:
            if due_s == self._follows_s:
                self._follows_s = math.inf
                if self._is_up != self.is_closed:
                    self._contact.set(self._is_up, due_s)
            else:
                self._contact.advance(due_s)
