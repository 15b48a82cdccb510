"""The SCPI power analyser: what it is asked stands in the queries of the profile.

::

    query → value ; error query → 0,"No error" ; query → value ; error query → …

A reply carries no address, no number and no check sum. So no value is taken before a reply of
another form, the error queue's, has followed it, and where an exchange was broken off the
replies still to come are read away up to such a one. A reply that comes late or twice then
stands where its form does not fit, and is never taken for a value. What can still pass, on a
serial line without parity, is a digit that turned into another one, was lost, or changed places
with its neighbour. A ``pattern`` of the number shows a lost one, and two replies that must agree
(``agrees_within``) show all three.

Infinity in place of wall power is a fault: the range is exceeded. In place of another quantity
(a power factor without current) it is missing, as is SCPI's "not a number". The protocol
prescribes no retry, so none is made here.

Tested with: the virtual bench, PyVISA-sim, and a loopback TCP connection only.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.clock import Clock
from drivers.conversing import ConversingInstrument
from drivers.errors import DeviceFault, DriverError, GarbledReply, NoReply, describe_bytes
from drivers.line import Line
from drivers.reading import Reading
from drivers.scpi import codec
from drivers.scpi.codec import InstrumentError, NotAReply
from drivers.scpi.options import TERMINATORS, ScpiPowerMeterOptions
from drivers.scpi.replies import (
    Message,
    PowerOverrange,
    Values,
    disagreement,
    plan_messages,
    values_of,
)
from drivers.talk import Conversation

LONGEST_REPLY = 1024
#: Replies asked for in all until two in a row agree.
MOST_REPLIES = 4
#: More entries than the error queue of an instrument has (common practice, no source).
MOST_ERRORS = 64
#: Replies that were held up come one upon the other; a line so long quiet has no more. [s]
QUIET_S = 0.1
IDENTIFY = "*IDN?"
CLEAR = "*CLS"


class PowerMeter(ConversingInstrument):
    """Wall power, and voltage, current, power factor, frequency where they are asked for.

    Parameters
    ----------
    options : ScpiPowerMeterOptions
        From the rig profile.
    line : Line
        A serial port, a TCP connection, or VISA.
    clock : Clock
        Deadlines and time stamps.
    device : str
        What messages call the instrument, e.g. ``"wattmeter"``.
    """

    def __init__(
        self, options: ScpiPowerMeterOptions, line: Line, clock: Clock, device: str
    ) -> None:
        super().__init__(line, clock, f"{device}, {line.name}")
        self._options = options
        self._terminator = TERMINATORS[options.terminator]
        self._messages = plan_messages(options.queries, joined=options.joined_queries)
        self.serial_number = ""  # as the instrument says it, once it was asked who it is
        self._is_connected = False
        # Whether no reply can be on its way but those to what was asked last.
        self._is_in_step = False

    def start(self) -> float:
        """Begin one reading of all quantities; return when it can be there at the earliest. [s]"""
        self._talk.begin(self._measure())
        asked = sum(len(query) + 1 for message in self._messages for query, _ in message)
        return self._clock.elapsed_s() + asked * self._line.seconds_per_byte

    def poll(self) -> tuple[Reading, ...] | None:
        """Return one reading for each quantity that is asked for, or None before they are there.

        Raises
        ------
        NoReply, GarbledReply
            Nothing came, or nothing valid.
        DeviceFault
            The instrument has an error in its queue, or wall power is out of its range.
        PortLost, WriteStalled
            The line failed.
        """
        readings: tuple[Reading, ...] | None = self._advance()
        return readings

    # -- conversations ---------------------------------------------------------------------

    def _measure(self) -> Conversation[tuple[Reading, ...]]:
        yield from self._fall_in_step()
        readings: list[Reading] = []
        for message in self._messages:
            readings += yield from self._ask_until_agreed(message)
        return tuple(readings)

    def _ask_until_agreed(self, message: Message) -> Conversation[list[Reading]]:
        """Ask once, or until two replies in a row agree where the profile wants that."""
        values, reply, answered_s = yield from self._ask_values(message)
        if any(row.agrees_within is not None for row, _ in values):
            for asked in range(2, MOST_REPLIES + 1):
                before = values
                values, reply, answered_s = yield from self._ask_values(message)
                self.retries += asked > 2
                if (differs := disagreement(before, values)) is None:
                    break
            else:
                raise GarbledReply(
                    self._device,
                    f"no two of {MOST_REPLIES} replies in a row agree: {differs}.",
                    remedy="Check the cable for noise; where the mains or the lamp change so "
                    "fast, allow more in 'agrees_within'.",
                    reply=reply,
                )
        window_end_s = answered_s - self._options.lag_s
        return [
            Reading(
                quantity=row.quantity,
                value=value,
                window_start_s=window_end_s - self._options.averaging_s,
                window_end_s=window_end_s,
                raw=reply,
            )
            for row, value in values
        ]

    def _ask_values(self, message: Message) -> Conversation[tuple[Values, bytes, float]]:
        """Send one message; return values, reply and when the reply began to come. [s]"""
        request = codec.encode([query for query, _ in message], self._terminator)
        reply, answered_s = yield from self._ask(request)
        try:
            values = values_of(message, reply)
        except NotAReply as why:
            raise self._garbled(request, reply, str(why)) from why
        except PowerOverrange as beyond:
            raise DeviceFault(
                self._device,
                f"wall power is out of range: {beyond}.",
                remedy="Set a higher voltage or current range, or automatic ranges.",
                request=request,
                reply=reply,
            ) from beyond
        yield from self._fence(request)
        return values, reply, answered_s

    def _identify(self) -> Conversation[str]:
        yield from self._fall_in_step()
        request = codec.encode([IDENTIFY], self._terminator)
        reply, _ = yield from self._ask(request)
        try:
            identity = codec.decode_identity(reply)
        except NotAReply as why:
            raise self._garbled(request, reply, str(why)) from why
        yield from self._fence(request)
        self.serial_number = identity.serial_number
        expected = (self._options.serial_number or "").strip()
        if expected and identity.serial_number and identity.serial_number != expected:
            raise DeviceFault(
                self._device,
                f"says that its serial number is {identity.serial_number!r}; the rig profile has "
                f"{expected!r}.",
                remedy="Check that the right instrument is on this port, or correct "
                "'serial_number' in the rig profile to what the instrument says.",
                request=request,
                reply=reply,
            )
        return str(identity)

    def _fall_in_step(self) -> Conversation[None]:
        """See to it that the next reply is that to the next query, whatever went on before."""
        self.unasked = self._line.read()
        if self._is_in_step:
            return
        yield from self._let_settle()
        if not self._is_connected and self._options.clear_on_connect:
            self._send(codec.encode([CLEAR], self._terminator))
        request = self._fence_request
        sent_s = self._send(request)
        wrong = b""
        heard = b""
        while True:
            reply, rest, _ = yield from self._message(request, sent_s, heard)
            try:
                oldest = self._read_fence(reply)
                break
            except NotAReply:  # One that was asked for earlier.
                wrong += reply + b"\n"
                heard = rest
                if len(wrong) > LONGEST_REPLY:
                    raise self._garbled(request, wrong, "replies of other forms only") from None
        self.unasked += wrong
        standing = yield from self._drain(oldest)
        was_connected, self._is_connected = self._is_connected, True
        self._is_in_step = True
        if standing and not was_connected and not self._options.clear_on_connect:
            raise self._faulty(request, reply, standing, "had errors standing on connecting")

    def _let_settle(self) -> Conversation[None]:
        """Read away what still comes, until it has stopped coming or goes on for too long."""
        began_s = quiet_since_s = self._clock.elapsed_s()
        while (now_s := self._clock.elapsed_s()) < began_s + self._options.reply_within_s:
            if data := self._line.read():
                self.unasked += data
                quiet_since_s = now_s
            elif now_s >= quiet_since_s + QUIET_S:
                return
            yield quiet_since_s + QUIET_S

    def _send(self, request: bytes) -> float:
        """Send a message, what came unasked being taken off the line; return when it left. [s]"""
        self.unasked += self._line.read()
        return self._line.write(request)

    def _ask(self, request: bytes) -> Conversation[tuple[bytes, float]]:
        """Send one request; return its reply, and when it began to come. [s]"""
        self._is_in_step = False
        sent_s = self._send(request)
        try:
            reply, rest, complete_s = yield from self._message(request, sent_s)
        except NoReply as silent:
            yield from self._explain(silent)
            raise
        if rest.strip(b"\r\n "):
            raise self._garbled(request, reply + b"\n" + rest, "more than one reply")
        began_s = complete_s - (len(reply) + len(self._terminator)) * self._line.seconds_per_byte
        return reply, max(sent_s, began_s)

    def _explain(self, silent: NoReply) -> Conversation[None]:
        """Raise what the instrument has against a query that it did not answer, if it says so."""
        request = self._fence_request
        try:
            reply, _, _ = yield from self._message(request, self._send(request))
            errors = yield from self._drain(self._read_fence(reply))
        except (NoReply, GarbledReply, NotAReply):
            return
        if errors:
            raise self._faulty(silent.request, reply, errors, "refused") from silent

    def _fence(self, about: bytes) -> Conversation[None]:
        """Ask for the oldest error, and so see that the value before was the one asked for."""
        request = self._fence_request
        reply, rest, _ = yield from self._message(request, self._send(request))
        try:
            oldest = self._read_fence(reply)
        except NotAReply as why:
            raise self._garbled(request, reply, str(why)) from why
        if rest.strip(b"\r\n "):
            raise self._garbled(request, reply + b"\n" + rest, "more than one reply")
        errors = yield from self._drain(oldest)
        self._is_in_step = True
        if errors:
            raise self._faulty(about, reply, errors, "reports")

    def _drain(self, oldest: InstrumentError) -> Conversation[list[InstrumentError]]:
        """Return all errors of the queue, the oldest known already; the queue is empty then."""
        errors: list[InstrumentError] = []
        request = self._fence_request
        while oldest.number != 0:
            errors.append(oldest)
            if len(errors) > MOST_ERRORS:
                raise self._faulty(
                    request, b"", errors, f"still reports errors after {MOST_ERRORS}"
                )
            reply, _, _ = yield from self._message(request, self._send(request))
            try:
                oldest = self._read_fence(reply)
            except NotAReply as why:
                raise self._garbled(request, reply, str(why)) from why
        return errors

    def _message(
        self, request: bytes, sent_s: float, heard: bytes = b""
    ) -> Conversation[tuple[bytes, bytes, float]]:
        """Collect one whole message; return it, what follows it, and when it was there. [s]"""
        echo = request.strip(b"\r\n")
        within_s = self._options.reply_within_s
        while True:
            messages, rest = codec.split_messages(heard, self._terminator)
            # What ends with an empty message is the other half of a CR LF.
            messages = [message for message in messages if message not in (b"", echo)]
            if messages:
                after = b"\n".join([*messages[1:], rest])
                return messages[0], after, self._clock.elapsed_s()
            if len(heard) > LONGEST_REPLY:
                raise self._garbled(request, heard, f"no end of it in {LONGEST_REPLY} bytes")
            deadline_s = sent_s + within_s + len(heard) * self._line.seconds_per_byte
            data = self._line.read()
            heard += data
            if not data and self._clock.elapsed_s() >= deadline_s:
                if rest:
                    raise self._garbled(request, heard, f"no end of it in {within_s:g} s")
                raise NoReply(
                    self._device,
                    f"no reply to {describe_bytes(request)} in {within_s:g} s.",
                    remedy="Check that the instrument is on and set to remote control on this "
                    "interface, then baud rate and 'terminator'; for a slow measurement raise "
                    "'reply_within_s'.",
                    request=request,
                    reply=heard,
                )
            if not data:
                yield deadline_s

    # -- what replies mean -----------------------------------------------------------------

    @property
    def _fence_request(self) -> bytes:
        return codec.encode([self._options.error_query or IDENTIFY], self._terminator)

    def _read_fence(self, reply: bytes) -> InstrumentError:
        if self._options.error_query:
            return codec.decode_error(reply)
        codec.decode_identity(reply)
        return InstrumentError(0, "")

    def _garbled(
        self,
        request: bytes,
        reply: bytes,
        why: str,
    ) -> GarbledReply:
        return GarbledReply(
            self._device,
            f"garbled reply to {describe_bytes(request)}: {why}. Received {describe_bytes(reply)}.",
            remedy="Check baud rate, parity and 'terminator', then the cable and its shield.",
            request=request,
            reply=reply,
        )

    def _faulty(
        self, request: bytes, reply: bytes, errors: Sequence[InstrumentError], did: str
    ) -> DriverError:
        shown = "; ".join(str(error) for error in errors[:3])
        more = f" and {len(errors) - 3} more" if len(errors) > 3 else ""
        return DeviceFault(
            self._device,
            f"{did} {shown}{more}. Sent: {describe_bytes(request)}.",
            remedy="Look the error up in the instrument's manual; check the queries in the rig "
            "profile against it.",
            request=request,
            reply=reply,
        )
