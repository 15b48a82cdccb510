"""The quantum sensor on SDI-12: one measurement is aM!, perhaps a wait, and aD0!.

::

    break ≥ 12 ms   marking ≥ 8.33 ms   0M!        00011<CR><LF>      0<CR><LF>   0D0!  …
    |‾‾‾‾‾‾‾‾‾‾‾‾‾|__________________| command | reply, 15 ms later | ready    |

Tested with: the virtual bench only. The standard's answer to a lost or garbled reply is to ask
again at least three times after one break, and again after another; those retries are made
here and counted.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Generic, TypeVar

from attrs import frozen

from drivers.clock import Clock
from drivers.conversing import RequestReplyInstrument
from drivers.errors import DeviceFault, DriverError, GarbledReply, NoReply, describe_bytes
from drivers.line import Line
from drivers.reading import Reading
from drivers.sdi12 import codec
from drivers.sdi12.options import QuantumSensorOptions
from drivers.talk import Conversation, wait

Decoded = TypeVar("Decoded")

BREAKS = 2
TRIES_PER_BREAK = 3
# A reply that has begun goes on without a pause of more than 1.66 ms on the bus; adapters hand
# characters over in lumps, at most so far apart. [s]
LUMP_S = 0.1
# Held a little longer than the standard's least, so that no rounding makes them short. [s]
HELD_BREAK_S = codec.BREAK_S + 0.0003
HELD_MARKING_S = codec.MARKING_S + 0.0001
# Silence after which the sensor may be asleep; a little less than the standard's most. [s]
AWAKE_S = codec.IDLE_NEEDS_BREAK_S - 0.005


@frozen
class _Answer(Generic[Decoded]):
    value: Decoded
    raw: bytes
    arrived_s: float


class QuantumSensor(RequestReplyInstrument):
    """Photosynthetic photon flux density over SDI-12.

    Parameters
    ----------
    options : QuantumSensorOptions
        From the rig profile.
    line : Line
        The bus, or the adapter to it.
    clock : Clock
        Deadlines and time stamps.
    device : str
        What messages call the sensor, e.g. ``"light sensor"``.
    """

    def __init__(
        self, options: QuantumSensorOptions, line: Line, clock: Clock, device: str
    ) -> None:
        super().__init__(line, clock, f"{device}, {line.name} address {options.address}")
        self._options = options
        self._address = options.address

    def start(self) -> float:
        """Begin one measurement; return the elapsed time before which it cannot be ready. [s]"""
        self._talk.begin(self._measure())
        characters = len("0M!00011\r\n0D0!0+1\r\n")
        return self._clock.elapsed_s() + characters * self._line.seconds_per_byte

    def poll(self) -> tuple[Reading, ...] | None:
        """Return the reading, or None before it is there.

        Raises
        ------
        NoReply, GarbledReply
            After the retries that the standard prescribes.
        DeviceFault
            The sensor has no value to give, or fewer than the profile says.
        PortLost, WriteStalled
            The line failed.
        """
        readings: tuple[Reading, ...] | None = self._advance()
        return readings

    def _measure(self) -> Conversation[tuple[Reading, ...]]:
        options = self._options
        request = codec.start_measurement(self._address, options.measurement, crc=options.crc)
        timing = yield from self._ask(request, lambda r: codec.decode_timing(r, self._address))
        if timing.value.values < options.value_number:
            raise DeviceFault(
                self._device,
                f"announces {timing.value.values} values; value {options.value_number} is wanted.",
                remedy="Correct 'value_number' or 'measurement' in the rig profile.",
                request=request,
                reply=timing.raw,
            )
        ready_s = timing.arrived_s
        if timing.value.ready_within_s:
            ready_s = yield from self._await_service_request(ready_s + timing.value.ready_within_s)
        answer, index = yield from self._fetch()
        value = answer.value[index]
        window_end_s = ready_s - options.lag_s
        return (
            Reading(
                quantity="ppfd_umol_m2_s",
                value=math.nan if value in options.no_value_codes else value * options.scale,
                window_start_s=window_end_s - options.averaging_s,
                window_end_s=window_end_s,
                raw=answer.raw,
            ),
        )

    def _await_service_request(self, ready_s: float) -> Conversation[float]:
        """Wait until the sensor calls, or its time is up; return when its values were ready."""
        heard = b""
        while (now_s := self._clock.elapsed_s()) < ready_s:
            if data := self._line.read():
                heard += data
                self._active_s = now_s
                for line in codec.split_lines(heard):
                    try:
                        codec.decode_service_request(line, self._address)
                    except codec.CodecError:
                        continue
                    return now_s - len(line) * self._line.seconds_per_byte
            yield ready_s
        self.unasked = heard
        return ready_s

    def _fetch(self) -> Conversation[tuple[_Answer[tuple[float, ...]], int]]:
        """Ask for page after page of values; return the page with the one wanted, and where."""
        seen = 0
        for page in range(10):
            request = codec.send_values(self._address, page)
            answer = yield from self._ask(
                request,
                lambda r: codec.decode_values(r, self._address, crc=self._options.crc),
            )
            if not answer.value:
                raise DeviceFault(
                    self._device,
                    f"has {seen} values to give; value {self._options.value_number} is wanted. "
                    "It gave up the measurement.",
                    remedy="Measure again; check the supply if it happens often.",
                    request=request,
                    reply=answer.raw,
                )
            if (index := self._options.value_number - 1 - seen) < len(answer.value):
                return answer, index
            seen += len(answer.value)
        raise DeviceFault(
            self._device,
            f"gave {seen} values on 10 pages; value {self._options.value_number} is wanted.",
            remedy="Correct 'value_number' in the rig profile.",
        )

    def _identify(self) -> Conversation[str]:
        answer = yield from self._ask(
            codec.identify(self._address), lambda r: codec.decode_identity(r, self._address)
        )
        return str(answer.value)

    def _ask(
        self, request: bytes, decode: Callable[[bytes], Decoded]
    ) -> Conversation[_Answer[Decoded]]:
        """Send a request until a valid reply comes, as often as the standard prescribes."""
        failure: DriverError | None = None
        for attempt in range(BREAKS * TRIES_PER_BREAK):
            self.retries += attempt > 0
            yield from self._wake(after_failures=attempt)
            try:
                return (yield from self._try(request, decode))
            except (NoReply, GarbledReply) as error:
                # Bytes that came tell more than the silence of another try.
                if failure is None or isinstance(error, GarbledReply):
                    failure = error
        assert failure is not None
        raise failure

    def _wake(self, after_failures: int) -> Conversation[None]:
        """Drain the line, and bring the sensor to listen: by a break if it may be asleep."""
        now_s = self._clock.elapsed_s()
        self.unasked = self._line.read()
        asleep = now_s - self._active_s > AWAKE_S
        if self._options.send_break and (asleep or after_failures == TRIES_PER_BREAK):
            self._line.set_break(True)
            try:
                self.unasked += yield from wait(
                    self._clock, self._line, self._clock.elapsed_s() + HELD_BREAK_S
                )
            finally:
                self._line.set_break(False)
            marking_from_s = self._clock.elapsed_s()
        else:
            marking_from_s = self._active_s
        pause_s = codec.RETRY_AFTER_S if after_failures else HELD_MARKING_S
        self.unasked += yield from wait(self._clock, self._line, marking_from_s + pause_s)

    def _try(
        self, request: bytes, decode: Callable[[bytes], Decoded]
    ) -> Conversation[_Answer[Decoded]]:
        """Send a request once."""
        problem = "cut short: no carriage return and line feed at its end"

        def find(heard: bytes) -> _Answer[Decoded] | None:
            nonlocal problem
            for line in codec.split_lines(heard):
                try:
                    return _Answer(decode(line), line, self._clock.elapsed_s())
                except codec.CodecError as error:
                    problem = str(error)
            return None

        answer, reply, _ = yield from self._collect(
            request,
            find,
            within_s=self._options.reply_within_s,
            lump_s=LUMP_S,
            longest=codec.LONGEST_REPLY,
        )
        if answer:
            return answer
        text = request.decode("ascii")
        tries = BREAKS * TRIES_PER_BREAK
        if not reply:
            raise NoReply(
                self._device,
                f"no reply to '{text}' in {self._options.reply_within_s:g} s ({tries} tries).",
                remedy="Check the supply of the sensor, then the data wire, then its address.",
                request=request,
            )
        high = any(byte > 0x7F for byte in reply)
        raise GarbledReply(
            self._device,
            f"garbled reply to '{text}' ({tries} tries): {problem}. "
            f"Received {describe_bytes(reply)}.",
            remedy="Characters beyond ASCII: check 'baud' and 'character_format' in the profile."
            if high
            else "Check the data wire and ground; a second sensor may have the same address.",
            request=request,
            reply=reply,
        )
