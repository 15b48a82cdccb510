"""Modbus in the campaign: RTU in two requests, RTU with one number, TCP."""

from __future__ import annotations

import random
import struct
from typing import Any

from drivers.modbus import frames
from drivers.modbus.options import RegisterOptions
from tests.corruption.subject import ALWAYS_SEEN, CRC_16, Answers, Pairs, Subject


class ModbusRtu(Subject):
    """Wall power, line voltage and current in two requests of different length."""

    name = "Modbus RTU"
    kind = "modbus-power-meter"
    options: dict[str, Any] = {  # noqa: RUF012
        "address": 1,
        "baud": 9600,
        "registers": [
            RegisterOptions(quantity="wall_power_w", register=0),
            RegisterOptions(quantity="line_voltage_v", register=2),
            RegisterOptions(quantity="line_current_a", register=200),
        ],
    }
    replies = 2
    alphabet = b"\x01\x03\x83\x04\x08\x00\x44\x16"
    collision = CRC_16
    guaranteed = ALWAYS_SEEN
    longest_s = 10.0

    def __init__(self, rng: random.Random) -> None:
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

    def _reply(self, address: int, first: int, values: dict[str, float], count: int = 0) -> bytes:
        names = ("wall_power_w", "line_voltage_v") if first == 0 else ("line_current_a",)
        data = b"".join(struct.pack(">f", values[name]) for name in names)
        if count:  # The driver may ask for a size of its own choice, to find its place.
            data = data.ljust(2 * count, b"\0")[: 2 * count]
        body = bytes([address, 3, len(data)]) + data
        return body + _crc(body)


class ModbusOneNumber(ModbusRtu):
    """One request of one size, again and again: nothing but its moment tells its replies apart."""

    name = "Modbus one number"
    kind = "modbus-quantum-sensor"
    options: dict[str, Any] = {"address": 1, "register": 0}  # noqa: RUF012
    replies = 1

    def draw(self) -> None:
        self._values = {"ppfd_umol_m2_s": _float32(self.rng.uniform(0.0, 1500.0))}

    def strangers(self, reply: bytes) -> tuple[bytes, ...]:
        other = struct.pack(">f", self.rng.uniform(0.0, 1500.0))
        neighbour, longer = b"\x02\x03\x04" + other, b"\x01\x03\x08" + other + other
        return (neighbour + _crc(neighbour), longer + _crc(longer))

    def _reply(self, address: int, first: int, values: dict[str, float], count: int = 2) -> bytes:
        data = struct.pack(">f", values["ppfd_umol_m2_s"]).ljust(2 * count, b"\0")[: 2 * count]
        body = bytes([address, 3, len(data)]) + data
        return body + _crc(body)


class ModbusTcp(ModbusRtu):
    """The same meter behind the header of Modbus TCP, which has a number but no check sum.

    The network below has its own; what is played here is what a broken gateway might do.
    """

    name = "Modbus TCP"
    options: dict[str, Any] = {**ModbusRtu.options, "framing": "tcp"}  # noqa: RUF012
    collision = None
    guaranteed = frozenset()

    def answer(self, request: bytes, at_s: float) -> Answers:
        self._number = request[:2]
        first = int.from_bytes(request[8:10], "big")
        return [(0.006, self._message(1, first, self._values, self._number))]

    def strangers(self, reply: bytes) -> tuple[bytes, ...]:
        other = {name: value * 0.5 for name, value in self._values.items()}
        first = 0 if reply[8] == 8 else 200
        earlier = (int.from_bytes(self._number, "big") - 1 & 0xFFFF).to_bytes(2, "big")
        return (
            self._message(1, first, other, earlier),
            self._message(2, first, other, self._number),
            self._message(1, 200 - first, other, self._number),
        )

    def _message(self, address: int, first: int, values: dict[str, float], number: bytes) -> bytes:
        body = self._reply(address, first, values)[:-2]
        return number + b"\0\0" + len(body).to_bytes(2, "big") + body


def _float32(value: float) -> float:
    narrow: float = struct.unpack(">f", struct.pack(">f", value))[0]
    return narrow


def _crc(body: bytes) -> bytes:
    # Only to be quick; that the sum is the right one is shown in tests/published.
    return frames.FramerRTU.compute_CRC(body).to_bytes(2, "big")
