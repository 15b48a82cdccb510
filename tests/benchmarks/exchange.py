"""How near an exchange comes to what its line allows.

Run it: ``python tests/benchmarks/exchange.py``. Each row is a ratio: the median time of an
exchange through a driver, over a pseudo-terminal whose far end keeps the pace of the baud
rate, divided by the line's bound (bits of request and reply ÷ baud rate, silences that the
protocol demands, and the instrument's own reply time). The far end is checked first, by a
plain loop without any driver. A ratio above its aim is marked MISSED; the exit code is 1 only
above three times the aim, because a shared machine has bad moments.
"""

from __future__ import annotations

import math
import multiprocessing
import os
import select
import statistics
import struct
import sys
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import minimalmodbus
import serial
from attrs import evolve, frozen

sys.path.insert(0, str(Path(__file__).parents[2]))

from crccheck.crc import CrcModbus

from drivers.clock import SystemClock
from drivers.gcode.options import GantryOptions
from drivers.modbus.frames import silent_interval_s
from drivers.modbus.options import PowerMeterOptions, RegisterOptions
from drivers.registry import KINDS
from drivers.sdi12 import codec
from drivers.sdi12.options import QuantumSensorOptions
from drivers.serial_line import SerialLine
from drivers.simulated.peer import Outbox
from drivers.simulated.terminals import Terminals
from tests.benchmarks.result import Result, run

AIM_TIME = 1.05
BITS_PER_BYTE = 10  # 8N1, the only format a pseudo-terminal has


def summed(body: bytes) -> bytes:
    return body + int(CrcModbus.calc(body)).to_bytes(2, "little")


@frozen(kw_only=True)
class Case:
    """One driver at one rate: what is said, and what the line allows."""

    name: str
    kind: str
    baud: int
    exchanges: tuple[tuple[bytes, bytes], ...]
    reply_s: float
    silence_s: float
    idle_s: float  # left between two exchanges, and not counted
    repeats: int
    options: Callable[[str], Any]
    also_said: tuple[bytes, ...] = ()  # in turn, instead of the reply
    start: str = "start"
    poll: str = "poll"

    @property
    def wire_s(self) -> float:
        """Bits of requests and replies ÷ baud, and the instrument's reply times. [s]"""
        characters = sum(len(request) + len(reply) for request, reply in self.exchanges)
        return characters * BITS_PER_BYTE / self.baud + self.reply_s * len(self.exchanges)

    @property
    def bound_s(self) -> float:
        """The least time of one exchange. [s]"""
        return self.wire_s + self.silence_s


def modbus(baud: int) -> Case:
    # Meters say something new each time; what has just been there would be held back a while.
    said = tuple(
        summed(b"\x01\x03\x06" + struct.pack(">fH", 612.5 + n / 8, 2301)) for n in range(64)
    )
    registers = [
        RegisterOptions(quantity="wall_power_w", register=40),
        RegisterOptions(quantity="line_voltage_v", register=42, type="uint16"),
    ]
    return Case(
        name=f"Modbus {baud}",
        kind="modbus-power-meter",
        baud=baud,
        exchanges=((summed(bytes.fromhex("01 03 00 28 00 03")), said[0]),),
        reply_s=0.010,
        silence_s=silent_interval_s(baud),
        idle_s=0.0,
        repeats=60,
        also_said=said,
        options=lambda port: PowerMeterOptions(port=port, baud=baud, registers=registers),
    )


CASES = (
    Case(
        name="SDI-12 1200",
        kind="sdi12-quantum-sensor",
        baud=1200,
        exchanges=((b"0M!", b"00001\r\n"), (b"0D0!", b"0+1234.5\r\n")),
        reply_s=0.015,
        silence_s=codec.BREAK_S + 2 * codec.MARKING_S,
        idle_s=0.1,  # so that a break is due each time
        repeats=10,
        options=lambda port: QuantumSensorOptions(port=port, character_format="8N1"),
    ),
    modbus(9600),
    modbus(19200),
    Case(
        name="G-code 115200",
        kind="gcode-gantry",
        baud=115200,
        exchanges=((b"$I\n", b"[VER:1.1:bench]\r\n[OPT:V,15,128]\r\nok\r\n"),),
        reply_s=0.005,
        silence_s=0.0,
        idle_s=0.0,
        repeats=100,
        options=lambda port: GantryOptions(
            port=port,
            travel_x_mm=(0.0, 1.0),
            travel_y_mm=(0.0, 1.0),
            banner_within_s=0.1,
        ),
        start="start_identify",
        poll="poll_identity",
    ),
)


class FarEnd:
    """Gives the reply of the table, its reply time after the request."""

    def __init__(self, case: Case) -> None:
        self._replies = dict(case.exchanges) | {
            b"?": b"<Alarm|MPos:0.0,0.0>\r\n",
            b"$$\n": b"$1=255\r\nok\r\n",  # asked once, before the times count
        }
        self._also_said = case.also_said
        self._count = 0
        self._reply_s = case.reply_s
        self._heard = b""
        self._outbox = Outbox()

    def opened(self, at_s: float) -> None:
        self._heard = b""

    def receive(self, data: bytes, at_s: float) -> None:
        self._heard += data
        if (reply := self._replies.get(self._heard)) is not None:
            self._heard = b""
            self._count += 1
            if reply in self._also_said:
                reply = self._also_said[self._count % len(self._also_said)]
            self._outbox.put(at_s + self._reply_s, reply)

    def line_break(self, start_s: float, end_s: float) -> None:
        pass

    def next_s(self) -> float:
        return self._outbox.next_s()

    def take(self, at_s: float) -> bytes:
        return self._outbox.take(at_s)


def serve(pipe: Any) -> None:
    """Keep the far ends, in a process of their own, until killed."""
    clock = SystemClock()
    with Terminals(
        {case.name: FarEnd(case) for case in CASES},
        {case.name: BITS_PER_BYTE / case.baud for case in CASES},
        clock,
    ) as terminals:
        pipe.send(terminals.ports)
        terminals.serve(math.inf)


@frozen
class Spent:
    """Per exchange: median time, and mean processor time. [s]"""

    time_s: float
    processor_s: float


def spent(exchange: Callable[[], None], repeats: int, idle_s: float) -> Spent:
    times, processor_s = [], 0.0
    for number in range(repeats + 2):
        if idle_s:
            time.sleep(idle_s)
        before_s, before_processor_s = time.perf_counter(), time.process_time()
        exchange()
        if number >= 2:  # the first ones warm caches up
            times.append(time.perf_counter() - before_s)
            processor_s += time.process_time() - before_processor_s
    return Spent(statistics.median(times), processor_s / repeats)


def by_plain_loop(case: Case, port: str) -> Spent:
    descriptor = os.open(port, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(descriptor)

    def exchange() -> None:
        for request, reply in case.exchanges:
            os.write(descriptor, request)
            heard = b""
            while len(heard) < len(reply):
                if not select.select([descriptor], [], [], 2.0)[0]:
                    raise SystemExit(f"{case.name}: the far end fell silent after {heard!r}")
                heard += os.read(descriptor, 4096)
            if heard not in (reply, *case.also_said):
                raise SystemExit(f"{case.name}: the far end said {heard!r}")

    try:
        return spent(exchange, case.repeats, case.idle_s)
    finally:
        os.close(descriptor)


def by_driver(case: Case, port: str) -> Spent:
    clock = SystemClock()
    kind = KINDS[case.kind]
    options = case.options(port)
    line = SerialLine(port, kind.line_settings(options), clock)
    instrument = kind.make(options, line, clock, case.name)
    start, poll = getattr(instrument, case.start), getattr(instrument, case.poll)

    def exchange() -> None:
        start()
        while poll() is None:
            clock.wait_until(instrument.wake_s, watching=instrument.lines)

    try:
        exchange()  # connects, which may take longer
        result = spent(exchange, case.repeats, case.idle_s)
    finally:
        instrument.close()
    if instrument.retries:
        raise SystemExit(f"{case.name}: {instrument.retries} retries; the times mean nothing")
    return result


def by_pyserial(case: Case, port: str) -> Spent:
    with serial.Serial(port, case.baud, timeout=2.0) as handle:

        def exchange() -> None:
            for request, reply in case.exchanges:
                handle.write(request)
                if handle.read(len(reply)) not in (reply, *case.also_said):
                    raise SystemExit(f"{case.name}: not the reply expected")

        return spent(exchange, case.repeats, case.idle_s)


def by_second_library(case: Case, port: str) -> Spent:
    instrument = minimalmodbus.Instrument(port, 1)
    instrument.serial.baudrate = case.baud
    instrument.serial.timeout = 2.0

    def exchange() -> None:
        instrument.read_registers(40, 3)

    try:
        return spent(exchange, case.repeats, case.idle_s)
    finally:
        instrument.serial.close()


def by_case(case: Case, port: str) -> Iterator[Result]:
    """Measure one driver at one rate."""
    plain = by_plain_loop(case, port)
    if plain.time_s < 0.999 * case.wire_s:
        raise AssertionError(f"{case.name}: the far end is too fast, it does not keep its pace")
    yield Result(
        f"{case.name}: far end by a plain loop ÷ bits and reply time",
        plain.time_s / case.wire_s,
        AIM_TIME,
    )
    driven = by_driver(case, port)
    yield Result(
        f"{case.name}: exchange through the driver ÷ line bound",
        driven.time_s / case.bound_s,
        AIM_TIME,
    )
    bare = by_pyserial(case, port)
    yield Result(
        f"{case.name}: processor time, driver ÷ bare pyserial loop",
        driven.processor_s / bare.processor_s,
    )
    if case.kind == "modbus-power-meter":
        second = by_second_library(case, port)
        yield Result(
            f"{case.name}: exchange, driver ÷ minimalmodbus",
            driven.time_s / second.time_s,
            AIM_TIME,
        )
        yield Result(
            f"{case.name}: processor time, driver ÷ minimalmodbus",
            driven.processor_s / second.processor_s,
        )


def measure(is_quick: bool) -> list[Result]:
    """Measure every driver; quick means a third of the exchanges."""
    ours, theirs = multiprocessing.Pipe()
    far_end = multiprocessing.Process(target=serve, args=(theirs,), daemon=True)
    far_end.start()
    ports = ours.recv()
    try:
        return [
            result
            for case in CASES
            for result in by_case(
                evolve(case, repeats=max(case.repeats // 3, 5)) if is_quick else case,
                ports[case.name],
            )
        ]
    finally:
        far_end.terminate()
        far_end.join()


if __name__ == "__main__":
    sys.exit(run(measure))
