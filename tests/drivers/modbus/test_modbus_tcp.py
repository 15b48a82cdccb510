"""Modbus TCP: whose reply it is stands in its header."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.clock import VirtualClock
from drivers.errors import DeviceFault, GarbledReply, NoReply
from drivers.line import SerialSettings
from drivers.memory_line import MemoryLine
from drivers.modbus import frames
from drivers.modbus.framing import Expected, TcpFraming
from drivers.modbus.options import PowerMeterOptions, RegisterOptions
from drivers.modbus.power_meter import PowerMeter
from tests.drivers.far_end import ScriptedPeer, every_split, finish, in_turn

FRAMING = TcpFraming()
MAP = [
    RegisterOptions(quantity="wall_power_w", register=40),
    RegisterOptions(quantity="line_voltage_v", register=42, type="uint16", scale=0.1),
]


def expected(number=7, address=1, count=3):
    return Expected(frames.read_request(address, 3, 40, count), count, number)


def message(number, unit, pdu: bytes) -> bytes:
    return struct.pack(">HHHB", number, 0, len(pdu) + 1, unit) + pdu


def reply(number=7, unit=1, power=612.5, voltage=2301) -> bytes:
    return message(number, unit, b"\x03\x06" + struct.pack(">fH", power, voltage))


GOOD = reply()


def bench(answer, **options):
    made = PowerMeterOptions(port="tcp://h:502", **({"registers": MAP} | options))
    clock = VirtualClock()
    peer = ScriptedPeer(answer)
    # The wire under it is quick, as a network is.
    line = MemoryLine("net", SerialSettings(10_000_000), clock, peer)
    return clock, peer, PowerMeter(made, line, clock, "power meter")


def test_the_request_is_the_one_of_the_specification():
    # Modbus Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3: transaction, protocol
    # 0, length of what follows, unit, then the PDU. Layout from memory.
    request = FRAMING.encode(expected(number=0x1501, address=0xFF))
    assert request.hex(" ") == "15 01 00 00 00 06 ff 03 00 28 00 03"


@pytest.mark.parametrize(("number", "on_the_wire"), [(1, 1), (65535, 65535), (65536, 1)])
def test_request_numbers_go_round_and_are_never_zero(number, on_the_wire):
    assert FRAMING.encode(expected(number=number))[:2] == struct.pack(">H", on_the_wire)


def test_a_whole_reply_is_found():
    frame, pdu = FRAMING.find(GOOD, expected())
    assert frame == GOOD
    assert list(pdu.registers) == [0x4419, 0x2000, 2301]


@pytest.mark.parametrize(("first", "second"), every_split(GOOD)[:-1])
def test_a_part_of_a_reply_is_none_and_reaches_over_two_packets(first, second):
    assert FRAMING.find(first, expected()) is None
    clock, peer, meter = bench(lambda request: [])
    peer.answer = lambda request: [
        (0.01, request[:2] + first[2:]) if len(first) >= 2 else (0.01, request[:2][: len(first)]),
        (0.2, (request[:2] + GOOD[2:])[len(first) :]),
    ]
    meter.start()
    assert finish(meter, clock)[0].value == 612.5


@pytest.mark.parametrize(
    "other",
    [
        reply(number=6, power=1.0),
        reply(number=8, power=1.0),
        reply(unit=2, power=1.0),
        message(7, 1, b"\x04\x06" + bytes(6)),
        message(7, 1, b"\x03\x04" + bytes(4)),
        message(7, 1, b"\x03\x06" + bytes(4)),
        message(7, 1, b"\x03\x04" + bytes(6)),
        message(6, 1, b"\x83\x02"),
        message(7, 1, b"\x83\x02\x00"),
        b"\x00\x07\x00\x01" + GOOD[4:],
    ],
)
def test_a_message_that_does_not_fit_is_passed_over(other):
    assert FRAMING.find(other, expected()) is None
    frame, _ = FRAMING.find(other + GOOD, expected())
    assert frame == GOOD


def test_a_refusal_of_this_request_is_found():
    _, pdu = FRAMING.find(message(7, 1, b"\x83\x02"), expected())
    assert pdu.isError()
    assert pdu.exception_code == 2


@given(st.binary(max_size=60))
def test_no_bytes_make_it_fail(data):
    found = FRAMING.find(data, expected())
    assert found is None or found[0] in data
    assert FRAMING.foreign(data, expected()) <= len(data)
    assert FRAMING.why_not(data, expected())


@given(st.lists(st.tuples(st.integers(0, 65535), st.integers(0, 255)), max_size=5))
def test_replies_of_other_requests_before_it_are_passed_over(others):
    before = b"".join(
        reply(number, unit, power=1.0) for number, unit in others if (number, unit) != (7, 1)
    )
    assert FRAMING.foreign(before + GOOD, expected()) == len(before)
    frame, _ = FRAMING.find(before + GOOD, expected())
    assert frame == GOOD


def with_number(request: bytes, data: bytes) -> bytes:
    return request[:2] + data[2:]


def test_a_stale_reply_is_never_taken_however_late():
    # The first reply comes in the midst of the second request.
    stale = []

    def answer(request):
        if not stale:
            stale.append(with_number(request, reply(power=1.0)))
            return []
        return [(0.005, stale[0]), (0.02, with_number(request, GOOD))]

    clock, peer, meter = bench(answer, reply_within_s=0.5)
    meter.start()
    with pytest.raises(NoReply):
        finish(meter, clock)
    meter.start()
    assert finish(meter, clock)[0].value == 612.5
    assert meter.unasked == stale[0]
    assert len(peer.requests) == 2  # numbers need no mark


def test_the_reply_to_another_request_alone_is_told_with_both_numbers():
    clock, _, meter = bench(lambda request: [(0.01, reply(number=99))], reply_within_s=0.1)
    meter.start()
    with pytest.raises(GarbledReply, match="a reply to request 99, not 1"):
        finish(meter, clock)


def test_a_refusal_is_told_with_its_code():
    clock, _, meter = bench(
        lambda request: [(0.01, with_number(request, message(0, 1, b"\x83\x02")))]
    )
    meter.start()
    with pytest.raises(DeviceFault, match=r"exception 2 \(illegal data address\)"):
        finish(meter, clock)


def test_a_request_is_sent_without_a_silence_before_it():
    answer = in_turn([(0.01, reply(number=1))], [(0.01, reply(number=2))])
    clock, _, meter = bench(answer)
    for _ in range(2):
        meter.start()
        finish(meter, clock)
    assert clock.elapsed_s() == pytest.approx(0.02, abs=0.0002)


@pytest.mark.parametrize(
    ("port", "framing", "is_tcp"),
    [
        ("tcp://h:502", "by-port", True),
        ("/dev/ttyS0", "by-port", False),
        ("tcp://h:4001", "rtu", False),
        ("/dev/ttyS0", "tcp", True),
    ],
)
def test_framing_goes_by_the_port_unless_stated(port, framing, is_tcp):
    options = PowerMeterOptions(port=port, framing=framing, registers=MAP)
    assert options.is_tcp == is_tcp
