"""Register maps become few requests, and words become numbers."""

import math
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.modbus import registers
from drivers.modbus.options import RegisterOptions


def row(register, type="float32", quantity="wall_power_w", **more):
    return RegisterOptions(quantity=quantity, register=register, type=type, **more)


def spans(rows, bridged):
    return [(r.function, r.first, r.count) for r in registers.plan_requests(rows, bridged)]


def test_neighbours_are_read_in_one_request():
    assert spans([row(2), row(0), row(4, "int16")], 0) == [(3, 0, 5)]


def test_gaps_are_bridged_as_far_as_allowed():
    rows = [row(0), row(6), row(12)]  # 4 registers between one and the next
    assert spans(rows, 4) == [(3, 0, 14)]
    assert spans(rows, 3) == [(3, 0, 2), (3, 6, 2), (3, 12, 2)]


def test_functions_are_never_mixed():
    assert spans([row(0), row(2, function=4)], 100) == [(3, 0, 2), (4, 2, 2)]


def test_no_request_is_longer_than_the_standard_allows():
    assert spans([row(0), row(122), row(125, "int16")], 120) == [(3, 0, 124), (3, 125, 1)]


def test_overlapping_rows_are_read_once():
    assert spans([row(0), row(1, "int16")], 0) == [(3, 0, 2)]


@pytest.mark.parametrize(
    ("type", "words", "value"),
    [
        # By hand from two's complement; the float is in tests/published.
        ("int16", [0xFFFE], -2.0),
        ("uint16", [0xFFFE], 65534.0),
        ("int32", [0xFFFF, 0xFFFE], -2.0),
        ("uint32", [0x0001, 0x0000], 65536.0),
    ],
)
def test_words_are_read_by_their_type(type, words, value):
    (request,) = registers.plan_requests([row(7, type)], 0)
    assert registers.decode(row(7, type), request, words) == value


def test_low_word_first_and_scale():
    little = row(7, "uint32", word_order="little", scale=0.1)
    (request,) = registers.plan_requests([little], 0)
    assert registers.decode(little, request, [0x0002, 0x0001]) == pytest.approx(6553.8)


@pytest.mark.parametrize("bits", [0x7FC00000, 0x7F800000, 0xFF800000])
def test_a_float_that_is_no_number_is_missing(bits):
    (request,) = registers.plan_requests([row(0)], 0)
    assert math.isnan(registers.decode(row(0), request, [bits >> 16, bits & 0xFFFF]))


@given(value=st.floats(width=32, allow_nan=False, allow_infinity=False), little=st.booleans())
@settings(deadline=None)
def test_floats_come_back_as_sent(value, little):
    words = list(struct.unpack(">HH", struct.pack(">f", value)))
    made = row(10, word_order="little" if little else "big")
    (request,) = registers.plan_requests([row(8), made], 0)
    sent = [0, 0, *(reversed(words) if little else words)]
    assert registers.decode(made, request, sent) == value


@given(
    places=st.lists(
        st.tuples(st.integers(0, 400), st.sampled_from(["int16", "float32"])),
        min_size=1,
        max_size=12,
    ),
    bridged=st.integers(0, 120),
)
@settings(deadline=None)
def test_every_row_is_inside_exactly_one_request(places, bridged):
    rows = [row(place, type) for place, type in places]
    requests = registers.plan_requests(rows, bridged)
    assert sum(len(request.rows) for request in requests) == len(rows)
    for request in requests:
        assert 1 <= request.count <= registers.MOST_REGISTERS
        for made in request.rows:
            assert request.first <= made.register
            assert made.register + registers.width(made) <= request.first + request.count
