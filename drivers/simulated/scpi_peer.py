"""A power analyser that speaks SCPI, at the byte level, with IEEE 488.2's status and errors.

It understands the long and the short form of each header, whatever the case, several units in
one message, and headers that count from where the one before stood. What it does not
understand it enters in its error queue and leaves unanswered, as instruments do.

Error numbers and texts, status bits and the rules of headers are those of IEEE 488.2-1992 and
SCPI-99, from memory.
"""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable, Iterator, Mapping

from attrs import frozen

from drivers.simulated.peer import Fault, FaultScript, Outbox
from drivers.simulated.scpi_meter import FORMS, TERMINATORS, ScpiMeter, ScpiQuery

#: Kinds of fault that only this protocol has.
OWN_KINDS = frozenset({"value", "stuck", "error"})
LONGEST_MESSAGE = 1024
ERRORS = {
    0: "No error",
    -109: "Missing parameter",
    -113: "Undefined header",
    -222: "Data out of range",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}
# Bits of the standard event status register, by the hundreds of the error number.
_EVENT_BITS = {1: 32, 2: 16, 3: 8, 4: 4}
_OPERATION_COMPLETE = 1
_POWER_ON = 128
# Bits of the status byte: errors are queued, an enabled event has happened.
_ERRORS_QUEUED = 4
_EVENT_SUMMARY = 32


@frozen
class _Message:
    """One message on its way through the instrument, done at `ready_s`."""

    units: tuple[str, ...]
    ready_s: float


class ScpiPeer:
    """The analyser's end of the line.

    Parameters
    ----------
    meter : ScpiMeter
    measure : callable
        ``measure(start_s, end_s)`` returns the mean of each electrical quantity in that
        window, by its name in the glossary.
    """

    def __init__(
        self, meter: ScpiMeter, measure: Callable[[float, float], Mapping[str, float]]
    ) -> None:
        self._meter = meter
        self._measure = measure
        self._end = TERMINATORS[meter.terminator]
        self._script = FaultScript(meter.faults, OWN_KINDS)
        self._outbox = Outbox()
        self._heard = b""
        self._waiting: deque[_Message] = deque()
        self._errors: deque[int] = deque()
        self._events = _POWER_ON
        self._enabled = {"*ESE": 0, "*SRE": 0}
        self._last_values: Mapping[str, float] = {}
        self._queries = [(_header_pattern(known.query), known) for known in meter.queries]
        self._next_error = _header_pattern("SYSTem:ERRor[:NEXT]?")

    @property
    def exchanges(self) -> int:
        """How many messages have been answered, or would have been but for a fault."""
        return self._script.exchange

    @property
    def queued_errors(self) -> tuple[int, ...]:
        """Numbers in the error queue, the oldest first."""
        return tuple(self._errors)

    def opened(self, at_s: float) -> None:
        """Drop half a message: whoever sent it has gone. [s]"""
        self._heard = b""

    def line_break(self, start_s: float, end_s: float) -> None:
        """A break clears the interface: what is half heard or half done is dropped. [s]"""
        self._heard = b""
        self._waiting.clear()
        self._outbox.clear()

    def receive(self, data: bytes, at_s: float) -> None:
        """Hear bytes, the last of which ended at `at_s`. [s]"""
        if self._meter.echoes:
            self._outbox.put(at_s, data)
        self._heard += data
        *messages, self._heard = self._heard.split(self._end[-1:])
        for message in messages:
            self._accept(message, at_s)
        if len(self._heard) > LONGEST_MESSAGE:
            self._heard = b""
            self._queue_error(-363)

    def next_s(self) -> float:
        """Return when the next reply leaves, or the next message is done. [s]"""
        working_s = self._waiting[0].ready_s if self._waiting else math.inf
        return min(working_s, self._outbox.next_s())

    def take(self, at_s: float) -> bytes:
        """Do what is due; return the reply whose turn has come, if any. [s]"""
        while self._waiting and self._waiting[0].ready_s <= at_s:
            self._obey(self._waiting.popleft())
        return self._outbox.take(at_s)

    def _accept(self, message: bytes, at_s: float) -> None:
        text = message.decode("ascii", "replace").strip()
        if not text:
            return
        units = tuple(_absolute_headers(text))
        begun_s = max(at_s, self._waiting[-1].ready_s if self._waiting else at_s)
        measuring_s = sum(
            self._meter.averaging_s for unit in units if self._known(unit) and _measures(unit)
        )
        self._waiting.append(_Message(units, begun_s + self._meter.reply_delay_s + measuring_s))

    def _obey(self, message: _Message) -> None:
        asks = any(unit.endswith("?") for unit in message.units)
        fault = self._script.begin() if asks else None
        if fault and fault.kind == "error":
            self._queue_error(fault.code)
        replies = [
            reply
            for unit in message.units
            if (reply := self._reply(unit, message.ready_s, fault)) is not None
        ]
        if replies:
            whole = ";".join(replies).encode("ascii") + self._end
            leaves_s, sent = self._script.damaged(fault, whole, message.ready_s)
            self._outbox.put(leaves_s, sent)

    def _reply(self, unit: str, at_s: float, fault: Fault | None) -> str | None:
        """Carry out one unit; return its answer, None where it has none."""
        header, _, parameter = unit.partition(" ")
        if header.startswith("*"):
            return self._common(header.upper(), parameter.strip())
        if self._next_error.fullmatch(header):
            number = self._errors.popleft() if self._errors else 0
            return f'{number},"{ERRORS.get(number, "Device-specific error")}"'
        known = self._known(header)
        if known is None:
            self._queue_error(-113)
            return None
        values = self._values(at_s, _measures(header), fault)
        return ",".join(self._written(values[name]) for name in known.quantities)

    def _common(self, header: str, parameter: str) -> str | None:
        meter = self._meter
        if header == "*CLS":
            self._errors.clear()
            self._events = 0
        elif header == "*OPC":
            self._events |= _OPERATION_COMPLETE
        elif header in ("*RST", "*WAI"):
            pass
        elif header in self._enabled:
            if parameter.isdigit() and int(parameter) <= 255:
                self._enabled[header] = int(parameter)
            else:
                self._queue_error(-222 if parameter else -109)
        elif header == "*IDN?":
            return f"{meter.maker},{meter.model},{meter.serial},{meter.firmware}"
        elif header == "*ESR?":
            events, self._events = self._events, 0
            return str(events)
        elif header == "*STB?":
            happened = self._events & self._enabled["*ESE"]
            return str(_ERRORS_QUEUED * bool(self._errors) | _EVENT_SUMMARY * bool(happened))
        elif header == "*OPC?":
            return "1"
        elif header == "*TST?":
            return "0"
        elif header.removesuffix("?") in self._enabled:
            return str(self._enabled[header.removesuffix("?")])
        else:
            self._queue_error(-113)
        return None

    def _known(self, unit: str) -> ScpiQuery | None:
        return next((known for form, known in self._queries if form.fullmatch(unit)), None)

    def _values(self, at_s: float, measures: bool, fault: Fault | None) -> Mapping[str, float]:
        """Return the mean over the measurement just done, or over the latest."""
        meter = self._meter
        if fault and fault.kind == "stuck" and self._last_values:
            return self._last_values
        end_s = at_s if measures else math.floor(at_s / meter.refresh_s) * meter.refresh_s
        values = dict(self._measure(max(0.0, end_s - meter.averaging_s), end_s))
        self._last_values = values
        if fault and fault.kind == "value":
            return dict.fromkeys(values, fault.value)
        return values

    def _written(self, value: float) -> str:
        if math.isnan(value):
            return "9.91E+37"
        if math.isinf(value):
            return "9.9E+37" if value > 0 else "-9.9E+37"
        return FORMS[self._meter.number_form].format(value, digits=self._meter.digits)

    def _queue_error(self, number: int) -> None:
        # Numbers above 0 are the maker's own and count as device-dependent.
        self._events |= _EVENT_BITS.get(-number // 100 if number < 0 else 3, 0)
        if len(self._errors) < self._meter.errors_kept:
            self._errors.append(number)
        else:
            self._errors[-1] = -350


def _absolute_headers(message: str) -> Iterator[str]:
    """Return the units of a message, each counted from the root.

    After a ``;`` a header counts from where the one before it stood, unless it begins with
    ``:``; common commands, with ``*``, leave that place as it was.
    """
    path = ""
    for unit in message.split(";"):
        unit = unit.strip()
        if unit.startswith("*"):
            yield unit
            continue
        unit = unit[1:] if unit.startswith(":") else path + unit
        header = unit.partition(" ")[0]
        path = header[: header.rfind(":") + 1]
        yield unit


def _header_pattern(notation: str) -> re.Pattern[str]:
    """Return what matches a header in its long and short form, optional nodes left out or not."""
    pattern = ""
    for optional, long in re.findall(r"(\[?):?([A-Za-z]+)", notation):
        short = "".join(letter for letter in long if letter.isupper())
        node = f"(?:{short}|{long.upper()})"
        colon = ":" if pattern else ""
        pattern += f"(?:{colon}{node})?" if optional else f"{colon}{node}"
    return re.compile(pattern + re.escape("?"), re.IGNORECASE)


def _measures(header: str) -> bool:
    """Say whether a query begins a measurement rather than fetch the latest."""
    return re.match(r"(?:MEAS(?:URE)?|READ)\b", header, re.IGNORECASE) is not None
