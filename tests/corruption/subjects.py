"""The protocols of the campaign: each a real driver and an honest far end. One entry each.

A subject draws a true value, answers the driver's requests with it, and says whether what the
driver returned is that value. It knows nothing of damage.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from typing import Any

from drivers.clock import Clock
from drivers.line import Line, SerialSettings
from drivers.modbus import frames
from drivers.registry import KINDS
from drivers.sdi12 import codec

Answers = list[tuple[float, bytes]]
#: What was read and what is true, by quantity.
Pairs = dict[str, tuple[float, float]]

CRC_16 = 2.0**-16
#: Classes that leave each reply whole.
WHOLE = frozenset({"swapped reply", "late reply", "stale reply", "doubled reply"})
#: What a CRC of 16 bits always sees.
ALWAYS_SEEN = frozenset({"single bit", "burst of 2 to 16 bits"})


class Subject:
    """One protocol.

    Attributes
    ----------
    name : str
    kind : str
        In the registry.
    options : dict
        Of that kind.
    replies : int
        How many replies an undisturbed measurement takes.
    alphabet : bytes
        Characters of the protocol, as the hardest noise.
    collision : float or None
        Share of damaged replies that the check sum lets pass at most; None without one.
    guaranteed : frozenset of str
        Classes of damage that the check sum always sees.
    pause_s : float
        Time before the rig asks again after a failure. [s]
    longest_s : float
        No measurement may take longer, whatever comes. [s]
    tolerance : float
        What is off by no more than this is right.
    retries : bool
        Whether the protocol prescribes retries, which the driver makes.
    """

    name: str
    kind: str
    options: dict[str, Any]
    replies: int
    alphabet: bytes
    collision: float | None = None
    guaranteed: frozenset[str] = frozenset()
    pause_s = 0.5
    longest_s: float
    tolerance = 0.0
    retries = False

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        kind = KINDS[self.kind]
        self._made_options = kind.options(port="memory", **self.options)

    @property
    def settings(self) -> SerialSettings:
        settings: SerialSettings = KINDS[self.kind].line_settings(self._made_options)
        return settings

    @property
    def within_s(self) -> float:
        within_s: float = self._made_options.reply_within_s
        return within_s

    def make(self, line: Line, clock: Clock) -> Any:
        return KINDS[self.kind].make(self._made_options, line, clock, self.name)

    def draw(self) -> None:
        """Let there be a new true value."""
        raise NotImplementedError

    def answer(self, request: bytes, at_s: float) -> Answers:
        """Return what an instrument in order answers: how long after, and what. [s]"""
        raise NotImplementedError

    def strangers(self, reply: bytes) -> tuple[bytes, ...]:
        """Return sound replies that do not belong to the request that `reply` answers."""
        raise NotImplementedError

    @classmethod
    def allowed(cls, damage: str) -> float | None:
        """Return the greatest rate of wrong values under a class of damage; None: no bound.

        Whatever leaves a reply whole (late, doubled, somebody else's) is no matter of check
        sums and may do no harm at all.
        """
        if damage in WHOLE or damage in cls.guaranteed:
            return 0.0
        return cls.collision

    def start(self, instrument: Any) -> None:
        instrument.start()

    def pairs(self, result: Any, at_s: float) -> Pairs:
        """Return what was read beside what is true. [s]"""
        raise NotImplementedError

    def is_wrong(self, read: float, true: float) -> bool:
        return abs(read - true) > self.tolerance + 1e-9

    def recovery(self, instrument: Any) -> Callable[[], Any] | None:
        """Return what the rig has to start before the next measurement, if anything."""
        return None


class Sdi12(Subject):
    """PPFD; sometimes at once, sometimes after a service request."""

    name = "SDI-12"
    kind = "sdi12-quantum-sensor"
    options: dict[str, Any] = {"address": "0"}  # noqa: RUF012
    replies = 2
    alphabet = b"0123456789+-.\r\n"
    pause_s = 0.2
    longest_s = 30.0
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


def _float32(value: float) -> float:
    narrow: float = struct.unpack(">f", struct.pack(">f", value))[0]
    return narrow


class ModbusRtu(Subject):
    """Wall power, line voltage and current in two requests of different length."""

    name = "Modbus RTU"
    kind = "modbus-power-meter"
    options: dict[str, Any] = {  # noqa: RUF012
        "address": 1,
        "baud": 9600,
        "registers": [
            {"quantity": "wall_power_w", "register": 0},
            {"quantity": "line_voltage_v", "register": 2},
            {"quantity": "line_current_a", "register": 200},
        ],
    }
    replies = 2
    alphabet = b"\x01\x03\x83\x04\x08\x00\x44\x16"
    collision = CRC_16
    guaranteed = ALWAYS_SEEN
    longest_s = 10.0

    def __init__(self, rng: random.Random) -> None:
        from drivers.modbus.options import RegisterOptions

        rows = [RegisterOptions(**row) for row in self.options["registers"]]
        self.options = {**self.options, "registers": rows}
        super().__init__(rng)
        self._values: dict[str, float] = {}

    def draw(self) -> None:
        self._values = {
            "wall_power_w": _float32(self.rng.uniform(300.0, 700.0)),
            "line_voltage_v": _float32(self.rng.uniform(220.0, 240.0)),
            "line_current_a": _float32(self.rng.uniform(1.0, 4.0)),
        }

    def answer(self, request: bytes, at_s: float) -> Answers:
        first, count = (int.from_bytes(request[i : i + 2], "big") for i in (2, 4))
        reply = self._reply(1, first, self._values)
        if reply[2] != 2 * count:
            refusal = bytes([1, 0x83, 2])
            reply = refusal + _crc(refusal)
        return [(0.006, reply)]

    def strangers(self, reply: bytes) -> tuple[bytes, ...]:
        other = {name: value * 0.5 for name, value in self._values.items()}
        wanted, not_wanted = (0, 200) if reply[2] == 8 else (200, 0)
        return (self._reply(2, wanted, other), self._reply(1, not_wanted, other))

    def pairs(self, result: Any, at_s: float) -> Pairs:
        return {r.quantity: (r.value, self._values[r.quantity]) for r in result}

    def _reply(self, address: int, first: int, values: dict[str, float]) -> bytes:
        names = ("wall_power_w", "line_voltage_v") if first == 0 else ("line_current_a",)
        data = b"".join(struct.pack(">f", values[name]) for name in names)
        body = bytes([address, 3, len(data)]) + data
        return body + _crc(body)


def _crc(body: bytes) -> bytes:
    # Only to be quick; that the sum is the right one is shown in tests/published.
    return frames.FramerRTU.compute_CRC(body).to_bytes(2, "big")


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
            way_mm = sum(abs(a - b) for a, b in zip(self._from, self._to, strict=True))
            self._arrives_s = at_s + way_mm / 1000.0  # no slower than the driver expects
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


SUBJECTS: dict[str, type[Subject]] = {
    subject.name: subject for subject in (Sdi12, Sdi12Crc, ModbusRtu, GcodeStatus)
}
