"""Replies are taken whole and valid, or not at all."""

from contextlib import suppress

import pytest
from crccheck.crc import CrcArc
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.sdi12 import codec
from drivers.sdi12.codec import CodecError, Identity, Timing
from tests.drivers.far_end import every_split

# The standard's example, see tests/published/test_wire_sdi12.py.
GUARDED = b"0+3.14OqZ\r\n"


def with_sum(text: str) -> bytes:
    crc = CrcArc.calc(text.encode())
    return text.encode() + bytes([64 | crc >> 12, 64 | crc >> 6 & 63, 64 | crc & 63]) + b"\r\n"


def test_timing_has_seconds_and_count():
    assert codec.decode_timing(b"00053\r\n", "0") == Timing(ready_within_s=5, values=3)
    assert codec.decode_timing(b"a9991\r\n", "a") == Timing(ready_within_s=999, values=1)


def test_a_concurrent_announcement_has_two_digits_of_values():
    assert codec.decode_timing(b"001012\r\n", "0", concurrent=True) == Timing(10, 12)
    for short, concurrent in ((b"00101\r\n", True), (b"001012\r\n", False)):
        with pytest.raises(CodecError, match="not the form 'atttn"):
            codec.decode_timing(short, "0", concurrent=concurrent)


@pytest.mark.parametrize("reply", [b"0", b"\r\n", b"?\r\n", b"00\r\n", b"\xb0\r\n", b" \r\n"])
def test_what_is_no_address_alone_is_no_acknowledgement(reply):
    with pytest.raises(CodecError):
        codec.decode_acknowledgement(reply)
    assert codec.decode_acknowledgement(b"z\r\n") == "z"
    with pytest.raises(CodecError):
        codec.decode_acknowledgement(b"z\r\n", "a")


@pytest.mark.parametrize(
    ("reply", "values"),
    [
        (b"0+3.14\r\n", (3.14,)),
        (b"0-0.5+1234567\r\n", (-0.5, 1234567.0)),
        (b"0+.5-7.\r\n", (0.5, -7.0)),
        (b"0\r\n", ()),
    ],
)
def test_values_are_signed_numbers(reply, values):
    assert codec.decode_values(reply, "0", crc=False) == values


@pytest.mark.parametrize(
    ("reply", "problem"),
    [
        (b"0+3.14", "cut short"),
        (b"1+3.14\r\n", "does not begin with address '0'"),
        (b"\r\n", "does not begin with address"),
        (b"03.14\r\n", "not a row of signed numbers"),
        (b"0+3.1.4\r\n", "not a row of signed numbers"),
        (b"0+\r\n", "not a row of signed numbers"),
        (b"0+.\r\n", "not a row of signed numbers"),
        (b"0+12345678\r\n", "up to 7 digits"),
        (b"0+1.5x\r\n", "not a row of signed numbers"),
        (b"0+nan\r\n", "not a row of signed numbers"),
    ],
)
def test_what_is_not_a_row_of_values_is_refused(reply, problem):
    with pytest.raises(CodecError, match=problem):
        codec.decode_values(reply, "0", crc=False)


def test_a_missing_or_wrong_sum_is_refused_with_both_sums():
    with pytest.raises(CodecError, match=r"computed b'OqZ', received b'Oq\['"):
        codec.decode_values(b"0+3.14Oq[\r\n", "0", crc=True)
    with pytest.raises(CodecError, match="no check sum"):
        codec.decode_values(b"0\r\n", "0", crc=True)


@pytest.mark.parametrize("bit", range(7))
@pytest.mark.parametrize("place", range(len(GUARDED)))
def test_any_one_wrong_bit_of_a_guarded_reply_is_noticed(place, bit):
    damaged = bytearray(GUARDED)
    damaged[place] ^= 1 << bit
    with pytest.raises(CodecError):
        codec.decode_values(bytes(damaged), "0", crc=True)


@given(
    numbers=st.lists(
        st.decimals(min_value=-99999, max_value=99999, places=2).filter(lambda d: d == d),
        min_size=1,
        max_size=6,
    ),
    address=st.sampled_from("0aZ9"),
)
@settings(deadline=None)
def test_what_a_sensor_writes_is_what_is_read(numbers, address):
    text = address + "".join(f"{number:+.2f}" for number in numbers)
    expected = tuple(float(number) for number in numbers)
    assert codec.decode_values(with_sum(text), address, crc=True) == expected
    assert codec.decode_values(text.encode() + b"\r\n", address, crc=False) == expected


@given(data=st.binary(max_size=100))
@settings(deadline=None)
def test_no_bytes_at_all_break_a_decoder(data):
    for line in [data, *codec.split_lines(data)]:
        for decode in (
            lambda r: codec.decode_values(r, "0", crc=False),
            lambda r: codec.decode_values(r, "0", crc=True),
            lambda r: codec.decode_values(r, "0", crc=False, at_most=1),
            lambda r: codec.decode_timing(r, "0"),
            lambda r: codec.decode_timing(r, "0", concurrent=True),
            codec.decode_acknowledgement,
            lambda r: codec.decode_identity(r, "0"),
            lambda r: codec.decode_service_request(r, "0"),
        ):
            with suppress(CodecError):
                decode(line)


@pytest.mark.parametrize(("first", "second"), every_split(GUARDED))
def test_a_line_is_whole_only_at_its_end(first, second):
    assert codec.split_lines(first) == ([GUARDED] if not second else [])
    assert codec.split_lines(first + second) == [GUARDED]


def test_noise_before_a_line_is_taken_off_and_a_bad_line_stays_apart_from_a_good_one():
    assert codec.split_lines(b"\x00\xff\x000+1\r\n") == [b"0+1\r\n"]
    assert codec.split_lines(b"0+3.1\r\n" + GUARDED + b"0+") == [b"0+3.1\r\n", GUARDED]


def test_identity_is_taken_apart_by_its_columns():
    # Columns of the standard: ll cccccccc mmmmmm vvv xxx (SDI-12 v1.4 section 4, from memory).
    reply = b"013EVENFALLQUANTM1.2S-0042\r\n"
    assert codec.decode_identity(reply, "0") == Identity(
        version="1.3", vendor="EVENFALL", model="QUANTM", firmware="1.2", serial="S-0042"
    )
    assert str(codec.decode_identity(b"014bench   PAR   1.0\r\n", "0")) == (
        "SDI-12 1.4: bench PAR 1.0"
    )
    with pytest.raises(CodecError, match="allcccccccc"):
        codec.decode_identity(b"013short\r\n", "0")
