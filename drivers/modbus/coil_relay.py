"""The lamp relay as a coil of a Modbus device, read back after every word to it.

::

    on       write 1 | echo | read | closed
    refresh  read | closed              or  read | closed | write 1 | echo
    off      write 0 | echo | read | open

The device itself opens the coil when nobody speaks to it for the time that the profile declares;
this is set in the device with its maker's tool, never from here. Tested with: the virtual bench
only.
"""

from __future__ import annotations

import math

from pymodbus.pdu import ModbusPDU

from drivers.bus import Bus
from drivers.clock import Clock
from drivers.conversing import RequestReplyInstrument
from drivers.conversing_relay import ConversingRelay
from drivers.errors import (
    DeviceFault,
    GarbledReply,
    NoReply,
    RelayLost,
    describe_bytes,
)
from drivers.line import Line
from drivers.modbus import coils, frames
from drivers.modbus.framing import Expected, framing_of
from drivers.modbus.relay_options import CoilRelayOptions
from drivers.talk import Conversation, wait

LUMP_S = 0.06  # as for the power meter: adapters hand characters over in lumps. [s]
LONGEST_FRAME = 64
SWITCH_OFF = "Switch the lamp off by hand, then look at relay and bus."


class CoilRelay(ConversingRelay, RequestReplyInstrument):
    """One coil that closes the lamp circuit.

    Parameters
    ----------
    options : CoilRelayOptions
        From the rig profile.
    line : Line or Bus
        The bus, or the adapter to it.
    clock : Clock
        Deadlines.
    device : str
        What messages call it, e.g. ``"lamp relay"``.
    """

    def __init__(
        self, options: CoilRelayOptions, line: Line | Bus, clock: Clock, device: str
    ) -> None:
        super().__init__(line, clock, f"{device}, {line.name} address {options.address}")
        self._options = options
        self.opens_after_silence_s = options.opens_after_silence_s
        self._framing = framing_of(options.is_tcp, options.baud)
        # In a network the rest of a reply may have to be sent again.
        self._lump_s = options.reply_within_s if options.is_tcp else LUMP_S
        self._spoken_s = -math.inf  # when it last answered

    @property
    def reads_back(self) -> bool:
        """A coil can always be read."""
        return True

    # The conversations

    def _switch(self, closed: bool) -> Conversation[bool]:
        options = self._options
        yield from self._ask(
            coils.write_request(options.address, options.coil, closed, options.function)
        )
        # An adapter that hears itself may have been taken for the device, which then answers now.
        yield from self._bus.rest(self._clock.elapsed_s() + LUMP_S)
        is_closed = yield from self._read()
        if is_closed != closed:
            told, reads = ("close", "open") if closed else ("open", "closed")
            raise RelayLost(
                self._device,
                f"told to {told}, coil {options.coil} reads back {reads}.",
                remedy=SWITCH_OFF,
            )
        return is_closed

    def _refresh(self) -> Conversation[bool]:
        # A writing that comes late could close what has just opened by itself.
        in_time_s = self._spoken_s + 0.5 * (self.opens_after_silence_s or 0.0)
        is_closed = yield from self._read()
        if is_closed and self._options.refresh == "write" and self._spoken_s < in_time_s:
            is_closed = yield from self._switch(True)
        return is_closed

    def _identify(self) -> Conversation[str]:
        is_closed = yield from self._read()
        state = "closed" if is_closed else "open"
        return f"Modbus address {self._options.address}: coil {self._options.coil} answers, {state}"

    def _read(self) -> Conversation[bool]:
        reply = yield from self._ask(coils.read_request(self._options.address, self._options.coil))
        return bool(reply.is_closed)

    def _ask(self, message: ModbusPDU) -> Conversation[coils.CoilReply]:
        return (yield from self._bus.turn(self._talk, self._exchange(message)))

    def _exchange(self, message: ModbusPDU) -> Conversation[coils.CoilReply]:
        options, framing = self._options, self._framing
        request = framing.encode(Expected(message, 1, self._bus.count_exchange()))
        self.unasked = yield from wait(self._clock, self._line, self._active_s + framing.silence_s)

        def find(data: bytes) -> coils.CoilReply | None:
            # The reply to function 5 is the request itself, so it passes for an echo of it; what
            # the coil reads back decides.
            if not data and message.function_code == coils.WRITE_ONE:
                return coils.CoilReply(request)
            return coils.find_reply(data, request, is_tcp=options.is_tcp)

        reply, heard, _ = yield from self._collect(
            request,
            find,
            within_s=options.reply_within_s,
            lump_s=self._lump_s,
            longest=LONGEST_FRAME,
        )
        if reply is None:
            raise self._no_reply(request, heard)
        self._spoken_s = self._clock.elapsed_s()
        if reply.exception is not None:
            meaning = frames.EXCEPTIONS.get(reply.exception, "not standard")
            raise DeviceFault(
                self._device,
                f"refused {describe_bytes(request)} with exception {reply.exception} ({meaning}).",
                remedy="Check 'coil' and 'function' in the rig profile.",
                request=request,
                reply=reply.frame,
            )
        return reply

    def _no_reply(self, request: bytes, heard: bytes) -> NoReply | GarbledReply:
        if not heard:
            return NoReply(
                self._device,
                f"no reply to {describe_bytes(request)} in {self._options.reply_within_s:g} s.",
                remedy="Check its supply, its address and baud rate, then the bus wires.",
                request=request,
            )
        return GarbledReply(
            self._device,
            f"garbled reply to {describe_bytes(request)}: received {describe_bytes(heard)}.",
            remedy="Check baud rate and parity; then termination; an address may be used twice.",
            request=request,
            reply=heard,
        )
