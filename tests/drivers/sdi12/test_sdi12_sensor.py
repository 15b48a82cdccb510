"""The quantum sensor's conversation, on a wire with its timing."""

import math
import time
from itertools import pairwise

import pytest

from drivers.errors import DeviceFault, GarbledReply, NoReply, PortLost
from drivers.line import SerialSettings
from drivers.sdi12.options import QuantumSensorOptions, line_settings
from drivers.sdi12.sensor import QuantumSensor
from tests.drivers.far_end import every_split, finish, in_turn, wired

BYTE_S = 10 / 1200
DELAY_S = 0.015
# What the driver holds; the standard's least is asserted where the wire is looked at.
BREAK_S, MARKING_S = 0.0123, 0.00843


def replies(*texts):
    return [[(DELAY_S, text.encode())] for text in texts]


def bench(answer, *, peer_settings=None, **options):
    made = QuantumSensorOptions(port="memory", **options)
    clock, peer, line = wired(answer, line_settings(made), peer_settings=peer_settings)
    return clock, peer, line, QuantumSensor(made, line, clock, "light sensor")


def test_an_immediate_measurement_takes_exactly_its_bits_and_silences():
    began = time.perf_counter()
    clock, peer, _, sensor = bench(
        in_turn(*replies("00001\r\n", "0+123.4\r\n")), averaging_s=0.1, lag_s=0.02
    )
    sensor.start()
    (reading,) = finish(sensor, clock)
    first_s = BREAK_S + MARKING_S + 3 * BYTE_S + DELAY_S + 7 * BYTE_S
    second_s = MARKING_S + 4 * BYTE_S + DELAY_S + 9 * BYTE_S
    assert clock.elapsed_s() == pytest.approx(first_s + second_s, abs=1e-12)
    assert time.perf_counter() - began < 0.5
    assert [data for _, data in peer.requests] == [b"0M!", b"0D0!"]
    assert reading.quantity == "ppfd_umol_m2_s"
    assert reading.value == 123.4
    assert reading.raw == b"0+123.4\r\n"
    assert reading.window_end_s == pytest.approx(first_s - 0.02)
    assert reading.window_start_s == pytest.approx(first_s - 0.02 - 0.1)
    assert sensor.retries == 0
    assert sensor.wake_s == math.inf


def test_break_marking_and_character_format_on_the_wire_are_those_of_the_standard():
    clock, _, line, sensor = bench(in_turn(*replies("00001\r\n", "0+1\r\n")))
    sensor.start()
    finish(sensor, clock)
    held, marking, command = list(line.events)[:3]
    assert (held.kind, marking.kind, command.kind) == ("break", "marking", "out")
    assert held.end_s - held.start_s >= 12e-3
    assert marking.end_s - marking.start_s >= 8.33e-3
    assert command.data == b"0M!"
    assert command.settings == SerialSettings(1200, 7, "even", 1)
    # The second command comes within 87 ms of the reply, so it needs no break of its own.
    assert [event.kind for event in line.events] == ["break", "marking", "out", "in", "out", "in"]
    gap_s = line.events[4].start_s - line.events[3].end_s
    assert 8.33e-3 <= gap_s < 87e-3


def test_a_sensor_that_may_sleep_is_woken_again():
    clock, peer, _, sensor = bench(in_turn(*replies("00001\r\n", "0+1\r\n") * 2))
    sensor.start()
    finish(sensor, clock)
    clock.wait_until(clock.elapsed_s() + 0.1)
    sensor.start()
    finish(sensor, clock)
    assert len(peer.breaks) == 2


def test_no_break_is_sent_where_the_adapter_does_it():
    clock, peer, _, sensor = bench(
        in_turn(*replies("00001\r\n", "0+1\r\n")), send_break=False, character_format="8N1"
    )
    sensor.start()
    finish(sensor, clock)
    assert peer.breaks == []


def test_service_request_ends_the_wait_and_the_window():
    # Announced 3 s, ready after 1.5 s.
    answer = in_turn(
        [(DELAY_S, b"00031\r\n"), (1.5, b"0\r\n")],
        *replies("0+500.0\r\n"),
    )
    clock, peer, _, sensor = bench(answer, averaging_s=1.0)
    sensor.start()
    (reading,) = finish(sensor, clock)
    called_s = BREAK_S + MARKING_S + 3 * BYTE_S + 1.5
    assert reading.window_end_s == pytest.approx(called_s)
    assert clock.elapsed_s() == pytest.approx(
        called_s + 3 * BYTE_S + MARKING_S + 4 * BYTE_S + DELAY_S + 9 * BYTE_S
    )
    assert len(peer.breaks) == 1


def test_without_a_service_request_the_announced_time_is_waited():
    clock, peer, _, sensor = bench(in_turn(*replies("00021\r\n", "0+500.0\r\n")))
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert reading.window_end_s == pytest.approx(
        BREAK_S + MARKING_S + 3 * BYTE_S + DELAY_S + 7 * BYTE_S + 2.0
    )
    # Two seconds of silence: the sensor is woken before it is asked.
    assert len(peer.breaks) == 2


def test_the_loop_is_free_while_the_sensor_measures():
    clock, _, line, sensor = bench(in_turn(*replies("00051\r\n", "0+500.0\r\n")))
    sensor.start()
    polls = 0
    while sensor.poll() is None:
        polls += 1
        clock.wait_until(sensor.wake_s, watching=(line,))
    assert polls < 40


def test_check_sum_is_asked_for_and_checked():
    clock, peer, _, sensor = bench(in_turn(*replies("00001\r\n", "0+3.14OqZ\r\n")), crc=True)
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert peer.requests[0][1] == b"0MC!"
    assert reading.value == 3.14


def test_a_bad_sum_is_asked_for_again_without_a_new_measurement():
    clock, peer, _, sensor = bench(
        in_turn(*replies("00001\r\n", "0+3.15OqZ\r\n", "0+3.14OqZ\r\n")), crc=True
    )
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert reading.value == 3.14
    assert [data for _, data in peer.requests] == [b"0MC!", b"0D0!", b"0D0!"]
    assert sensor.retries == 1


def test_value_wanted_may_stand_on_a_later_page():
    clock, peer, _, sensor = bench(
        in_turn(*replies("00004\r\n", "0+1+2\r\n", "0+3-4\r\n")), value_number=4, scale=2.0
    )
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert reading.value == -8.0
    assert reading.raw == b"0+3-4\r\n"
    assert peer.requests[-1][1] == b"0D1!"


def test_a_code_for_no_value_is_missing_not_a_number():
    clock, _, _, sensor = bench(
        in_turn(*replies("00001\r\n", "0-9999\r\n")), no_value_codes=(-9999.0,)
    )
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert reading.is_missing


def test_a_silent_sensor_is_asked_three_times_after_each_of_two_breaks():
    clock, peer, _, sensor = bench(lambda request: (), reply_within_s=0.05)
    sensor.start()
    with pytest.raises(NoReply) as caught:
        finish(sensor, clock)
    assert [data for _, data in peer.requests] == [b"0M!"] * 6
    assert len(peer.breaks) == 2
    assert sensor.retries == 5
    assert str(caught.value) == (
        "light sensor, memory address 0: no reply to '0M!' in 0.05 s (6 tries). Check the supply "
        "of the sensor, then the data wire, then its address."
    )
    assert caught.value.request == b"0M!"
    # Retries within one break are at least 16.67 ms apart.
    times = [at_s for at_s, _ in peer.requests]
    assert min(b - a for a, b in pairwise(times)) >= 16.67e-3
    # Bounded, and the driver is idle again.
    assert clock.elapsed_s() < 1.0
    assert sensor.wake_s == math.inf
    sensor.start()


def test_retries_keep_their_distance_even_from_an_impatient_profile():
    # SDI-12 v1.4: at least 16.67 ms from the end of a command to its retry (from memory).
    clock, _, line, sensor = bench(lambda request: (), reply_within_s=0.001)
    sensor.start()
    with pytest.raises(NoReply):
        finish(sensor, clock)
    sent = [event for event in line.events if event.kind == "out"]
    assert all(b.start_s - a.end_s >= 16.67e-3 - 1e-9 for a, b in pairwise(sent))


def test_a_reply_that_begins_just_in_time_may_end_later():
    # Its first character is also the first of the request, so it could be an echo.
    late = lambda request: [(0.285, b"00001\r\n" if b"M" in request else b"0+7\r\n")]  # noqa: E731
    clock, _, _, sensor = bench(late, reply_within_s=0.3)
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert (reading.value, sensor.retries) == (7.0, 0)


def test_a_late_first_byte_is_waited_for_as_long_as_the_profile_says():
    late = lambda request: [(0.35, b"00001\r\n" if b"M" in request else b"0+7\r\n")]  # noqa: E731
    clock, _, _, sensor = bench(late, reply_within_s=0.5)
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert (reading.value, sensor.retries) == (7.0, 0)


def test_a_reply_lost_once_is_found_by_the_retry():
    clock, _, _, sensor = bench(in_turn((), *replies("00001\r\n", "0+7\r\n")))
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert (reading.value, sensor.retries) == (7.0, 1)


@pytest.mark.parametrize(("first", "second"), every_split(b"0+123.4\r\n"))
def test_reply_is_found_at_every_split_point(first, second):
    answer = in_turn(
        *replies("00001\r\n"),
        [(DELAY_S, part) for part in (first, second) if part][:1]
        + [(DELAY_S + 0.09, second) for _ in [0] if first and second],
    )
    clock, _, _, sensor = bench(answer)
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert (reading.value, sensor.retries) == (123.4, 0)


@pytest.mark.parametrize(
    "garbled", [b"\x00\x7f0+123.4OVu\r\n", b"0+12", b"\r\n", b"1+123.4\r\n", b"x" * 60]
)
def test_a_garbled_reply_is_asked_for_again(garbled):
    clock, _, _, sensor = bench(
        in_turn(*replies("00001\r\n"), [(DELAY_S, garbled)], *replies("0+123.4\r\n"))
    )
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert reading.value == 123.4
    assert sensor.retries == 1


def test_noise_then_a_good_reply_needs_no_retry():
    clock, _, _, sensor = bench(in_turn(*replies("00001\r\n"), [(DELAY_S, b"\x00\x000+9\r\n")]))
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert (reading.value, sensor.retries) == (9.0, 0)


def test_a_bad_line_followed_by_a_good_one_needs_no_retry():
    clock, _, _, sensor = bench(
        in_turn(*replies("00001\r\n"), [(DELAY_S, b"0+3.1OqZ\r\n0+3.14OqZ\r\n")]), crc=True
    )
    sensor.start()
    # With a sum asked for, the first answer must be the one to aMC!, which carries none.
    (reading,) = finish(sensor, clock)
    assert (reading.value, sensor.retries) == (3.14, 0)


def test_an_adapter_that_hears_itself_is_understood():
    def answer(request):
        reply = b"00001\r\n" if request == b"0M!" else b"0+5\r\n"
        return [(0.0, request), (0.25, reply)]

    clock, _, _, sensor = bench(answer)
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert (reading.value, sensor.retries) == (5.0, 0)


def test_stale_bytes_are_drained_and_kept_for_the_record():
    clock, peer, line, sensor = bench(in_turn(*replies("00001\r\n", "0+5\r\n")))
    peer.say(0.0, b"0+777\r\n")
    line.set_break(True)  # makes the peer's appointment known
    line.set_break(False)
    clock.wait_until(1.0)
    sensor.start()
    assert sensor.poll() is None
    assert sensor.unasked == b"0+777\r\n"
    (reading,) = finish(sensor, clock)
    assert reading.value == 5.0


def test_wrong_parity_is_reported_as_such():
    clock, _, _, sensor = bench(
        lambda request: [(DELAY_S, b"00031\r\n")],
        character_format="8N1",
        peer_settings=SerialSettings(1200, 7, "even", 1),
        reply_within_s=0.05,
    )
    sensor.start()
    with pytest.raises(GarbledReply, match="check 'baud' and 'character_format'") as caught:
        finish(sensor, clock)
    # By hand: "1" and CR have an odd number of ones, so their top bits arrive set.
    assert caught.value.reply == b"0003\xb1\x8d\x0a"


def test_a_sensor_that_announces_too_few_values_is_a_matter_of_the_profile():
    clock, _, _, sensor = bench(in_turn(*replies("00001\r\n")), value_number=2)
    sensor.start()
    with pytest.raises(DeviceFault, match=r"announces 1 values; value 2 is wanted.*value_number"):
        finish(sensor, clock)


def test_a_measurement_given_up_is_a_fault_not_a_value():
    clock, _, _, sensor = bench(in_turn(*replies("00001\r\n", "0\r\n")))
    sensor.start()
    with pytest.raises(DeviceFault, match="gave up the measurement"):
        finish(sensor, clock)


def test_identity_is_one_line():
    clock, peer, _, sensor = bench(in_turn(*replies("013EVENFALLQUANTM1.2S-0042\r\n")))
    sensor.start_identify()
    assert finish(sensor, clock, poll=sensor.poll_identity) == (
        "SDI-12 1.3: EVENFALL QUANTM 1.2 S-0042"
    )
    assert peer.requests[0][1] == b"0I!"


def test_cancel_in_the_middle_of_a_break_releases_the_line():
    clock, _, line, sensor = bench(in_turn(*replies("00001\r\n", "0+5\r\n")))
    sensor.start()
    assert sensor.poll() is None
    sensor.cancel()
    assert [event.kind for event in line.events] == ["break"]
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert reading.value == 5.0


def test_a_lost_port_names_the_sensor():
    clock, _, line, sensor = bench(in_turn(*replies("00001\r\n")))
    sensor.start()
    sensor.poll()
    line.unplug()
    with pytest.raises(PortLost, match="light sensor, memory address 0: the port is gone"):
        finish(sensor, clock)
    sensor.cancel()
    sensor.close()


def test_starting_twice_is_a_fault_of_the_caller():
    _, _, _, sensor = bench(lambda request: ())
    sensor.start()
    with pytest.raises(RuntimeError, match="under way"):
        sensor.start()
