"""How one talks on SDI-12: waking, asking, asking again, measuring.

::

    break ≥ 12 ms   marking ≥ 8.33 ms   0M!        00011<CR><LF>      0<CR><LF>   0D0!  …
    |‾‾‾‾‾‾‾‾‾‾‾‾‾|__________________| command | reply, 15 ms later | ready    |

The standard's answer to a lost or garbled reply is to ask again at least three times after one
break, and again after another; those retries are made here and counted.

A bus belongs to a sensor during a plain measurement: the standard lets nobody else be spoken to
until its values are fetched. A concurrent measurement holds the bus only while somebody speaks.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Generic, TypeVar

from attrs import frozen

from drivers.bus import Bus
from drivers.clock import Clock
from drivers.conversing import RequestReplyInstrument
from drivers.errors import DeviceFault, DriverError, GarbledReply, NoReply, describe_bytes
from drivers.line import Line
from drivers.sdi12 import codec
from drivers.sdi12.options import Sdi12Options
from drivers.talk import Conversation, wait

Decoded = TypeVar("Decoded")
Result = TypeVar("Result")
Values = tuple[float, ...]

BREAKS = 2
TRIES_PER_BREAK = 3
TRIES = BREAKS * TRIES_PER_BREAK
PAGES = 10
# Silence after which the sensor may be asleep; a little less than the standard's most. [s]
AWAKE_S = codec.IDLE_NEEDS_BREAK_S - 0.005
_CHECK_WIRES = "Check the data wire and ground; a second sensor may have the same address."
_CHECK_FORMAT = "Characters beyond ASCII: check 'baud' and 'character_format' in the profile."


@frozen
class Answer(Generic[Decoded]):
    """A valid reply.

    Attributes
    ----------
    value : object
        What it says.
    raw : bytes
        The line as it came.
    sent_s, arrived_s : float
        When the last bit of the command had left, and when the reply was there. [s]
    """

    value: Decoded
    raw: bytes
    sent_s: float
    arrived_s: float


@frozen
class Measured:
    """Outcome of a measurement: the page of values with the one wanted, and when.

    Attributes
    ----------
    page : Answer
    index : int
        Where on the page the wanted value stands.
    ready_s : float
        When the values were ready. [s]
    values : tuple of float
        All values up to the end of that page.
    """

    page: Answer[Values]
    index: int
    ready_s: float
    values: Values


class Sdi12Instrument(RequestReplyInstrument):
    """Whoever converses over SDI-12.

    Parameters
    ----------
    options : Sdi12Options
    line : Line or Bus
        The bus, or the adapter to it.
    clock : Clock
    device : str
        Who, as messages name it.
    """

    def __init__(self, options: Sdi12Options, line: Line | Bus, clock: Clock, device: str) -> None:
        super().__init__(line, clock, device)
        self._timing = options
        self._others_spoke = True  # since this sensor was last addressed
        # A reply given up on may still come: from which address, and until when.
        self._late_address = b""
        self._late_until_s = -math.inf

    # -- measuring --------------------------------------------------------------------------

    def _measure_plain(
        self, address: str, request: bytes, value_number: int, *, crc: bool
    ) -> Conversation[Measured]:
        """Carry out aM!, the bus being this sensor's from beginning to end."""
        return self._alone(self._start_and_fetch(address, request, value_number, crc=crc))

    def _start_and_fetch(
        self, address: str, request: bytes, value_number: int, *, crc: bool
    ) -> Conversation[Measured]:
        announced, ready_s = yield from self._start_and_wait(address, request, value_number)
        return (yield from self._fetch(address, value_number, announced, ready_s, crc=crc))

    def _verify(self, address: str) -> Conversation[Values]:
        """Carry out aV!, the bus being this sensor's; return all its values, perhaps none."""
        return self._alone(self._start_and_fetch_all(address, codec.start_verification(address)))

    def _start_and_fetch_all(self, address: str, request: bytes) -> Conversation[Values]:
        announced, ready_s = yield from self._start_and_wait(address, request, 0)
        if not announced:
            return ()
        measured = yield from self._fetch(address, announced, announced, ready_s, crc=False)
        return measured.values

    def _start_and_wait(
        self, address: str, request: bytes, value_number: int
    ) -> Conversation[tuple[int, float]]:
        """Begin a measurement and wait for it; return how many values, and when. [s]"""
        timing = yield from self._start(address, request, value_number, concurrent=False)
        ready_s = timing.arrived_s
        if timing.value.ready_within_s:
            ready_s = yield from self._await_service_request(
                address, ready_s + timing.value.ready_within_s
            )
        return timing.value.values, ready_s

    def _measure_concurrently(
        self, address: str, request: bytes, value_number: int, *, crc: bool
    ) -> Conversation[Measured]:
        """Carry out aC!; between start and fetch the bus is free for others."""
        timing = yield from self._alone(
            self._start(address, request, value_number, concurrent=True)
        )
        ready_s = timing.arrived_s + timing.value.ready_within_s
        if timing.value.ready_within_s:
            yield from self._bus.rest(ready_s + self._timing.fetch_after_s)
        return (
            yield from self._alone(
                self._fetch(address, value_number, timing.value.values, ready_s, crc=crc)
            )
        )

    def _read_continuous(
        self, address: str, request: bytes, value_number: int, *, crc: bool
    ) -> Conversation[Measured]:
        """Carry out aR0!: the sensor gives its newest values at once."""
        answer = yield from self._alone(
            self._ask(request, lambda r: codec.decode_values(r, address, crc=crc))
        )
        if len(answer.value) < value_number:
            raise DeviceFault(
                self._device,
                f"gives {len(answer.value)} values to '{request.decode('ascii')}'; value "
                f"{value_number} is wanted.",
                remedy="Set 'command' to \"M\" if it does not measure continuously, or correct "
                "'value_number' in the rig profile.",
                request=request,
                reply=answer.raw,
            )
        return Measured(answer, value_number - 1, answer.sent_s, answer.value)

    def _start(
        self, address: str, request: bytes, value_number: int, *, concurrent: bool
    ) -> Conversation[Answer[codec.Timing]]:
        """Begin a measurement that gives at least so many values."""

        def decode(reply: bytes) -> codec.Timing:
            timing = codec.decode_timing(reply, address, concurrent=concurrent)
            if timing.ready_within_s > self._timing.longest_wait_s:
                raise codec.CodecError(
                    f"announces {timing.ready_within_s} s, more than 'longest_wait_s' allows "
                    f"({self._timing.longest_wait_s:g} s)"
                )
            return timing

        timing = yield from self._ask(request, decode)
        if timing.value.values < value_number:
            raise DeviceFault(
                self._device,
                f"announces {timing.value.values} values; value {value_number} is wanted.",
                remedy="Correct 'value_number' or 'measurement' in the rig profile.",
                request=request,
                reply=timing.raw,
            )
        return timing

    def _await_service_request(self, address: str, ready_s: float) -> Conversation[float]:
        """Wait until the sensor calls, or its time is up; return when its values were ready."""
        heard = b""
        until_s = ready_s + self._timing.fetch_after_s
        while (now_s := self._clock.elapsed_s()) < until_s:
            if data := self._line.read():
                heard += data
                self._active_s = now_s
                for line in codec.split_lines(heard):
                    try:
                        codec.decode_service_request(line, address)
                    except codec.CodecError:
                        continue
                    return now_s - len(line) * self._line.seconds_per_byte
            yield until_s
        self.unasked = heard
        return ready_s

    def _fetch(
        self, address: str, value_number: int, announced: int, ready_s: float, *, crc: bool
    ) -> Conversation[Measured]:
        """Ask for page after page of values until the one wanted is there."""
        values: Values = ()
        for page in range(PAGES):
            request = codec.send_values(address, page)
            decode = partial(
                codec.decode_values, address=address, crc=crc, at_most=announced - len(values)
            )
            # A service request that comes late looks like a reply without values.
            answer = yield from self._ask(request, decode, is_doubtful=lambda found: not found)
            if not answer.value:
                raise DeviceFault(
                    self._device,
                    f"has {len(values)} values to give; value {value_number} is wanted. "
                    "It gave up the measurement.",
                    remedy="Measure again; check the supply if it happens often.",
                    request=request,
                    reply=answer.raw,
                )
            index = value_number - 1 - len(values)
            values += answer.value
            if len(values) >= value_number:
                return Measured(answer, index, ready_s, values)
        raise DeviceFault(
            self._device,
            f"gave {len(values)} values on {PAGES} pages; value {value_number} is wanted.",
            remedy="Correct 'value_number' in the rig profile.",
        )

    # -- asking -----------------------------------------------------------------------------

    def _alone(self, exchange: Conversation[Result]) -> Conversation[Result]:
        """Carry out an exchange while nobody else uses the bus."""
        if self._bus.is_held_by(self._talk):
            return exchange
        return self._bus.turn(self._talk, self._opening(exchange))

    def _opening(self, exchange: Conversation[Result]) -> Conversation[Result]:
        # A sensor goes to sleep when it hears another one's address.
        self._others_spoke |= not self._bus.was_last(self._talk)
        return (yield from exchange)

    def _ask(
        self,
        request: bytes,
        decode: Callable[[bytes], Decoded],
        *,
        is_doubtful: Callable[[Decoded], bool] = lambda decoded: False,
        tries: int = TRIES,
        remedy: str = _CHECK_WIRES,
    ) -> Conversation[Answer[Decoded]]:
        """Send a request until a valid reply comes, as often as the standard prescribes.

        Parameters
        ----------
        is_doubtful : callable
            Says of a valid reply that it is to be taken only if no other one follows it.
        remedy : str
            What to do about a garbled reply.
        """
        failure: DriverError | None = None
        first_s = math.inf
        for attempt in range(tries):
            self.retries += attempt > 0
            yield from self._wake(request[:1], after_failures=attempt)
            first_s = min(first_s, self._clock.elapsed_s())
            try:
                answer = yield from self._try(request, decode, is_doubtful, tries, remedy)
            except (NoReply, GarbledReply) as error:
                self._expect_late_reply(request, self._timing.reply_within_s)
                # Bytes that came tell more than the silence of another try.
                if failure is None or isinstance(error, GarbledReply):
                    failure = error
                continue
            if attempt:
                # It may be the answer to an earlier try: that to the last one is as late then.
                late_s = answer.sent_s + answer.arrived_s - first_s - self._clock.elapsed_s()
                self._expect_late_reply(request, late_s + self._timing.pause_within_s)
            return answer
        assert failure is not None
        raise failure

    def _expect_late_reply(self, request: bytes, within_s: float) -> None:
        """Take note that another reply from this address may still come. [s]"""
        self._late_address = request[:1]
        self._late_until_s = self._clock.elapsed_s() + within_s

    def _wake(self, address: bytes, *, after_failures: int) -> Conversation[None]:
        """Drain the line, and bring the sensor to listen: by a break if it may be asleep."""
        self.unasked = self._line.read()
        if not after_failures and address == self._late_address:
            # Replies carry no number: a late one would be taken for that to the next request.
            self.unasked += yield from wait(self._clock, self._line, self._late_until_s)
        asleep = self._others_spoke or self._clock.elapsed_s() - self._active_s > AWAKE_S
        another = after_failures > 0 and after_failures % TRIES_PER_BREAK == 0
        if self._timing.send_break and (asleep or another):
            self._line.set_break(True)
            try:
                self.unasked += yield from wait(
                    self._clock, self._line, self._clock.elapsed_s() + self._timing.break_s
                )
            finally:
                self._line.set_break(False)
            marking_from_s = self._clock.elapsed_s()
        else:
            marking_from_s = self._active_s
        self._others_spoke = False
        pause_s = self._timing.marking_s
        if after_failures:
            pause_s = max(pause_s, codec.RETRY_AFTER_S)
        self.unasked += yield from wait(self._clock, self._line, marking_from_s + pause_s)

    def _try(
        self,
        request: bytes,
        decode: Callable[[bytes], Decoded],
        is_doubtful: Callable[[Decoded], bool],
        tries: int,
        remedy: str,
    ) -> Conversation[Answer[Decoded]]:
        """Send a request once."""
        problem = "cut short: no carriage return and line feed at its end"
        doubtful: tuple[Decoded, bytes, float] | None = None

        def find(heard: bytes) -> tuple[Decoded, bytes, float] | None:
            nonlocal problem, doubtful
            for line in codec.split_lines(heard):
                try:
                    found = (decode(line), line, self._clock.elapsed_s())
                except codec.CodecError as error:
                    problem = str(error)
                    continue
                if not is_doubtful(found[0]):
                    return found
                doubtful = doubtful or found
            return None

        found, reply, sent_s = yield from self._collect(
            request,
            find,
            within_s=self._timing.reply_within_s,
            lump_s=self._timing.pause_within_s,
            longest=codec.LONGEST_REPLY,
        )
        if found := found or doubtful:
            value, line, arrived_s = found
            return Answer(value, line, sent_s, arrived_s)
        text = request.decode("ascii")
        if not reply:
            raise NoReply(
                self._device,
                f"no reply to '{text}' in {self._timing.reply_within_s:g} s ({tries} tries).",
                remedy="Check the supply of the sensor, then the data wire, then its address.",
                request=request,
            )
        high = any(byte > 0x7F for byte in reply)
        raise GarbledReply(
            self._device,
            f"garbled reply to '{text}' ({tries} tries): {problem}. "
            f"Received {describe_bytes(reply)}.",
            remedy=_CHECK_FORMAT if high else remedy,
            request=request,
            reply=reply,
        )
