"""The power meter on Modbus RTU: what it reads stands in the register map of the profile.

::

    … t3.5 | request | reply time | reply | t3.5 …

Tested with: the virtual bench and pymodbus's own server only. The protocol prescribes no
retry, so none is made here.
"""

from __future__ import annotations

from collections.abc import Callable

from pymodbus.pdu import ModbusPDU

from drivers.bus import Bus
from drivers.clock import Clock
from drivers.conversing import RequestReplyInstrument
from drivers.errors import DeviceFault, DriverError, GarbledReply, NoReply, PortLost, describe_bytes
from drivers.line import Line
from drivers.modbus import frames, registers
from drivers.modbus.options import PowerMeterOptions
from drivers.reading import Reading
from drivers.talk import Conversation, wait

# A reply that has begun goes on without a pause of 1.5 characters on the bus; adapters hand
# characters over in lumps, at most so far apart. [s]
LUMP_S = 0.06
LONGEST_FRAME = 256

Found = tuple[bytes, ModbusPDU]


class PowerMeter(RequestReplyInstrument):
    """Wall power, and voltage, current, power factor, frequency where the map has them.

    Parameters
    ----------
    options : PowerMeterOptions
        From the rig profile.
    line : Line or Bus
        The adapter to the bus, or its share of one.
    clock : Clock
        Deadlines and time stamps.
    device : str
        What messages call the meter, e.g. ``"power meter"``.
    """

    def __init__(
        self, options: PowerMeterOptions, line: Line | Bus, clock: Clock, device: str
    ) -> None:
        super().__init__(line, clock, f"{device}, {line.name} address {options.address}")
        self._options = options
        self._requests = registers.plan_requests(options.registers, options.bridged_registers)
        self._silence_s = frames.silent_interval_s(options.baud)

    def start(self) -> float:
        """Begin one reading of all quantities; return when it can be there at the earliest. [s]"""
        self._talk.begin(self._measure())
        characters = sum(8 + 5 + 2 * request.count for request in self._requests)
        return self._clock.elapsed_s() + characters * self._line.seconds_per_byte

    def poll(self) -> tuple[Reading, ...] | None:
        """Return one reading for each quantity of the map, or None before they are there.

        Raises
        ------
        NoReply, GarbledReply
            Nothing came, or nothing valid.
        DeviceFault
            The meter refused, with an exception code.
        PortLost, WriteStalled
            The line failed.
        """
        readings: tuple[Reading, ...] | None = self._advance()
        return readings

    def _measure(self) -> Conversation[tuple[Reading, ...]]:
        readings: list[Reading] = []
        for request in self._requests:
            frame, reply, sent_s = yield from self._read(request)
            window_end_s = sent_s - self._options.lag_s
            readings += (
                Reading(
                    quantity=row.quantity,
                    value=registers.decode(row, request, reply.registers),
                    window_start_s=window_end_s - self._options.averaging_s,
                    window_end_s=window_end_s,
                    raw=frame,
                )
                for row in request.rows
            )
        return tuple(readings)

    def _read(self, request: registers.Request) -> Conversation[tuple[bytes, ModbusPDU, float]]:
        address, function, count = self._options.address, request.function, request.count
        return (
            yield from self._ask(
                frames.encode_read(address, function, request.first, count),
                lambda data: frames.find_registers(data, address, function, count),
                lambda data: frames.why_not(data, address, function, count),
                self._refused_advice(request),
            )
        )

    def _refused_advice(self, request: registers.Request) -> str:
        last = request.first + request.count - 1
        advice = f"Registers {request.first} to {last} were asked for with function "
        advice += f"{request.function}. Check the register map in the rig profile"
        if sum(map(registers.width, request.rows)) < request.count:
            advice += "; for a meter that refuses unused registers set 'bridged_registers' to 0"
        return advice + "."

    def _identify(self) -> Conversation[str]:
        """Ask for the standard's identification; a meter without it is known by its registers."""
        address = self._options.address
        try:
            _, reply, _ = yield from self._ask(
                frames.encode_identify(address),
                lambda data: frames.find_identity(data, address),
                lambda data: frames.why_not(data, address, frames.IDENTIFY_FUNCTION, None),
                "",
            )
        except PortLost:
            raise
        except DriverError:
            yield from self._read(self._requests[0])
            return f"Modbus address {address}: does not say who it is, its registers answer"
        return f"Modbus address {address}: {frames.identity_text(reply)}"

    def _ask(
        self,
        request: bytes,
        find: Callable[[bytes], Found | None],
        why_not: Callable[[bytes], str],
        advice: str,
    ) -> Conversation[tuple[bytes, ModbusPDU, float]]:
        """Send one request in its turn; return reply frame, reply, and when it had left."""
        return (
            yield from self._bus.turn(self._talk, self._exchange(request, find, why_not, advice))
        )

    def _exchange(
        self,
        request: bytes,
        find: Callable[[bytes], Found | None],
        why_not: Callable[[bytes], str],
        advice: str,
    ) -> Conversation[tuple[bytes, ModbusPDU, float]]:
        self.unasked = yield from wait(self._clock, self._line, self._active_s + self._silence_s)
        found, heard, sent_s = yield from self._collect(
            request,
            find,
            within_s=self._options.reply_within_s,
            lump_s=LUMP_S,
            longest=LONGEST_FRAME,
        )
        if found:
            frame, reply = found
            if reply.isError():
                raise self._refused(request, frame, reply, advice)
            return frame, reply, sent_s
        if not heard:
            raise NoReply(
                self._device,
                f"no reply to {describe_bytes(request)} in {self._options.reply_within_s:g} s.",
                remedy="Check the meter's supply, its address and baud rate, then whether the two "
                "bus wires are swapped.",
                request=request,
            )
        raise GarbledReply(
            self._device,
            f"garbled reply: {why_not(heard)}. Received {describe_bytes(heard)}.",
            remedy="Check baud rate and parity; then termination; an address may be used twice.",
            request=request,
            reply=heard,
        )

    def _refused(self, request: bytes, frame: bytes, reply: ModbusPDU, advice: str) -> DeviceFault:
        code = reply.exception_code
        return DeviceFault(
            self._device,
            f"refused with exception {code} ({frames.EXCEPTIONS.get(code, 'not standard')}).",
            remedy=advice,
            request=request,
            reply=frame,
        )
