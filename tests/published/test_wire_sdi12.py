"""SDI-12 against published examples and a second check-sum library."""

import pytest
from crccheck.crc import CrcArc
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.sdi12 import codec

# SDI-12 v1.4, sections 4.4.12.3 a to d and 4.4.8.1, section numbers as quoted by independent
# public test suites. Status: read second-hand, each also computed with CrcArc below.
STANDARD = [
    ("0+3.14", "OqZ"),
    ("0+3.14+2.718+1.414", "Ipz"),
    ("0+1.11+2.22+3.33+4.44+5.55+6.66", "I]q"),
    ("0+7.77+8.88+9.99", "IvW"),
    ("0+3.14+2.718", "IWO"),
    ("0", "AP@"),
]
# Worked example in the manual of an ultrasonic weather instrument. Status: read there.
MANUAL = [("1+2.7+85.2-0.2-2.7+770.5", "CAH")]


@pytest.mark.parametrize(("text", "expected"), STANDARD + MANUAL)
def test_check_sum_is_that_of_the_published_example(text, expected):
    assert codec.check_sum(text.encode()) == expected.encode()


@pytest.mark.parametrize(("text", "expected"), STANDARD[:-1])
def test_published_example_decodes_to_its_values(text, expected):
    values = tuple(float(part) for part in text[1:].split("+")[1:])
    reply = (text + expected + "\r\n").encode()
    assert codec.decode_values(reply, "0", crc=True) == values


@given(data=st.binary(max_size=80))
@settings(deadline=None)
def test_check_sum_agrees_with_a_second_library(data):
    crc = CrcArc.calc(data)
    expected = bytes([0x40 | crc >> 12, 0x40 | (crc >> 6) & 0x3F, 0x40 | crc & 0x3F])
    assert codec.check_sum(data) == expected


def test_times_are_not_shorter_than_the_standard_asks():
    # SDI-12 as restated in two weather-transmitter manuals, appendix B. Status: second-hand.
    assert codec.BREAK_S >= 12e-3
    assert codec.MARKING_S >= 8.33e-3
    # Status: from memory.
    assert codec.RETRY_AFTER_S >= 16.67e-3


def test_commands_have_the_forms_of_the_standard():
    # SDI-12 v1.4 section 4. Status: from memory.
    assert codec.start_measurement("0") == b"0M!"
    assert codec.start_measurement("0", crc=True) == b"0MC!"
    assert codec.start_measurement("3", 2) == b"3M2!"
    assert codec.start_measurement("3", 2, crc=True) == b"3MC2!"
    assert codec.send_values("a", 9) == b"aD9!"
    assert codec.identify("0") == b"0I!"
    assert codec.start_concurrent("0") == b"0C!"
    assert codec.start_concurrent("0", crc=True) == b"0CC!"
    assert codec.start_concurrent("z", 9, crc=True) == b"zCC9!"
    assert codec.start_verification("0") == b"0V!"
    assert codec.acknowledge("0") == b"0!"
    assert codec.query_address() == b"?!"
    assert codec.change_address("0", "1") == b"0A1!"
    # Also in the manual of a public data modem. Status: read there.
    assert codec.read_continuous("0") == b"0R0!"
    assert codec.read_continuous("0", 9, crc=True) == b"0RC9!"


def test_announcements_have_the_forms_of_the_standard():
    # The worked exchange of three sensors in a public data logger's help: 30 s and 5 values,
    # 40 s and 6, 20 s and 10. Status: read there.
    for reply, ready_within_s, values in (
        (b"X03005\r\n", 30, 5),
        (b"Y04006\r\n", 40, 6),
        (b"Z02010\r\n", 20, 10),
    ):
        timing = codec.decode_timing(reply, reply[:1].decode(), concurrent=True)
        assert timing == codec.Timing(ready_within_s, values)
    page = codec.decode_values(b"Z+1+2+3+4+5+6+7+8+9+10\r\n", "Z", crc=False, at_most=10)
    assert page == tuple(range(1, 11))


@pytest.mark.parametrize(("text", "expected"), STANDARD + MANUAL)
@pytest.mark.parametrize("place", range(4))
def test_a_published_example_with_one_character_changed_is_refused(text, expected, place):
    reply = bytearray((text + expected + "\r\n").encode())
    at = (place * len(reply)) // 4
    reply[at] ^= 0x01
    with pytest.raises(codec.CodecError):
        codec.decode_values(bytes(reply), text[0], crc=True)
