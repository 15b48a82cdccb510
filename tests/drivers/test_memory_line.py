"""The wire in memory keeps the time of a wire, and garbles as a wire does."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.errors import PortLost, WriteStalled
from drivers.line import SerialSettings
from drivers.memory_line import as_heard
from tests.drivers.far_end import wired

N81 = SerialSettings(9600)
E71 = SerialSettings(1200, data_bits=7, parity="even")


@pytest.mark.parametrize(
    ("text", "baud", "bits"),
    [("8N1", 9600, 10), ("7E1", 1200, 10), ("8E1", 19200, 11), ("8N2", 9600, 11)],
)
def test_a_character_takes_its_bits(text, baud, bits):
    made = SerialSettings.from_text(baud, text)
    assert made.seconds_per_byte == bits / baud
    assert made.character_format == text


def test_request_arrives_and_reply_returns_at_their_times():
    # By hand: 4 characters out at 10/9600 s, 5 ms later 3 characters back.
    clock, peer, line = wired(lambda request: [(0.005, b"abc")], N81)
    ends_s = line.write(b"ping")
    assert ends_s == pytest.approx(40 / 9600)
    clock.wait_until(10.0, watching=(line,))
    assert peer.requests == [(pytest.approx(40 / 9600), b"ping")]
    assert clock.elapsed_s() == pytest.approx(40 / 9600 + 0.005 + 10 / 9600)
    assert line.read() == b"a"
    clock.wait_until(10.0, watching=(line,))
    assert clock.elapsed_s() == pytest.approx(40 / 9600 + 0.005 + 30 / 9600)
    assert line.read() == b"bc"


def test_two_writes_queue_on_the_wire():
    clock, peer, line = wired(lambda request: (), N81)
    line.write(b"1234")
    assert line.write(b"5678") == pytest.approx(80 / 9600)
    clock.wait_until(1.0)
    assert [at_s for at_s, _ in peer.requests] == pytest.approx([40 / 9600, 80 / 9600])


def test_break_and_marking_stand_in_the_log_with_their_times():
    clock, peer, line = wired(lambda request: (), E71)
    line.set_break(True)
    clock.wait_until(0.012)
    line.set_break(False)
    clock.wait_until(0.021)
    line.write(b"0!")
    assert [(e.kind, e.start_s, e.end_s) for e in line.events] == [
        ("break", 0.0, 0.012),
        ("marking", 0.012, 0.021),
        ("out", 0.021, pytest.approx(0.021 + 20 / 1200)),
    ]
    assert peer.breaks == [(0.0, 0.012)]


def test_even_parity_shows_as_an_eighth_bit_to_a_receiver_without_parity():
    # By hand: 'A' is 41 hex, two ones, even: top bit 0. 'C' is 43 hex, three ones: top bit 1.
    without = SerialSettings(1200)
    assert as_heard(b"AC", E71, without) == b"\x41\xc3"


def test_eight_bits_lose_their_parity_place_to_a_seven_bit_receiver():
    assert as_heard(b"\x41\xc3", SerialSettings(1200), E71) == b"\x41\x43"


def test_wrong_baud_rate_is_garbage():
    heard = as_heard(b"0M!", SerialSettings(1200), SerialSettings(9600))
    assert heard != b"0M!"
    assert len(heard) > 3  # one slow character looks like several quick ones


@given(data=st.binary(max_size=30), parity=st.sampled_from(["none", "even", "odd"]))
@settings(deadline=None)
def test_equal_settings_carry_every_byte(data, parity):
    same = SerialSettings(9600, 8, parity, 1)
    # A second object with two stop bits goes the long way round, bit by bit.
    assert as_heard(data, SerialSettings(9600, 8, parity, 2), same) == data
    assert as_heard(data, same, same) == data


def test_an_unplugged_line_wakes_its_reader_and_says_so():
    clock, _, line = wired(lambda request: [(0.0, b"x")], N81)
    line.write(b"ping")
    line.unplug()
    assert line.readable()
    with pytest.raises(PortLost, match="gone"):
        line.read()
    with pytest.raises(PortLost):
        line.write(b"ping")
    clock.wait_until(1.0)


def test_closing_twice_is_harmless():
    _, _, line = wired(lambda request: (), N81)
    line.close()
    line.close()
    assert not line.readable()
    with pytest.raises(PortLost, match="closed"):
        line.read()


def test_a_stalled_line_takes_no_bytes():
    _, peer, line = wired(lambda request: (), N81)
    line.stall()
    with pytest.raises(WriteStalled):
        line.write(b"ping")
    assert not line.events
    assert not peer.requests


def test_the_log_forgets_its_oldest_events():
    clock, _, line = wired(lambda request: (), SerialSettings(115200))
    for _ in range(5000):
        line.write(b"x")
        clock.wait_until(clock.elapsed_s() + 0.001)
    assert len(line.events) == 4096
    assert math.isclose(clock.elapsed_s(), 5.0)
