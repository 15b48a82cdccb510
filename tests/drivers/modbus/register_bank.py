"""A device on Modbus that is no more than its registers, made with crccheck and struct alone."""

from __future__ import annotations

import struct

from crccheck.crc import CrcModbus

ILLEGAL_ADDRESS = 2


def with_sum(body: bytes) -> bytes:
    return body + int(CrcModbus.calc(body)).to_bytes(2, "little")


class RegisterBank:
    """Answers requests for registers (functions 3 and 4), each after its own delay.

    `held` maps register to word; what is not in it is refused. `delays_s` are taken one by one
    for the requests to this device; then `delay_s`. `silent` names registers that get no reply.
    With `varies`, the second word of two counts up, as the last digits of a reading do.
    """

    def __init__(
        self, address, held, *, delay_s=0.005, delays_s=(), silent=(), is_tcp=False, varies=False
    ):
        self.address = address
        self.held = held
        self.delay_s = delay_s
        self.delays_s = list(delays_s)
        self.silent = silent
        self.is_tcp = is_tcp
        self.varies = varies
        self.asked: list[tuple[int, int]] = []

    def __call__(self, request: bytes):
        head, body = (request[:6], request[6:]) if self.is_tcp else (b"", request[:-2])
        if body[0] != self.address:
            return []
        function = body[1]
        if function not in (3, 4):
            return self._reply(head, bytes([self.address, function | 0x80, 1]))
        first, count = struct.unpack(">HH", body[2:6])
        self.asked.append((first, count))
        if first in self.silent:
            return []
        wanted = range(first, first + count)
        if any(register not in self.held for register in wanted):
            return self._reply(head, bytes([self.address, function | 0x80, ILLEGAL_ADDRESS]))
        if self.varies and count == 2:
            self.held[first + 1] += 1
        words = struct.pack(f">{count}H", *(self.held[register] for register in wanted))
        return self._reply(head, bytes([self.address, function, len(words)]) + words)

    def _reply(self, head: bytes, body: bytes):
        delay_s = self.delays_s.pop(0) if self.delays_s else self.delay_s
        if self.is_tcp:
            return [(delay_s, head[:4] + len(body).to_bytes(2, "big") + body)]
        return [(delay_s, with_sum(body))]


def of_float(register: int, value: float) -> dict[int, int]:
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return {register: high, register + 1: low}
