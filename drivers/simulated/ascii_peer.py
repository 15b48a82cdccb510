"""A light sensor that prints a number as a line of text, at the byte level."""

from __future__ import annotations

import math
from collections.abc import Callable

from drivers.simulated.ascii_printer import AsciiPrinter
from drivers.simulated.peer import Fault, FaultScript, Outbox

#: Kinds of fault that only this instrument has.
OWN_KINDS = frozenset({"value", "stuck", "no-value"})
_LONGEST_REQUEST = 64


class AsciiPeer:
    """The sensor's end of the line.

    Parameters
    ----------
    printer : AsciiPrinter
    measure : callable
        ``measure(start_s, end_s)`` returns the mean PPFD of that window as this sensor gives
        it. [µmol m⁻² s⁻¹]
    """

    def __init__(self, printer: AsciiPrinter, measure: Callable[[float, float], float]) -> None:
        self._printer = printer
        self._measure = measure
        self._script = FaultScript(printer.faults, OWN_KINDS)
        self._outbox = Outbox()
        self._heard = b""
        self._requests = {
            printer.request.encode("latin-1"): self._value_line,
            printer.identity_request.encode("latin-1"): lambda at_s, fault: printer.identity,
        }
        self._prints_s = math.inf
        self._last_value = 0.0

    @property
    def exchanges(self) -> int:
        """How many lines it has printed, or would have but for a fault."""
        return self._script.exchange

    def opened(self, at_s: float) -> None:
        """Begin to print, where it does so of its own accord. [s]"""
        self._heard = b""
        if self._printer.free_running and self._prints_s == math.inf:
            self._prints_s = at_s + self._printer.interval_s

    def line_break(self, start_s: float, end_s: float) -> None:
        """Take no note of a break. [s]"""

    def receive(self, data: bytes, at_s: float) -> None:
        """Hear bytes, the last of which ended at `at_s`. [s]"""
        for byte in data:
            self._heard = (self._heard + bytes([byte]))[-_LONGEST_REQUEST:]
            for request, text in self._requests.items():
                if self._heard.endswith(request):
                    self._heard = b""
                    self._print(text, at_s + self._printer.reply_delay_s)
                    break

    def next_s(self) -> float:
        """Return when the next line leaves. [s]"""
        return min(self._prints_s, self._outbox.next_s())

    def take(self, at_s: float) -> bytes:
        """Return the lines whose turn has come. [s]"""
        while self._prints_s <= at_s:
            self._print(self._value_line, self._prints_s)
            self._prints_s += self._printer.interval_s
        return self._outbox.take(at_s)

    def _print(self, text: Callable[[float, Fault | None], str], at_s: float) -> None:
        fault = self._script.begin()
        line = (text(at_s, fault) + self._printer.line_end).encode("latin-1")
        self._outbox.put(*self._script.damaged(fault, line, at_s))

    def _value_line(self, at_s: float, fault: Fault | None) -> str:
        printer = self._printer
        kind = fault.kind if fault else ""
        value = self._measure(max(0.0, at_s - printer.averaging_s), at_s)
        if kind == "no-value" or not math.isfinite(value):
            return printer.no_value
        if fault and kind == "value":
            value = fault.value
        elif kind == "stuck":
            value = self._last_value
        else:
            self._last_value = value
        number = f"{value:.{printer.decimals}f}"
        if printer.decimal_comma:
            number = number.replace(".", ",")
        return printer.before + number + printer.after
