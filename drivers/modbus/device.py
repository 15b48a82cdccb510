"""What all instruments on Modbus have in common: requests in turn, replies that fit, identity.

::

    … t3.5 | request | reply time | reply | t3.5 …

The protocol prescribes no retry, so none is made here. RTU replies carry no number: one that
comes after its time looks like the reply to the next request of its size, and every later reply
would be one behind. So after a request without a valid reply, the next one is preceded by a
reading of a size that this device was never asked for. Replies come in the order of their
requests: when that one has come, or was refused, all that came before it was stale.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Generic, TypeVar

from attrs import frozen
from pymodbus.pdu import ModbusPDU

from drivers.bus import Bus
from drivers.clock import Clock
from drivers.conversing import RequestReplyInstrument
from drivers.errors import DeviceFault, DriverError, GarbledReply, NoReply, PortLost, describe_bytes
from drivers.line import Line
from drivers.modbus import frames, registers
from drivers.modbus.framing import Expected, framing_of
from drivers.modbus.options import ModbusOptions
from drivers.reading import Reading
from drivers.talk import Conversation

# A reply that has begun goes on without a pause of 1.5 characters on the bus; adapters hand
# characters over in lumps, at most so far apart. [s]
LUMP_S = 0.06
LONGEST_FRAME = 264

Options = TypeVar("Options", bound=ModbusOptions)


@frozen
class Answer:
    """A reply that fits its request, and when the request had left. [s]"""

    frame: bytes
    reply: ModbusPDU
    sent_s: float

    @property
    def words(self) -> list[int]:
        """The registers in it."""
        return list(self.reply.registers)


class ModbusDevice(RequestReplyInstrument, Generic[Options]):
    """A measuring device on Modbus RTU or TCP.

    Parameters
    ----------
    options : ModbusOptions
        From the rig profile.
    line : Line or Bus
        The adapter to the bus, or its share of one.
    clock : Clock
        Deadlines and time stamps.
    device : str
        What messages call it, e.g. ``"power meter"``.
    """

    def __init__(self, options: Options, line: Line | Bus, clock: Clock, device: str) -> None:
        super().__init__(line, clock, f"{device}, {line.name} address {options.address}")
        self._options = options
        self._address = options.address
        self._reply_within_s = options.reply_within_s
        self._framing = framing_of(options.is_tcp, options.baud)
        # In a network the rest of a reply may have to be sent again.
        self._lump_s = options.reply_within_s if options.is_tcp else LUMP_S
        self._is_in_doubt = False  # whether a reply may still be on its way
        self._sizes_asked: set[int] = set()

    def start(self) -> float:
        """Begin one reading of all quantities; return when it can be there at the earliest. [s]"""
        self._talk.begin(self._measure())
        return self._clock.elapsed_s() + registers.wire_s(self._least(), self._line)

    def poll(self) -> tuple[Reading, ...] | None:
        """Return one reading for each quantity, or None before they are there.

        Raises
        ------
        NoReply, GarbledReply
            Nothing came, or nothing valid.
        DeviceFault
            The device refused, or is not what the profile says.
        PortLost, WriteStalled
            The line failed.
        """
        readings: tuple[Reading, ...] | None = self._advance()
        return readings

    def _measure(self) -> Conversation[tuple[Reading, ...]]:
        raise NotImplementedError

    def _least(self) -> Sequence[registers.Request]:
        """Return the requests that one measurement takes at the very least."""
        raise NotImplementedError

    def _read(self, request: registers.Request) -> Conversation[Answer]:
        """Read the registers of one request."""
        message = frames.read_request(self._address, request.function, request.first, request.count)
        return (yield from self._ask(message, request.count, self._refused_advice(request)))

    def _refused_advice(self, request: registers.Request) -> str:
        last = request.first + request.count - 1
        return (
            f"Registers {request.first} to {last} were asked for with function "
            f"{request.function}. Check the register map in the rig profile."
        )

    def _identify_by(self, request: registers.Request) -> Conversation[str]:
        """Ask who it is; a device without identification is known by its registers."""
        try:
            answer = yield from self._ask(frames.identify_request(self._address), None, "")
        except PortLost:
            raise
        except DriverError:
            yield from self._read(request)
            return f"Modbus address {self._address}: does not say who it is, its registers answer"
        return f"Modbus address {self._address}: {frames.identity_text(answer.reply)}"

    # -- one exchange -----------------------------------------------------------------------

    def _ask(self, message: ModbusPDU, count: int | None, advice: str) -> Conversation[Answer]:
        """Send a request in its turn.

        Raises
        ------
        NoReply, GarbledReply
            Nothing came, or nothing valid.
        DeviceFault
            The device refused, with an exception code.
        PortLost, WriteStalled
            The line failed.
        """
        return (yield from self._bus.turn(self._talk, self._in_turn(message, count, advice)))

    def _in_turn(self, message: ModbusPDU, count: int | None, advice: str) -> Conversation[Answer]:
        self.unasked = b""
        if count is not None:
            self._sizes_asked.add(count)
            if self._is_in_doubt:
                yield from self._find_its_place(message)
        answer = yield from self._exchange(message, count)
        if answer.reply.isError():
            raise self._refused(message, answer, advice)
        return answer

    def _find_its_place(self, message: ModbusPDU) -> Conversation[None]:
        """Read past what is stale, by a reading that no earlier reply can be taken for."""
        size = next(size for size in itertools.count(1) if size not in self._sizes_asked)
        mark = frames.read_request(self._address, message.function_code, message.address, size)
        yield from self._exchange(mark, size)

    def _exchange(self, message: ModbusPDU, count: int | None) -> Conversation[Answer]:
        framing = self._framing
        expected = Expected(message, count, self._bus.count_exchange())
        request = framing.encode(expected)
        passed = b""

        def foreign(data: bytes) -> int:
            nonlocal passed
            size = framing.foreign(data, expected)
            passed += data[:size]
            return size

        yield from self._await_silence()
        try:
            found, heard, sent_s = yield from self._collect(
                request,
                lambda data: framing.find(data, expected),
                within_s=self._reply_within_s,
                lump_s=self._lump_s,
                longest=LONGEST_FRAME,
                foreign=foreign,
                bytes_of=None if framing.numbers_requests else _frame_of,
            )
        except GeneratorExit:
            self._doubt(expected)
            raise
        if found:
            self._is_in_doubt = False
            return Answer(*found, sent_s)
        self._doubt(expected)
        if not (heard := heard or passed):
            raise NoReply(
                self._device,
                f"no reply to {describe_bytes(request)} in {self._reply_within_s:g} s.",
                remedy="Check its supply, its address and baud rate, then whether the two bus "
                "wires are swapped.",
                request=request,
            )
        raise GarbledReply(
            self._device,
            f"garbled reply: {framing.why_not(heard, expected)}. Received {describe_bytes(heard)}.",
            remedy="Check baud rate and parity; then termination; an address may be used twice.",
            request=request,
            reply=heard,
        )

    def _await_silence(self) -> Conversation[None]:
        """Let the line be silent for t3.5; what still comes is drained, and it begins anew."""
        give_up_s = self._clock.elapsed_s() + self._reply_within_s  # a line that babbles
        while True:
            data, now_s = self._line.read(), self._clock.elapsed_s()
            if data:
                self.unasked += data
                self._active_s = now_s
            silent_s = min(self._active_s + self._framing.silence_s, give_up_s)
            if now_s >= silent_s:
                return
            yield silent_s

    def _doubt(self, unanswered: Expected) -> None:
        """Take note that a reply may still be on its way which looks like others."""
        if unanswered.count is not None and not self._framing.numbers_requests:
            self._is_in_doubt = True

    def _refused(self, message: ModbusPDU, answer: Answer, advice: str) -> DeviceFault:
        code = answer.reply.exception_code
        return DeviceFault(
            self._device,
            f"refused with exception {code} ({frames.EXCEPTIONS.get(code, 'not standard')}).",
            remedy=advice,
            request=frames.encode(message),
            reply=answer.frame,
        )


def _frame_of(found: tuple[bytes, ModbusPDU]) -> bytes:
    return found[0]
