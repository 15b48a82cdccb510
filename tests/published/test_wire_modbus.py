"""Modbus RTU against published frames and two other libraries."""

import minimalmodbus
import pytest
from crccheck.crc import CrcModbus
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.modbus import frames

# Modbus over Serial Line V1.02, appendix B has 02 07 -> 41 12 (from memory); the others are
# common worked examples. All four agree in crcmod, crccheck, minimalmodbus and pymodbus.
PUBLISHED = [
    "02 07 41 12",
    "01 03 00 00 00 0A C5 CD",
    "11 03 00 6B 00 03 76 87",
    "01 03 9C 40 00 02 EB 8F",
]


@pytest.mark.parametrize("text", PUBLISHED)
def test_check_sum_of_a_published_frame_is_right_low_byte_first(text):
    frame = bytes.fromhex(text)
    assert frames.sum_is_right(frame)
    assert int(CrcModbus.calc(frame[:-2])).to_bytes(2, "little") == frame[-2:]


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ((1, 3, 0, 10), PUBLISHED[1]),
        ((17, 3, 0x6B, 3), PUBLISHED[2]),
        ((1, 3, 40000, 2), PUBLISHED[3]),
    ],
)
def test_request_is_the_published_frame(arguments, text):
    assert frames.encode_read(*arguments) == bytes.fromhex(text)


def test_reply_of_the_protocol_document_decodes_to_its_registers():
    # Modbus Application Protocol V1.1b3, section 6.3: registers 022B 0000 0064 (from memory),
    # there with function 3; sum added with crccheck.
    body = bytes.fromhex("11 03 06 02 2B 00 00 00 64")
    frame = body + int(CrcModbus.calc(body)).to_bytes(2, "little")
    found = frames.find_registers(frame, 17, 3, 3)
    assert found is not None
    assert found[1].registers == [0x022B, 0, 0x64]


@given(
    address=st.integers(1, 247),
    function=st.sampled_from([3, 4]),
    register=st.integers(0, 65535),
    count=st.integers(1, 125),
)
@settings(deadline=None)
def test_request_agrees_with_a_second_library(address, function, register, count):
    payload = register.to_bytes(2, "big") + count.to_bytes(2, "big")
    expected = minimalmodbus._embed_payload(address, minimalmodbus.MODE_RTU, function, payload)
    assert frames.encode_read(address, function, register, count) == bytes(expected)


@pytest.mark.parametrize(
    ("baud", "expected_s"), [(9600, 4.010417e-3), (19200, 2.005208e-3), (38400, 1.75e-3)]
)
def test_silent_interval_is_that_of_the_serial_line_document(baud, expected_s):
    # Modbus over Serial Line V1.02, section 2.5.1.1 (from memory).
    assert frames.silent_interval_s(baud) == pytest.approx(expected_s, abs=1e-9)


@given(baud=st.integers(300, 19200))
@settings(deadline=None)
def test_silent_interval_agrees_with_a_second_library(baud):
    assert frames.silent_interval_s(baud) == pytest.approx(
        minimalmodbus._calculate_minimum_silent_period(baud)
    )


def test_float_is_written_as_in_the_sunspec_models():
    # SunSpec models 211 to 214 as in pysunspec2: 1234.5 is 449A 5000, high word first.
    from drivers.modbus import registers
    from drivers.modbus.options import RegisterOptions

    row = RegisterOptions(quantity="wall_power_w", register=28)
    (request,) = registers.plan_requests([row], 0)
    assert registers.decode(row, request, [0x449A, 0x5000]) == 1234.5
    # The same source: a float that is not implemented is 7FC0 0000.
    assert registers.decode(row, request, [0x7FC0, 0x0000]) != registers.decode(
        row, request, [0x7FC0, 0x0000]
    )
