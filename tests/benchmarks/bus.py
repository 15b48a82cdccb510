"""How busy three instruments keep the line that they share.

Run it: ``python tests/benchmarks/bus.py``. Three Modbus sensors on one pseudo-terminal, whose
far end keeps the pace of the baud rate, are each asked anew as soon as they have answered, in
one plain loop. The bound is what the wire allows: bits of requests and replies ÷ baud rate, the
sensors' reply times, and the silent interval after each frame (Modbus over Serial Line V1.02:
3.5 characters of 11 bits). The line is busy for bound ÷ time; the aim is 95 %.
"""

from __future__ import annotations

import math
import multiprocessing
import os
import select
import struct
import sys
import time
import tty
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from crccheck.crc import CrcModbus

from drivers.bus import Bus
from drivers.clock import SystemClock
from drivers.line import SerialSettings
from drivers.modbus.options import QuantumSensorOptions
from drivers.modbus.register_sensor import RegisterSensor
from drivers.serial_line import SerialLine
from drivers.simulated.peer import Outbox
from drivers.simulated.terminals import Terminals
from tests.benchmarks.result import Result, run

BAUDS = (9600, 19200)
ADDRESSES = (1, 2, 3)
REPLY_S = 0.006
BITS_PER_BYTE = 10  # 8N1, the only format a pseudo-terminal has
EXCHANGE_BYTES = 8 + 9
AIM_TIME = 1 / 0.95


def summed(body: bytes) -> bytes:
    return body + int(CrcModbus.calc(body)).to_bytes(2, "little")


class FarEnd:
    """Three sensors, each with a reading that changes a little from one time to the next."""

    def __init__(self) -> None:
        self._address = {summed(bytes([n, 3, 0, 0, 0, 2])): n for n in ADDRESSES}
        self._asked = 0
        self._heard = b""
        self._outbox = Outbox()

    def opened(self, at_s: float) -> None:
        self._heard = b""

    def receive(self, data: bytes, at_s: float) -> None:
        self._heard += data
        if (address := self._address.get(self._heard)) is not None:
            self._heard = b""
            self._asked += 1
            value = struct.pack(">f", 100.0 * address + self._asked % 64 / 64)
            self._outbox.put(at_s + REPLY_S, summed(bytes([address, 3, 4]) + value))

    def line_break(self, start_s: float, end_s: float) -> None:
        pass

    def next_s(self) -> float:
        return self._outbox.next_s()

    def take(self, at_s: float) -> bytes:
        return self._outbox.take(at_s)


def serve(pipe: Any) -> None:
    """Keep the far ends, in a process of their own, until killed."""
    with Terminals(
        {str(baud): FarEnd() for baud in BAUDS},
        {str(baud): BITS_PER_BYTE / baud for baud in BAUDS},
        SystemClock(),
    ) as terminals:
        pipe.send(terminals.ports)
        terminals.serve(math.inf)


def bound_s(baud: int) -> float:
    """Return the least time from one request to the next. [s]"""
    return EXCHANGE_BYTES * BITS_PER_BYTE / baud + REPLY_S + 3.5 * 11 / baud


def by_plain_loop(port: str, baud: int, exchanges: int) -> float:
    """Return the time of one exchange and its silence without any driver. [s]"""
    descriptor = os.open(port, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(descriptor)
    began_s = time.perf_counter()
    for n in range(exchanges):
        os.write(descriptor, summed(bytes([ADDRESSES[n % 3], 3, 0, 0, 0, 2])))
        heard = b""
        while len(heard) < 9:
            if not select.select([descriptor], [], [], 2.0)[0]:
                raise SystemExit(f"the far end fell silent after {heard!r}")
            heard += os.read(descriptor, 64)
        time.sleep(3.5 * 11 / baud)
    os.close(descriptor)
    return (time.perf_counter() - began_s) / exchanges


def by_three(port: str, baud: int, exchanges: int) -> list[Result]:
    """Let three sensors share the port until so many exchanges are done."""
    clock = SystemClock()
    bus = Bus(SerialLine(port, SerialSettings(baud), clock), clock)
    sensors = [
        RegisterSensor(
            "ppfd_umol_m2_s",
            QuantumSensorOptions(port=port, address=n, baud=baud, register=0),
            bus,
            clock,
            f"sensor {n}",
        )
        for n in ADDRESSES
    ]
    done = dict.fromkeys(ADDRESSES, 0)
    began_s, began_processor_s = 0.0, 0.0
    for sensor in sensors:
        sensor.start()
    while sum(done.values()) < exchanges + len(ADDRESSES):
        for address, sensor in zip(ADDRESSES, sensors, strict=True):
            if clock.elapsed_s() < sensor.wake_s and not bus.line.readable():
                continue
            if (readings := sensor.poll()) is None:
                continue
            if not 0 <= readings[0].value - 100.0 * address < 1.0:
                raise SystemExit(f"sensor {address} gave {readings[0].value}")
            done[address] += 1
            if sum(done.values()) == len(ADDRESSES):  # the first ones warm caches up
                began_s, began_processor_s = time.perf_counter(), time.process_time()
            sensor.start()
        clock.wait_until(min(sensor.wake_s for sensor in sensors), watching=[bus.line])
    took_s = (time.perf_counter() - began_s) / exchanges
    processor_s = (time.process_time() - began_processor_s) / exchanges
    for sensor in sensors:
        sensor.close()
    if max(done.values()) - min(done.values()) > 1:
        raise SystemExit(f"turns were not fair: {done}")
    if took_s < 0.999 * bound_s(baud):
        raise SystemExit("the far end is too fast, it does not keep its pace")
    return [
        Result(f"Bus {baud}: time of three sensors ÷ line bound", took_s / bound_s(baud), AIM_TIME),
        Result(f"Bus {baud}: processor time ÷ time", processor_s / took_s),
    ]


def measure(is_quick: bool) -> list[Result]:
    """Measure both rates; quick means a third of the exchanges."""
    ours, theirs = multiprocessing.Pipe()
    far_end = multiprocessing.Process(target=serve, args=(theirs,), daemon=True)
    far_end.start()
    ports = ours.recv()
    exchanges = 60 if is_quick else 180
    try:
        return [
            result
            for baud in BAUDS
            for result in (
                *by_three(ports[str(baud)], baud, exchanges),
                Result(
                    f"Bus {baud}: time of a plain loop ÷ line bound",
                    by_plain_loop(ports[str(baud)], baud, exchanges) / bound_s(baud),
                ),
            )
        ]
    finally:
        far_end.terminate()
        far_end.join()


if __name__ == "__main__":
    sys.exit(run(measure))
