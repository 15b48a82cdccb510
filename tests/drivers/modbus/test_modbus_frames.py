"""A reply is found whole, anywhere among noise; anything else is explained."""

import pytest
from crccheck.crc import CrcModbus
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.modbus import frames
from tests.drivers.far_end import every_split


def summed(text: str | bytes) -> bytes:
    body = bytes.fromhex(text) if isinstance(text, str) else text
    return body + int(CrcModbus.calc(body)).to_bytes(2, "little")


GOOD = summed("01 03 04 44 9A 50 00")
BAD = GOOD[:-1] + bytes([GOOD[-1] ^ 1])
REFUSAL = summed("01 83 02")


def found(data, address=1, function=3, count=2):
    result = frames.find_registers(data, address, function, count)
    return result and result[0]


@pytest.mark.parametrize(("first", "second"), every_split(GOOD))
def test_reply_is_found_only_once_it_is_whole(first, second):
    assert found(first) == (GOOD if not second else None)
    assert found(first + second) == GOOD


@pytest.mark.parametrize("noise", [b"\x00", b"\xff\xff", b"\x01", b"\x01\x03", b"\x01\x03\x04"])
def test_noise_before_and_after_is_passed_over(noise):
    assert found(noise + GOOD) == GOOD
    assert found(GOOD + noise) == GOOD
    assert found(noise + GOOD + noise) == GOOD


def test_a_bad_sum_followed_by_a_good_frame_gives_the_good_one():
    assert found(BAD) is None
    assert found(BAD + GOOD) == GOOD


def test_refusal_is_found_with_its_code():
    frame, reply = frames.find_registers(b"\x00" + REFUSAL, 1, 3, 2)
    assert frame == REFUSAL
    assert reply.isError()
    assert reply.exception_code == 2


@pytest.mark.parametrize("place", range(len(GOOD)))
@pytest.mark.parametrize("bit", range(8))
def test_any_one_wrong_bit_is_noticed(place, bit):
    damaged = bytearray(GOOD)
    damaged[place] ^= 1 << bit
    assert found(bytes(damaged)) is None


@given(
    words=st.lists(st.integers(0, 65535), min_size=1, max_size=125),
    address=st.integers(1, 247),
    function=st.sampled_from([3, 4]),
)
@settings(deadline=None)
def test_registers_come_back_as_sent(words, address, function):
    body = bytes([address, function, 2 * len(words)]) + b"".join(
        word.to_bytes(2, "big") for word in words
    )
    result = frames.find_registers(summed(body), address, function, len(words))
    assert result is not None
    assert result[1].registers == words


@given(data=st.binary(max_size=300))
@settings(deadline=None)
def test_no_bytes_at_all_break_the_decoder(data):
    assert found(data) is None or frames.sum_is_right(found(data))
    frames.find_identity(data, 1)
    assert frames.why_not(data, 1, 3, 2)
    assert frames.why_not(data, 1, 0x2B, None)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (summed("02 03 04 44 9A 50 00"), "a reply of address 2, not 1"),
        (summed("01 04 04 44 9A 50 00"), "a reply to function 4, not 3"),
        (summed("01 03 02 44 9A"), "2 bytes of data, not 4"),
        (b"\x01\x03", "too short"),
    ],
)
def test_what_is_wrong_is_said(data, words):
    assert found(data) is None
    assert frames.why_not(data, 1, 3, 2).startswith(words)


def test_a_bad_sum_is_shown_beside_the_right_one_in_the_order_of_the_wire():
    good, bad = GOOD[-2:].hex().upper(), BAD[-2:].hex().upper()
    assert frames.why_not(BAD, 1, 3, 2) == f"bad check sum: computed {good}, received {bad}"


def identification(*objects: bytes) -> bytes:
    body = bytes.fromhex("01 2B 0E 01 01 00 00") + bytes([len(objects)])
    for number, text in enumerate(objects):
        body += bytes([number, len(text)]) + text
    return summed(body)


@pytest.mark.parametrize(
    ("first", "second"), every_split(identification(b"Evenfall", b"PM-1", b"1.0"))
)
def test_identification_is_found_at_every_split_point(first, second):
    assert (frames.find_identity(first, 1) is not None) == (not second)
    _, reply = frames.find_identity(b"\x00" + first + second, 1)
    assert frames.identity_text(reply) == "Evenfall PM-1 1.0"
