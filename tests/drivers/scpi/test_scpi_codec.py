"""What SCPI replies mean, and what is none.

The forms of numbers and texts are those of IEEE 488.2-1992 and SCPI-99, from memory; so are
9.91E37 for "not a number" and 9.9E37 for infinity.
"""

import math
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.scpi import codec
from drivers.scpi.codec import Identity, InstrumentError, NotAReply, Overrange
from tests.drivers.far_end import every_split

GOOD = b"+6.12500E+02\n"


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("612", 612.0),  # NR1
        ("+612", 612.0),
        ("-3", -3.0),
        ("612.5", 612.5),  # NR2
        (".5", 0.5),
        ("-0.968", -0.968),
        ("612.", 612.0),
        ("6.125E2", 612.5),  # NR3
        ("+6.12500E+02", 612.5),
        ("6.125e-01", 0.6125),
        ("  230.1 ", 230.1),
    ],
)
def test_the_three_forms_of_numbers_are_read(written, value):
    assert codec.decode_number(written) == value


@pytest.mark.parametrize(
    "written",
    [
        "9.91E37",
        "9.91E+37",
        "+9.910000E+37",
        "99.1E36",
        "991E35",
        "9.9100000209e37",  # the nearest binary number of 32 bits, printed out
        "9910" + "0" * 34,
        "NAN",
        "nan",
    ],
)
def test_not_a_number_is_missing_however_it_is_written(written):
    assert math.isnan(codec.decode_number(written))


@pytest.mark.parametrize(
    "written", ["9.9E37", "-9.9E37", "+9.90000E+37", "9.9E+99", "INF", "-INF", "NINF", "-9.91E37"]
)
def test_infinity_is_no_value(written):
    with pytest.raises(Overrange, match="infinity"):
        codec.decode_number(written)


@pytest.mark.parametrize(
    "written",
    ["", " ", "+", ".", "E5", "612,5", "612.5 W", "612.5W", "6 12.5", "0x1F", "--5", "1e1234",
     "1_0", "٣", "6.1.2", "nan5", "infinite", "6.125E", "#15612.5"],
)  # fmt: skip
def test_anything_else_is_no_number(written):
    with pytest.raises((NotAReply, Overrange)) as caught:
        codec.decode_number(written)
    assert caught.type is NotAReply


@given(st.floats(-1e6, 1e6), st.sampled_from(["{:.3f}", "{:+.5E}", "{:.6e}", "{:.0f}"]))
@settings(deadline=None, max_examples=200)
def test_a_number_that_was_written_comes_back(value, form):
    written = form.format(value)
    assert codec.decode_number(written) == pytest.approx(float(written), abs=0.0)


@given(st.text(max_size=12))
@settings(deadline=None, max_examples=300)
def test_any_text_is_a_number_or_said_to_be_none(text):
    try:
        value = codec.decode_number(text)
    except (NotAReply, Overrange):
        return
    assert math.isnan(value) or value == float(text.replace(" ", ""))


@pytest.mark.parametrize(("first", "second"), every_split(GOOD))
def test_a_message_is_whole_only_with_its_terminator(first, second):
    whole, rest = codec.split_messages(first, b"\n")
    assert whole == ([] if second else [b"+6.12500E+02"])
    assert rest == (first if second else b"")


def test_messages_end_as_the_terminator_says():
    assert codec.split_messages(b"1\r\n2\r\n3", b"\r\n") == ([b"1", b"2"], b"3")
    assert codec.split_messages(b"1\r\n2\n", b"\n") == ([b"1", b"2"], b"")
    assert codec.split_messages(b"1\r2\r", b"\r") == ([b"1", b"2"], b"")
    assert codec.split_messages(b"1\r", b"\n") == ([], b"1\r")


@given(st.binary(max_size=80), st.sampled_from([b"\n", b"\r\n", b"\r"]))
@settings(deadline=None, max_examples=300)
def test_no_bytes_raise_anything_but_not_a_reply(data, terminator):
    messages, _ = codec.split_messages(data, terminator)
    for message in messages:
        for decode in (codec.text_of, codec.decode_error, codec.decode_identity):
            with suppress(NotAReply):
                decode(message)
        assert codec.looks_like_values(message) in (True, False)


@pytest.mark.parametrize("place", range(len(GOOD) - 1))
@pytest.mark.parametrize("bit", range(8))
def test_a_wrong_bit_that_leaves_a_number_has_changed_a_digit_a_sign_or_a_point(place, bit):
    """What can pass without parity and pattern is just this; see the driver's own tests."""
    damaged = bytearray(GOOD[:-1])
    damaged[place] ^= 1 << bit
    try:
        value = codec.decode_number(codec.text_of(bytes(damaged)))
    except (NotAReply, Overrange):
        return
    before, after = chr(GOOD[place]), chr(damaged[place])
    assert value == 612.5 or (before.isdigit() and after.isdigit()) or (before, after) == ("E", "e")


def test_later_queries_of_a_message_count_from_the_root():
    assert codec.encode(["MEAS:POW?"], b"\n") == b"MEAS:POW?\n"
    assert (
        codec.encode(["MEAS:POW?", "MEAS:VOLT?", ":MEAS:CURR?", "*STB?"], b"\r\n")
        == b"MEAS:POW?;:MEAS:VOLT?;:MEAS:CURR?;*STB?\r\n"
    )


@pytest.mark.parametrize(
    ("message", "number", "text"),
    [
        (b'0,"No error"', 0, "No error"),
        (b'+0,"No error"', 0, "No error"),
        (b'-113,"Undefined header"', -113, "Undefined header"),
        (b'-113, "Undefined header;MEAS:PWR?"', -113, "Undefined header;MEAS:PWR?"),
        (b'-350,"Queue overflow"', -350, "Queue overflow"),
        (b'101,"Say ""cheese"""', 101, 'Say "cheese"'),
        (b"0,No error", 0, "No error"),
        (b'0,""', 0, ""),
    ],
)
def test_an_entry_of_the_error_queue_is_read(message, number, text):
    assert codec.decode_error(message) == InstrumentError(number, text)


@pytest.mark.parametrize(
    "message", [b"", b"0", b"612.5", b"6,12.5", b"0,1", b'0,"No error', b'0,"a"b"', b'x,"y"']
)
def test_a_value_is_no_entry_of_the_error_queue(message):
    with pytest.raises(NotAReply):
        codec.decode_error(message)


def test_four_fields_say_who_it_is():
    made = codec.decode_identity(b"Example Works,PA-1,SN 0042,1.0-b")
    assert made == Identity("Example Works", "PA-1", "SN 0042", "1.0-b")
    assert str(made) == "Example Works PA-1, serial number SN 0042, firmware 1.0-b"
    unnumbered = codec.decode_identity(b"Example Works,PA-1,0,0")
    assert (unnumbered.serial_number, unnumbered.firmware) == ("", "")
    assert str(unnumbered) == "Example Works PA-1, no serial number"


@pytest.mark.parametrize(
    "message", [b"", b"A,B,C", b"A,B,C,D,E", b"1.0,2.0,3.0,4.0", b'0,"No error"', b",B,C,D"]
)
def test_anything_else_names_nobody(message):
    with pytest.raises(NotAReply):
        codec.decode_identity(message)
