"""A quantum sensor on an SDI-12 line, at the byte level.

Plays the sensor's side of SDI-12 version 1.4: wakes on a break, answers its own address only,
measures on ``aM!`` with a service request when it is ready, or on ``aC!`` without one, and
gives its values page by page on ``aD0!`` to ``aD9!``.
It has its own check-sum routine, so that a fault in the driver's cannot hide here.
Timing limits are those of the standard as restated in instrument manuals; which rule was
taken from memory is said beside it.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from attrs import frozen

from drivers.simulated.instruments import Sdi12Sensor
from drivers.simulated.peer import Fault, FaultScript, Outbox

#: One character: start bit, seven data bits, even parity, stop bit, at 1200 baud. [s]
SECONDS_PER_BYTE = 10 / 1200
#: A break shorter than this need not be recognised. [s]
SHORTEST_BREAK_S = 0.012
#: Marking between the break and the first start bit. [s]
MARKING_S = 0.00833
#: Longest pause between two characters of a command. [s]
LONGEST_PAUSE_S = 0.00166
#: A sensor stays awake for this long after a break, or after its own reply. [s]
AWAKE_S = 0.100
#: What one bit can be early or late, so that a limit met exactly is met. [s]
_BIT_S = 1 / 1200

#: Kinds of fault that only this protocol has.
OWN_KINDS = frozenset({"wrong-address", "value", "stuck", "no-value", "no-service-request"})


def check_sum(text: bytes) -> bytes:
    """Return the three characters that SDI-12 appends to a reply it guards.

    References
    ----------
    SDI-12 version 1.4, section 4.4.12: CRC-16 with the reflected polynomial A001 and start
    value 0, sent as three characters of six bits each.
    """
    crc = 0
    for byte in text:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0xA001 if crc & 1 else 0)
    return bytes([0x40 | crc >> 12, 0x40 | (crc >> 6 & 0x3F), 0x40 | (crc & 0x3F)])


def written_value(value: float, decimals: int) -> str:
    """Write a number as SDI-12 has it: a sign, at most seven digits, a point where needed.

    The protocol has no way to write a number that is none: nothing is written for it.
    """
    if not math.isfinite(value):
        return ""
    value = max(-9_999_999.0, min(9_999_999.0, value))
    whole_digits = len(str(int(abs(value))))
    return f"{value:+.{max(0, min(decimals, 7 - whole_digits))}f}"


@frozen
class _Measurement:
    ready_s: float
    is_guarded: bool = False
    is_concurrent: bool = False
    is_verification: bool = False


@frozen
class _Reply:
    """What goes between the address and the check sum."""

    text: str
    is_guarded: bool = False
    ppfd: float | None = None
    others: tuple[float, ...] = ()
    service_request_s: float | None = None


class Sdi12Peer:
    """The sensor's end of the line.

    Parameters
    ----------
    sensor : Sdi12Sensor
    measure : callable
        ``measure(start_s, end_s)`` returns the mean PPFD of that window as this sensor
        gives it. [µmol m⁻² s⁻¹]
    carries_breaks : bool
        Whether the line can show a break. Where it cannot (a pseudo-terminal), the sensor
        listens always; where it can, a command without a break before it is not heard.
    """

    def __init__(
        self,
        sensor: Sdi12Sensor,
        measure: Callable[[float, float], float],
        *,
        carries_breaks: bool = True,
    ) -> None:
        self._sensor = sensor
        self._measure = measure
        self._carries_breaks = carries_breaks
        self._address = sensor.address.encode("ascii")
        self._script = FaultScript(sensor.faults, OWN_KINDS)
        self._outbox = Outbox()
        self._command = b""
        self._last_byte_s = -math.inf
        self._listens_from_s = math.inf if carries_breaks else -math.inf
        self._sleeps_at_s = -math.inf if carries_breaks else math.inf
        self._measurement: _Measurement | None = None
        self._last_value = 0.0

    @property
    def exchanges(self) -> int:
        """How many commands have been answered, or would have been but for a fault."""
        return self._script.exchange

    def opened(self, at_s: float) -> None:
        """Drop half a command: whoever sent it has gone. [s]"""
        self._command = b""

    def line_break(self, start_s: float, end_s: float) -> None:
        """Wake up; an ``aM!`` under way is given up (rule from memory). [s]"""
        if end_s - start_s < SHORTEST_BREAK_S - 1e-9:
            return
        self._command = b""
        self._listens_from_s = end_s + MARKING_S
        self._sleeps_at_s = end_s + MARKING_S + AWAKE_S
        self._interrupt(start_s)

    def receive(self, data: bytes, at_s: float) -> None:
        """Hear bytes, the last of which ended at `at_s`. [s]"""
        for index, byte in enumerate(data):
            ended_s = at_s - (len(data) - 1 - index) * SECONDS_PER_BYTE
            self._hear(byte & 0x7F, ended_s)

    def next_s(self) -> float:
        """Return when the next reply leaves. [s]"""
        return self._outbox.next_s()

    def take(self, at_s: float) -> bytes:
        """Return the reply whose turn has come. [s]"""
        return self._outbox.take(at_s)

    def _hear(self, byte: int, ended_s: float) -> None:
        began_s = ended_s - SECONDS_PER_BYTE
        pause_s = began_s - self._last_byte_s
        self._last_byte_s = ended_s
        if self._carries_breaks:
            if self._command and pause_s > LONGEST_PAUSE_S + _BIT_S:
                self._command = b""
            if not self._command and not (
                self._listens_from_s - _BIT_S <= began_s <= self._sleeps_at_s + _BIT_S
            ):
                return
        self._command += bytes([byte])
        if byte == ord("!"):
            command, self._command = self._command, b""
            self._obey(command, ended_s)
        elif len(self._command) > 16:  # No command is that long: noise, or another protocol.
            self._command = b""

    def _obey(self, command: bytes, at_s: float) -> None:
        address, body = command[:1], command[1:-1].decode("ascii")
        if address != self._address and (address, body) != (b"?", ""):
            self._interrupt(at_s)
            if self._carries_breaks:
                self._sleeps_at_s = at_s  # Another sensor's business: asleep until the next break.
            return
        reply = self._reply(body, at_s)
        if reply is None:  # The standard has a sensor keep silent where it does not understand.
            return
        fault = self._script.begin()
        leaves_s, sent = self._script.damaged(
            fault, self._encode(reply, fault), at_s + self._sensor.reply_delay_s
        )
        self._send(leaves_s, sent)
        is_silent = fault is not None and fault.kind in ("drop", "no-service-request")
        if reply.service_request_s is not None and not is_silent:
            # One character of marking, at least, between the two.
            free_s = leaves_s + (len(sent) + 1) * SECONDS_PER_BYTE
            self._send(max(reply.service_request_s, free_s), self._address + b"\r\n")

    def _send(self, at_s: float, data: bytes) -> None:
        self._outbox.put(at_s, data)
        if self._carries_breaks:
            ends_s = at_s + len(data) * SECONDS_PER_BYTE
            self._sleeps_at_s = max(self._sleeps_at_s, ends_s + AWAKE_S)

    def _reply(self, body: str, at_s: float) -> _Reply | None:
        sensor = self._sensor
        if body == "":
            return _Reply("")
        if body == "V":
            self._abort()
            self._measurement = _Measurement(at_s, is_verification=True)
            return _Reply(f"000{len(sensor.verification)}")
        if body == "I":
            return _Reply(f"14{sensor.vendor:8}{sensor.model:6}{sensor.version:3}{sensor.serial}")
        if len(body) == 2 and body[0] == "A" and body[1].isalnum():
            if not sensor.keeps_address:
                self._address = body[1].encode("ascii")
            return _Reply("")
        if body[0] == "R" and body[1:].removeprefix("C") in tuple("0123456789"):
            return self._newest(body, at_s)
        if body[0] in "MC" and body[1:].removeprefix("C") in ("", *"123456789"):
            return self._begin(body, at_s)
        if len(body) == 2 and body[0] == "D" and body[1].isdigit():
            return self._data(int(body[1]), at_s)
        return None

    def _begin(self, body: str, at_s: float) -> _Reply:
        is_concurrent = body[0] == "C"
        digits = 2 if is_concurrent else 1
        self._abort()
        if body[-1].isdigit():  # An additional measurement: there is none.
            return _Reply(f"000{0:0{digits}d}")
        ready_s = at_s + self._sensor.measuring_s
        self._measurement = _Measurement(ready_s, body[1:] == "C", is_concurrent)
        announced_s = math.ceil(self._sensor.measuring_s)
        count = 1 + len(self._sensor.other_values)
        return _Reply(
            f"{announced_s:03d}{count:0{digits}d}",
            service_request_s=ready_s if announced_s and not is_concurrent else None,
        )

    def _data(self, page: int, at_s: float) -> _Reply:
        measurement = self._measurement
        if measurement is None:
            return _Reply("")
        if at_s < measurement.ready_s:
            if not measurement.is_concurrent:
                self._abort()  # Asked too early: the measurement is given up (from memory).
            return _Reply("", is_guarded=measurement.is_guarded)
        begin, end = page * self._sensor.values_per_page, (page + 1) * self._sensor.values_per_page
        if measurement.is_verification:
            return _Reply("", others=self._sensor.verification[begin:end])
        others = self._sensor.other_values[max(0, begin - 1) : end - 1]
        return _Reply(
            "",
            is_guarded=measurement.is_guarded,
            ppfd=self._mean_until(measurement.ready_s) if page == 0 else None,
            others=others,
        )

    def _newest(self, body: str, at_s: float) -> _Reply:
        """Answer aR0!: the value at hand; there is none where nothing is measured all the time."""
        is_there = self._sensor.measures_continuously and body[-1] == "0"
        return _Reply(
            "",
            is_guarded=body[1] == "C",
            ppfd=self._mean_until(at_s) if is_there else None,
            others=self._sensor.other_values if is_there else (),
        )

    def _mean_until(self, ready_s: float) -> float:
        return self._measure(max(0.0, ready_s - self._sensor.averaging_s), ready_s)

    def _encode(self, reply: _Reply, fault: Fault | None) -> bytes:
        kind = fault.kind if fault else ""
        text, value, address = reply.text, reply.ppfd, self._address
        if value is not None:
            if fault and kind == "value":
                value = fault.value
            elif kind == "no-value":
                value = math.nan
            elif kind == "stuck":
                value = self._last_value
            else:
                self._last_value = value
            text = written_value(value, self._sensor.decimals)
        text += "".join(written_value(other, self._sensor.decimals) for other in reply.others)
        if fault and kind == "wrong-address":
            address = fault.address.encode("ascii")
        body = address + text.encode("ascii")
        return body + (check_sum(body) if reply.is_guarded else b"") + b"\r\n"

    def _interrupt(self, at_s: float) -> None:
        """Give up a plain measurement that is not through; a concurrent one goes on. [s]"""
        measurement = self._measurement
        if measurement and not measurement.is_concurrent and at_s < measurement.ready_s:
            self._abort()

    def _abort(self) -> None:
        self._measurement = None
        self._outbox.clear()
