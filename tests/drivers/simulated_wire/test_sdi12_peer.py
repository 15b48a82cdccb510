"""The simulated quantum sensor, byte for byte.

Forms: SDI-12 version 1.4, section 4 (aM!, aC!, aD0!, aI!; from memory). Check sums: the worked
examples of section 4.4.12 as quoted in independent public test suites; computed once more here
with crccheck's CRC-16/ARC.
"""

import math

import pytest
from crccheck.crc import CrcArc

from drivers.simulated.instruments import Sdi12Sensor
from drivers.simulated.peer import Fault
from drivers.simulated.sdi12_peer import SECONDS_PER_BYTE, Sdi12Peer, check_sum, written_value

WINDOWS = []


def make(*faults, breaks=False, value=123.4, **data):
    WINDOWS.clear()

    def measure(start_s, end_s):
        WINDOWS.append((start_s, end_s))
        return value

    return Sdi12Peer(Sdi12Sensor(faults=faults, **data), measure, carries_breaks=breaks)


def ask(peer, command, at_s):
    """Send a command whose last bit ends at `at_s`; return (moment, bytes) of the reply."""
    peer.receive(command, at_s)
    return answer(peer)


def answer(peer):
    moment = peer.next_s()
    return (moment, peer.take(moment)) if moment < math.inf else (math.inf, b"")


@pytest.mark.parametrize(
    ("text", "crc"),
    [
        (b"0+3.14", b"OqZ"),
        (b"0+3.14+2.718+1.414", b"Ipz"),
        (b"0+1.11+2.22+3.33+4.44+5.55+6.66", b"I]q"),
        (b"0+7.77+8.88+9.99", b"IvW"),
        (b"0+3.14+2.718", b"IWO"),
        (b"0", b"AP@"),
        (b"1+2.7+85.2-0.2-2.7+770.5", b"CAH"),  # manual of an ultrasonic weather instrument
    ],
)
def test_check_sum_is_that_of_the_published_examples(text, crc):
    assert check_sum(text) == crc
    arc = CrcArc.calc(text)
    assert crc == bytes([0x40 | arc >> 12, 0x40 | arc >> 6 & 0x3F, 0x40 | arc & 0x3F])


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (123.44, 1, "+123.4"),
        (-0.5, 1, "-0.5"),
        (0.0, 0, "+0"),
        (1234567.8, 1, "+1234568"),  # seven digits are all there is room for
        (12345.6789, 4, "+12345.68"),
        (math.nan, 1, ""),
        (math.inf, 1, ""),
    ],
)
def test_values_are_a_sign_and_at_most_seven_digits(value, decimals, text):
    assert written_value(value, decimals) == text


def test_identity_has_the_fixed_columns_of_the_standard():
    peer = make(vendor="ACORN", model="PAR", version="2", serial="A-77")
    assert ask(peer, b"0I!", 1.0)[1] == b"014ACORN   PAR   2  A-77\r\n"


def test_acknowledge_query_and_change_of_address():
    peer = make()
    assert ask(peer, b"0!", 1.0)[1] == b"0\r\n"
    assert ask(peer, b"?!", 2.0)[1] == b"0\r\n"
    assert ask(peer, b"0A7!", 3.0)[1] == b"7\r\n"
    assert ask(peer, b"0!", 4.0)[1] == b""
    assert ask(peer, b"7!", 5.0)[1] == b"7\r\n"


def test_measurement_announces_serves_and_gives_its_value():
    peer = make(measuring_s=1.2, averaging_s=1.0)
    moment, reply = ask(peer, b"0M!", 10.0)
    assert reply == b"00021\r\n"  # ready within 2 s, 1 value
    assert 0.00833 <= moment - 10.0 <= 0.015
    assert answer(peer) == (11.2, b"0\r\n")
    assert ask(peer, b"0D0!", 11.3)[1] == b"0+123.4\r\n"
    (window,) = WINDOWS
    assert window == pytest.approx((10.2, 11.2))


def test_guarded_measurement_carries_the_check_sum():
    peer = make(value=3.14, decimals=2)
    assert ask(peer, b"0MC!", 1.0)[1] == b"00011\r\n"
    answer(peer)
    assert ask(peer, b"0D0!", 2.0)[1] == b"0+3.14OqZ\r\n"
    assert ask(peer, b"0D1!", 2.5)[1] == b"0AP@\r\n"


def test_concurrent_measurement_sends_no_service_request():
    peer = make(measuring_s=0.9)
    assert ask(peer, b"0C!", 1.0)[1] == b"000101\r\n"
    assert answer(peer) == (math.inf, b"")
    assert ask(peer, b"0D0!", 1.5)[1] == b"0\r\n"  # not there yet, and not given up
    assert ask(peer, b"0D0!", 2.0)[1] == b"0+123.4\r\n"


def test_data_asked_for_too_early_ends_the_measurement():
    peer = make(measuring_s=0.9)
    ask(peer, b"0M!", 1.0)
    assert ask(peer, b"0D0!", 1.4)[1] == b"0\r\n"
    assert ask(peer, b"0D0!", 3.0)[1] == b"0\r\n"
    assert WINDOWS == []


def test_sensor_that_has_its_value_at_once_announces_zero_seconds():
    peer = make(measuring_s=0.0, averaging_s=0.5)
    assert ask(peer, b"0M!", 1.0)[1] == b"00001\r\n"
    assert answer(peer) == (math.inf, b"")
    assert ask(peer, b"0D0!", 1.2)[1] == b"0+123.4\r\n"


def test_additional_measurements_have_no_values():
    peer = make()
    assert ask(peer, b"0M1!", 1.0)[1] == b"00000\r\n"
    assert ask(peer, b"0C9!", 2.0)[1] == b"000000\r\n"
    assert ask(peer, b"0V!", 3.0)[1] == b"00000\r\n"
    assert ask(peer, b"0R0!", 4.0)[1] == b"0\r\n"


@pytest.mark.parametrize("command", [b"1M!", b"0Q!", b"?M!", b"0M", b"\xff\xff!", b"0D!", b"0MX!"])
def test_what_is_not_for_it_is_not_answered(command):
    assert ask(make(), command, 1.0) == (math.inf, b"")


def test_half_a_command_is_dropped_when_the_port_is_opened_anew():
    peer = make()
    peer.receive(b"0", 1.0)
    peer.opened(1.1)
    assert ask(peer, b"0!", 1.2)[1] == b"0\r\n"


# ---------------------------------------------------------------- breaks


def send(peer, command, start_s, gap_s=0.0):
    """Send byte by byte, beginning at `start_s`; return when the last has ended."""
    at_s = start_s
    for byte in command:
        at_s += SECONDS_PER_BYTE
        peer.receive(bytes([byte]), at_s)
        at_s += gap_s
    return at_s - gap_s


def test_command_without_a_break_is_not_heard():
    peer = make(breaks=True)
    send(peer, b"0I!", 1.0)
    assert answer(peer)[1] == b""


def test_break_and_marking_wake_the_sensor():
    peer = make(breaks=True)
    peer.line_break(1.0, 1.012)
    send(peer, b"0!", 1.012 + 0.00834)
    assert answer(peer)[1] == b"0\r\n"


def test_break_too_short_does_not():
    peer = make(breaks=True)
    peer.line_break(1.0, 1.0065)
    send(peer, b"0!", 1.02)
    assert answer(peer)[1] == b""


def test_marking_too_short_does_not():
    peer = make(breaks=True)
    peer.line_break(1.0, 1.012)
    send(peer, b"0!", 1.015)
    assert answer(peer)[1] == b""


def test_sensor_sleeps_after_a_tenth_of_a_second_of_marking():
    peer = make(breaks=True)
    peer.line_break(1.0, 1.012)
    send(peer, b"0!", 1.2)
    assert answer(peer)[1] == b""


def test_next_command_soon_after_a_reply_needs_no_break():
    peer = make(breaks=True)
    peer.line_break(1.0, 1.012)
    send(peer, b"0!", 1.0205)
    moment, reply = answer(peer)
    ended_s = moment + len(reply) * SECONDS_PER_BYTE
    send(peer, b"0!", ended_s + 0.05)
    assert answer(peer)[1] == b"0\r\n"
    send(peer, b"0!", ended_s + 1.0)
    assert answer(peer)[1] == b""


def test_command_for_another_sensor_sends_it_to_sleep():
    peer = make(breaks=True)
    peer.line_break(1.0, 1.012)
    ended_s = send(peer, b"1!", 1.0205)
    send(peer, b"0!", ended_s + 0.02)
    assert answer(peer)[1] == b""


def test_pause_within_a_command_spoils_it():
    peer = make(breaks=True)
    peer.line_break(1.0, 1.012)
    send(peer, b"0!", 1.0205, gap_s=0.004)
    assert answer(peer)[1] == b""


def test_break_gives_up_a_measurement_but_not_a_concurrent_one():
    for command, value in ((b"0M!", b"0\r\n"), (b"0C!", b"0+123.4\r\n")):
        peer = make(breaks=True, measuring_s=0.9)
        peer.line_break(1.0, 1.012)
        send(peer, command, 1.0205)
        answer(peer)
        peer.line_break(1.5, 1.512)
        assert answer(peer)[1] == b""
        peer.line_break(3.0, 3.012)
        send(peer, b"0D0!", 3.0205)
        assert answer(peer)[1] == value


# ---------------------------------------------------------------- scripted faults


@pytest.mark.parametrize(
    ("fault", "reply"),
    [
        (Fault(kind="truncate", at_exchange=2, keep_bytes=3), b"0+1"),
        (Fault(kind="garble", at_exchange=2, at_byte=2), b"0+d23.4\r\n"),  # '1' ^ 0x55
        (Fault(kind="drop", at_exchange=2), b""),
        (Fault(kind="double", at_exchange=2), b"0+123.4\r\n0+123.4\r\n"),
        (Fault(kind="garbage", at_exchange=2, data="7f00"), b"\x7f\x000+123.4\r\n"),
        (Fault(kind="wrong-address", at_exchange=2, address="5"), b"5+123.4\r\n"),
        (Fault(kind="value", at_exchange=2, value=-9999.0), b"0-9999.0\r\n"),
        (Fault(kind="no-value", at_exchange=2), b"0\r\n"),
    ],
)
def test_fault_strikes_the_exchange_it_names(fault, reply):
    peer = make(fault, measuring_s=0.0)
    assert ask(peer, b"0M!", 1.0)[1] == b"00001\r\n"
    assert ask(peer, b"0D0!", 1.2)[1] == reply
    assert ask(peer, b"0D0!", 1.4)[1] == b"0+123.4\r\n"
    assert peer.exchanges == 3


def test_late_reply_is_late_by_the_delay():
    plain, late = make(), make(Fault(kind="delay", at_exchange=1, delay_s=0.7))
    assert ask(late, b"0!", 1.0)[0] - ask(plain, b"0!", 1.0)[0] == pytest.approx(0.7)


def test_stuck_sensor_repeats_its_last_value_and_does_not_learn():
    values = iter([10.0, 20.0, 30.0, 40.0])
    sensor = Sdi12Sensor(measuring_s=0.0, faults=(Fault(kind="stuck", at_exchange=3, exchanges=3),))
    peer = Sdi12Peer(sensor, lambda a, b: next(values), carries_breaks=False)
    replies = []
    for n in range(4):
        ask(peer, b"0M!", 2.0 * n + 1.0)
        replies.append(ask(peer, b"0D0!", 2.0 * n + 2.0)[1])
    assert replies == [b"0+10.0\r\n", b"0+10.0\r\n", b"0+30.0\r\n", b"0+40.0\r\n"]


def test_missing_service_request_leaves_the_value_in_place():
    peer = make(Fault(kind="no-service-request", at_exchange=1), measuring_s=0.9)
    assert ask(peer, b"0M!", 1.0)[1] == b"00011\r\n"
    assert answer(peer)[1] == b""
    assert ask(peer, b"0D0!", 2.5)[1] == b"0+123.4\r\n"


def test_fault_may_last_for_ever():
    peer = make(Fault(kind="drop", at_exchange=2, exchanges=math.inf))
    assert [bool(ask(peer, b"0!", n + 1.0)[1]) for n in range(4)] == [True, False, False, False]


def test_unknown_kind_of_fault_is_refused_with_the_known_ones():
    with pytest.raises(ValueError, match=r"'sulk' at exchange 3 .* give one of delay, double, "):
        make(Fault(kind="sulk", at_exchange=3))


# ---------------------------------------------------------------- several values, other commands


def test_values_come_page_by_page_with_the_ppfd_first():
    peer = make(measuring_s=0.0, other_values=(21.5, -3.0), values_per_page=2)
    assert ask(peer, b"0M!", 1.0)[1] == b"00003\r\n"
    assert ask(peer, b"0D0!", 1.2)[1] == b"0+123.4+21.5\r\n"
    assert ask(peer, b"0D1!", 1.4)[1] == b"0-3.0\r\n"
    assert ask(peer, b"0D2!", 1.6)[1] == b"0\r\n"


def test_verification_has_values_of_its_own():
    peer = make(verification=(1.0, 2.0))
    assert ask(peer, b"0V!", 1.0)[1] == b"00002\r\n"
    assert ask(peer, b"0D0!", 1.2)[1] == b"0+1.0+2.0\r\n"


def test_what_is_measured_all_the_time_is_given_at_once():
    peer = make(measures_continuously=True, value=3.14, decimals=2)
    assert ask(peer, b"0R0!", 1.0)[1] == b"0+3.14\r\n"
    assert ask(peer, b"0RC0!", 2.0)[1] == b"0+3.14OqZ\r\n"
    assert ask(peer, b"0R1!", 3.0)[1] == b"0\r\n"


def test_a_sensor_may_keep_its_address():
    peer = make(keeps_address=True)
    assert ask(peer, b"0A7!", 1.0)[1] == b"0\r\n"
    assert ask(peer, b"7!", 2.0)[1] == b""


@pytest.mark.parametrize(("command", "value"), [(b"0M!", b"0\r\n"), (b"0C!", b"0+123.4\r\n")])
def test_another_sensors_command_ends_a_plain_measurement_but_not_a_concurrent_one(command, value):
    peer = make(measuring_s=0.9)
    ask(peer, command, 1.0)
    assert ask(peer, b"1!", 1.4)[1] == b""
    assert ask(peer, b"0D0!", 3.0)[1] == value
