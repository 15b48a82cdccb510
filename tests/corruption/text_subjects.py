"""Protocols of text in the campaign: SDI-12, plain ASCII, SCPI, and the reports of a stage."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Any

from drivers.scpi.options import QueryOptions
from drivers.sdi12 import codec
from tests.corruption.subject import ALWAYS_SEEN, CRC_16, Answers, Pairs, Subject


class Sdi12(Subject):
    """PPFD; sometimes at once, sometimes after a service request."""

    name = "SDI-12"
    kind = "sdi12-quantum-sensor"
    options: dict[str, Any] = {"address": "0"}  # noqa: RUF012
    replies = 2
    alphabet = b"0123456789+-.\r\n"
    pause_s = 0.2
    longest_s = 90.0  # of it up to 60 s ('longest_wait_s') of a wait that was misheard
    retries = True
    crc = False

    def __init__(self, rng: random.Random) -> None:
        super().__init__(rng)
        self._value = "+0"
        self._waits = False

    def draw(self) -> None:
        self._value = f"{self.rng.uniform(0.0, 1500.0):+.1f}"
        self._waits = self.rng.random() < 0.2

    def answer(self, request: bytes, at_s: float) -> Answers:
        if request.startswith(b"0M"):
            if self._waits:
                return [(0.009, b"00011\r\n"), (0.7, b"0\r\n")]
            return [(0.009, b"00001\r\n")]
        return [(0.009, self._data("0", self._value))]

    def strangers(self, reply: bytes) -> tuple[bytes, ...]:
        other = f"{self.rng.uniform(0.0, 1500.0):+.1f}"
        foreign = (self._data("1", other), b"10001\r\n", b"1\r\n")
        own = b"00001\r\n" if b"+" in reply else self._data("0", other)
        return (*foreign, own)

    def pairs(self, result: Any, at_s: float) -> Pairs:
        return {reading.quantity: (reading.value, float(self._value)) for reading in result}

    def _data(self, address: str, value: str) -> bytes:
        body = (address + value).encode("ascii")
        return body + (codec.check_sum(body) if self.crc else b"") + b"\r\n"


class Sdi12Crc(Sdi12):
    """The same with the check sum of three characters."""

    name = "SDI-12 with CRC"
    options: dict[str, Any] = {"address": "0", "crc": True}  # noqa: RUF012
    collision = CRC_16
    guaranteed = ALWAYS_SEEN
    crc = True


class PlainAscii(Subject):
    """PPFD as a line of text, on request; the pattern is as strict as the sensor allows."""

    name = "plain ASCII"
    # Later than twice the time allowed: nothing in a line says which request it answers.
    unguarded = frozenset({"stale reply"})
    kind = "ascii-line-light-sensor"
    options: dict[str, Any] = {  # noqa: RUF012
        "request": "R\\r",
        "pattern": r"(?P<value>\d{1,4}\.\d)",
        "plausible": (0.0, 2000.0),
    }
    replies = 1
    alphabet = b"0123456789.\r\n"
    longest_s = 30.0

    def __init__(self, rng: random.Random) -> None:
        super().__init__(rng)
        self._value = "0.0"

    def draw(self) -> None:
        self._value = f"{self.rng.uniform(0.0, 1500.0):.1f}"

    def answer(self, request: bytes, at_s: float) -> Answers:
        return [(0.02, self._value.encode("ascii") + b"\r\n")]

    def strangers(self, reply: bytes) -> tuple[bytes, ...]:
        return (b"PPFD-2 v1.03\r\n", b"OK\r\n", b"ERROR 4\r\n")

    def pairs(self, result: Any, at_s: float) -> Pairs:
        return {reading.quantity: (reading.value, float(self._value)) for reading in result}


class PlainAsciiTwice(PlainAscii):
    """The same, a value being taken only if the next one agrees with it."""

    name = "plain ASCII twice"
    unguarded = frozenset()
    options: dict[str, Any] = {**PlainAscii.options, "agrees_within": 0.2}  # noqa: RUF012
    replies = 2
    tolerance = 0.2  # what is asked for


class Scpi(Subject):
    """Wall power and line voltage, each followed by a question for errors."""

    name = "SCPI"
    kind = "scpi-power-meter"
    options: dict[str, Any] = {}  # noqa: RUF012
    replies = 4
    alphabet = b"0123456789+-.E,\r\n"
    longest_s = 60.0
    pattern: str | None = None

    def __init__(self, rng: random.Random) -> None:
        asked = {"wall_power_w": "MEAS:POW?", "line_voltage_v": "MEAS:VOLT?"}
        rows = [
            QueryOptions(quantity=quantity, query=query, pattern=self.pattern)
            for quantity, query in asked.items()
        ]
        self.options = {"queries": rows}
        super().__init__(rng)
        self._values: dict[str, str] = {}

    def draw(self) -> None:
        self._values = {
            "wall_power_w": f"{self.rng.uniform(300.0, 700.0):+.5E}",
            "line_voltage_v": f"{self.rng.uniform(220.0, 240.0):+.5E}",
        }

    def answer(self, request: bytes, at_s: float) -> Answers:
        if request.startswith(b"MEAS"):
            quantity = "wall_power_w" if b"POW" in request else "line_voltage_v"
            return [(0.05, self._values[quantity].encode("ascii") + b"\n")]
        return [(0.005, b'0,"No error"\n')] if b"?" in request else []

    def strangers(self, reply: bytes) -> tuple[bytes, ...]:
        if b"error" in reply:
            return (b"+5.00000E+02\n", b"+2.30000E+02\n")
        return (b'0,"No error"\n', b"MAKER,MODEL,0001,1.0\n")

    def pairs(self, result: Any, at_s: float) -> Pairs:
        return {r.quantity: (r.value, float(self._values[r.quantity])) for r in result}


class ScpiPattern(Scpi):
    """The same, the number of digits being stated."""

    name = "SCPI, pattern"
    pattern = r"[+-]\d\.\d{5}E[+-]\d\d"


class GcodeStatus(Subject):
    """A move, its barrier and the two reports that confirm it. One in four stops short."""

    name = "G-code status"
    kind = "gcode-gantry"
    options: dict[str, Any] = {  # noqa: RUF012
        "travel_x_mm": (0.0, 1200.0),
        "travel_y_mm": (0.0, 1200.0),
        "banner_within_s": 0.5,
    }
    replies = 4
    alphabet = b"0123456789.,|:<>okIdleRunMPos\r\n"
    longest_s = 60.0
    pause_s = 0.0
    tolerance = 0.1  # mm, the driver's own

    def __init__(self, rng: random.Random) -> None:
        super().__init__(rng)
        self._from = self._to = (0.0, 0.0)
        self._target = (0.0, 0.0)
        self._arrives_s = 0.0
        self._at_s = 0.0
        self._short_mm = 0.0

    def draw(self) -> None:
        self._target = (
            round(self.rng.uniform(0.0, 1200.0), 3),
            round(self.rng.uniform(0.0, 1200.0), 3),
        )
        self._short_mm = self.rng.choice((0.0, 0.0, 0.0, self.rng.uniform(0.2, 50.0)))

    def answer(self, request: bytes, at_s: float) -> Answers:
        if request == b"?":
            return [(0.001, self._report(at_s))]
        if request.startswith(b"G53"):
            words = {word[:1]: float(word[1:]) for word in request.split()[2:]}
            self._from, self._at_s = self._place(at_s), at_s
            self._to = (words[b"X"] - self._short_mm, words[b"Y"])
            self._arrives_s = at_s + math.dist(self._from, self._to) * 60.0 / words[b"F"]
            return [(0.001, b"ok\r\n")]
        if request.startswith(b"G4"):
            return [(max(0.001, self._arrives_s - at_s) + 0.01, b"ok\r\n")]
        if request.startswith(b"$H"):
            self._from = self._to = (0.0, 0.0)
            return [(1.0, b"ok\r\n")]
        if request == b"!\x18":
            self._from = self._to = self._place(at_s)
            return [(0.01, b"Motion 1.1 ['$' for help]\r\n")]
        return [(0.001, b"ok\r\n")]

    def strangers(self, reply: bytes) -> tuple[bytes, ...]:
        return (b"ok\r\n", b"<Idle|MPos:1.000,2.000,0.000|FS:0,0>\r\n", b"error:9\r\n")

    def start(self, instrument: Any) -> None:
        instrument.start_move(*self._target)

    def pairs(self, result: Any, at_s: float) -> Pairs:
        x, y = self._place(at_s)
        return {"x_mm": (result.x_mm, x), "y_mm": (result.y_mm, y)}

    def recovery(self, instrument: Any) -> Callable[[], Any] | None:
        return None if instrument.is_homed else instrument.start_home

    def _place(self, at_s: float) -> tuple[float, float]:
        if at_s >= self._arrives_s:
            return self._to
        share = (at_s - self._at_s) / (self._arrives_s - self._at_s)
        (x, y), (to_x, to_y) = self._from, self._to
        return x + share * (to_x - x), y + share * (to_y - y)

    def _report(self, at_s: float) -> bytes:
        state = "Idle" if at_s >= self._arrives_s else "Run"
        x, y = self._place(at_s)
        return f"<{state}|MPos:{x:.3f},{y:.3f},0.000|FS:0,0>\r\n".encode("ascii")
