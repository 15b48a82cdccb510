"""Coils as bytes, against worked examples; replies told from everything else."""

from __future__ import annotations

import minimalmodbus
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.modbus import coils, frames
from drivers.modbus.framing import Expected, TcpFraming

# Modbus Application Protocol V1.1b3, sections 6.1, 6.5 and 6.11, gives the messages; the check
# sums of these frames are as in worked examples that circulate (from memory), and are computed
# anew below by an independent library.
ON_AT_172 = bytes.fromhex("11 05 00 AC FF 00 4E 8B")
OFF_AT_172 = bytes.fromhex("11 05 00 AC 00 00 0F 7B")


def rtu(message):
    return frames.encode(message)


def with_sum(body: bytes) -> bytes:
    """Append the check sum as minimalmodbus computes it."""
    return body + minimalmodbus._calculate_crc(body)


def test_requests_are_those_of_the_standard():
    assert rtu(coils.write_request(0x11, 0xAC, True, 5)) == ON_AT_172 == with_sum(ON_AT_172[:-2])
    assert rtu(coils.write_request(0x11, 0xAC, False, 5)) == OFF_AT_172 == with_sum(OFF_AT_172[:-2])
    assert rtu(coils.read_request(0x11, 0x13)) == with_sum(bytes.fromhex("11 01 00 13 00 01"))
    for closed in (True, False):
        assert rtu(coils.write_request(3, 2, closed, 15)) == with_sum(
            bytes([3, 15, 0, 2, 0, 1, 1, closed])
        )


READ = with_sum(bytes([3, 1, 0, 2, 0, 1]))
CLOSED, OPEN = with_sum(bytes([3, 1, 1, 1])), with_sum(bytes([3, 1, 1, 0]))
WRITE = with_sum(bytes([3, 15, 0, 2, 0, 1, 1, 1]))
WRITTEN = with_sum(bytes([3, 15, 0, 2, 0, 1]))
REFUSED = with_sum(bytes([3, 0x81, 2]))


def find(data, request=READ):
    return coils.find_reply(data, request, is_tcp=False)


@pytest.mark.parametrize(("reply", "state"), [(CLOSED, True), (OPEN, False)])
def test_a_state_is_found_whole_and_at_no_split_point_before(reply, state):
    assert find(reply).is_closed is state
    for cut in range(len(reply)):
        assert find(reply[:cut]) is None
    assert find(b"\xff\x00" + reply + b"\x7f").is_closed is state


def test_a_bad_sum_is_passed_over_for_the_good_frame_behind_it():
    bad = OPEN[:-1] + bytes([OPEN[-1] ^ 1])
    assert find(bad) is None
    assert find(bad + CLOSED).is_closed is True


def test_spare_bits_of_the_byte_do_not_count():
    assert find(with_sum(bytes([3, 1, 1, 0xFE]))).is_closed is False
    assert find(with_sum(bytes([3, 1, 1, 0xFF]))).is_closed is True


@pytest.mark.parametrize(
    "reply",
    [
        with_sum(bytes([4, 1, 1, 1])),  # another address
        with_sum(bytes([3, 2, 1, 1])),  # another function
        with_sum(bytes([3, 1, 2, 1])),  # another count
        WRITTEN,
    ],
)
def test_what_answers_something_else_is_no_state(reply):
    assert find(reply) is None


def test_a_write_is_answered_by_its_own_coil_only():
    assert find(WRITTEN, WRITE) == coils.CoilReply(WRITTEN)
    assert find(with_sum(bytes([3, 15, 0, 3, 0, 1])), WRITE) is None
    assert find(CLOSED, WRITE) is None


def test_an_exception_is_an_answer():
    assert find(REFUSED).exception == 2
    assert find(REFUSED).is_closed is None


@given(data=st.binary(max_size=40))
@settings(deadline=None, max_examples=200)
def test_noise_is_no_reply_unless_its_sum_is_right(data):
    found = find(data)
    assert found is None or with_sum(found.frame[:-2]) == found.frame


def test_over_a_network_the_number_of_the_request_must_be_right():
    framing = TcpFraming()
    request = framing.encode(Expected(coils.read_request(3, 2), 1, 7))
    # Transaction, protocol 0, length, unit; then function, count, coils. Written out by hand.
    reply = request[:4] + bytes([0, 4, 3, 1, 1, 1])
    stale = bytes([0, 6]) + reply[2:]

    def found(data):
        return coils.find_reply(data, request, is_tcp=True)

    assert found(reply).is_closed is True
    assert found(stale) is None
    assert found(stale + reply).is_closed is True
    assert found(request[:4] + bytes([0, 3, 3, 0x81, 2])).exception == 2
    for cut in range(len(reply)):
        assert found(reply[:cut]) is None
