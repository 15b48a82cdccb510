"""A reply that comes twice is not taken for that to the next request, where none has a number.

Found by tests/corruption: after one doubled reply, every later reading was that of the request
before.
"""

import struct

import pytest

from drivers.clock import VirtualClock
from drivers.line import SerialSettings
from drivers.memory_line import MemoryLine
from drivers.modbus import frames
from drivers.registry import KINDS
from tests.drivers.far_end import ScriptedPeer, finish


def modbus_reply(value):
    body = b"\x01\x03\x04" + struct.pack(">f", value)
    return body + frames.FramerRTU.compute_CRC(body).to_bytes(2, "big")


def ascii_reply(value):
    return b"%.1f\r\n" % value


DEVICES = {
    "modbus-quantum-sensor": ({"address": 1, "register": 0}, modbus_reply),
    "ascii-line-light-sensor": ({"request": "R\\r", "pattern": r"(?P<value>\d+\.\d)"}, ascii_reply),
}


def sensor_of(kind, answer):
    given, write = DEVICES[kind]
    clock = VirtualClock()
    peer = ScriptedPeer(lambda request: answer(write))
    line = MemoryLine("memory", SerialSettings(9600), clock, peer)
    options = KINDS[kind].options(port="memory", **given)
    return KINDS[kind].make(options, line, clock, "light sensor"), clock


def read(sensor, clock):
    sensor.start()
    (reading,) = finish(sensor, clock)
    return reading.value


@pytest.mark.parametrize("kind", DEVICES)
@pytest.mark.parametrize("later_s", [0.0, 0.002, 0.015, 0.03, 0.12, 0.2])
def test_double_is_not_taken_for_the_next_reply_nor_are_later_ones_shifted(kind, later_s):
    values = iter(range(100, 200))
    doubles = iter([True, False, True, True] + [False] * 20)

    def answer(write):
        reply = write(next(values))
        again = [(0.02 + len(reply) * 10 / 9600 + later_s, reply)] if next(doubles) else []
        return [(0.02, reply), *again]

    sensor, clock = sensor_of(kind, answer)
    assert [read(sensor, clock) for _ in range(10)] == list(range(100, 110))


@pytest.mark.parametrize("kind", DEVICES)
def test_value_that_stands_still_is_read_all_the_same_and_soon(kind):
    sensor, clock = sensor_of(kind, lambda write: [(0.02, write(7.0))])
    assert [read(sensor, clock) for _ in range(10)] == [7.0] * 10
    assert clock.elapsed_s() < 10 * 0.35
    assert sensor.retries == 0


def test_rest_of_a_line_that_began_before_the_request_is_not_taken_for_a_line():
    # 1033.4 comes twice; the second time it begins just before the next request.
    values = iter([1033.4, 812.0])
    doubles = iter([True, False])

    def answer(write):
        reply = write(next(values))
        if next(doubles):
            head_s = 0.02 + len(reply) * 10 / 9600 + 0.0985
            return [(0.02, reply), (head_s, reply[:2]), (head_s + 0.01, reply[2:])]
        return [(0.02, reply)]

    sensor, clock = sensor_of("ascii-line-light-sensor", answer)
    assert [read(sensor, clock) for _ in range(2)] == [1033.4, 812.0]
