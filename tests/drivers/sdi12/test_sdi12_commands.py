"""Each way of measuring that the standard has, and what goes wrong in it."""

from itertools import pairwise

import pytest

from drivers.clock import VirtualClock
from drivers.errors import DeviceFault, GarbledReply, NoReply
from drivers.memory_line import MemoryLine
from drivers.sdi12.options import QuantumSensorOptions, line_settings
from drivers.sdi12.sensor import QuantumSensor
from drivers.simulated.instruments import Sdi12Sensor
from drivers.simulated.peer import Fault
from drivers.simulated.sdi12_peer import Sdi12Peer
from tests.drivers.far_end import every_split, finish, in_turn, wired

DELAY_S = 0.015


def replies(*texts):
    return [[(DELAY_S, text.encode())] for text in texts]


def scripted(answer, **options):
    made = QuantumSensorOptions(port="memory", **options)
    clock, peer, line = wired(answer, line_settings(made))
    return clock, peer, line, QuantumSensor(made, line, clock, "light sensor")


def simulated(*faults, ppfd=123.4, sensor=None, **options):
    """Return clock, line and sensor over the simulated one, which obeys the standard."""
    made = QuantumSensorOptions(port="memory", **options)
    peer = Sdi12Peer(Sdi12Sensor(faults=faults, **(sensor or {})), lambda start_s, end_s: ppfd)
    clock = VirtualClock()
    line = MemoryLine("memory", line_settings(made), clock, peer)
    return clock, line, QuantumSensor(made, line, clock, "light sensor")


def read(clock, sensor):
    sensor.start()
    (reading,) = finish(sensor, clock)
    return reading


def commands(peer):
    return [data.decode() for _, data in peer.requests]


# -- concurrent ---------------------------------------------------------------------------------


def test_a_concurrent_measurement_waits_its_announced_time_and_no_service_request():
    clock, peer, _, sensor = scripted(
        in_turn(*replies("000201\r\n", "0+500.0\r\n")), command="C", averaging_s=0.5
    )
    reading = read(clock, sensor)
    assert commands(peer) == ["0C!", "0D0!"]
    # Break, marking, 3 characters, answer after 15 ms of 8 characters; then 2 s.
    ready_s = 0.0123 + 0.00843 + 3 / 120 + DELAY_S + 8 / 120 + 2.0
    assert reading.window_end_s == pytest.approx(ready_s)
    assert reading.window_start_s == pytest.approx(ready_s - 0.5)
    assert peer.requests[1][0] > ready_s


def test_a_concurrent_measurement_that_is_ready_at_once_is_fetched_at_once():
    clock, peer, _, sensor = scripted(in_turn(*replies("000001\r\n", "0+5\r\n")), command="C")
    assert read(clock, sensor).value == 5.0
    assert len(peer.breaks) == 1
    assert clock.elapsed_s() < 0.4


def test_the_plain_form_of_an_answer_is_no_answer_to_a_concurrent_command():
    clock, _, _, sensor = scripted(
        in_turn(*replies("00011\r\n", "000101\r\n", "0+5\r\n")), command="C"
    )
    assert read(clock, sensor).value == 5.0
    assert sensor.retries == 1


def test_up_to_99_values_are_announced_and_the_one_wanted_is_found_on_its_page():
    page = "".join(f"+{n}" for n in range(1, 13))
    clock, peer, _, sensor = scripted(
        in_turn(*replies("000020\r\n", f"0{page}\r\n", "0+13+14+15\r\n")),
        command="C",
        value_number=14,
    )
    assert read(clock, sensor).value == 14.0
    assert commands(peer) == ["0C!", "0D0!", "0D1!"]


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({"command": "C", "crc": True}, "0CC!"),
        ({"command": "C", "measurement": 3}, "0C3!"),
        ({"command": "C", "measurement": 3, "crc": True}, "0CC3!"),
        ({"command": "M", "measurement": 9, "crc": True}, "0MC9!"),
        ({"command": "R"}, "0R0!"),
        ({"command": "R", "measurement": 4}, "0R4!"),
        ({"command": "R", "crc": True}, "0RC0!"),
    ],
)
def test_commands_have_the_forms_of_the_standard(options, expected):
    # SDI-12 v1.4 section 4 (from memory); forms of aR0! and aRC0! also in a public modem manual.
    clock, peer, _, sensor = scripted(lambda request: (), reply_within_s=0.02, **options)
    sensor.start()
    with pytest.raises(NoReply):
        finish(sensor, clock)
    assert set(commands(peer)) == {expected}


# -- continuous ---------------------------------------------------------------------------------


def test_a_sensor_that_measures_all_the_time_is_read_in_one_exchange():
    clock, line, sensor = simulated(
        command="R", crc=True, sensor={"measures_continuously": True}, averaging_s=0.8
    )
    reading = read(clock, sensor)
    assert reading.value == 123.4
    assert [e.data for e in line.events if e.kind == "out"] == [b"0RC0!"]
    (asked,) = (event for event in line.events if event.kind == "out")
    assert reading.window_end_s == pytest.approx(asked.end_s)


def test_a_sensor_that_does_not_measure_all_the_time_says_so():
    clock, _, sensor = simulated(command="R")
    sensor.start()
    with pytest.raises(DeviceFault, match=r"gives 0 values to '0R0!'.*Set 'command' to"):
        finish(sensor, clock)


# -- verification -------------------------------------------------------------------------------


def test_verification_gives_all_its_values_over_several_data_commands():
    verification = (1.0, 2.0, 3.0, 4.0, 5.0)
    clock, line, sensor = simulated(sensor={"verification": verification, "values_per_page": 2})
    sensor.start_verification()
    assert finish(sensor, clock, poll=sensor.poll_verification) == verification
    sent = [event.data.decode() for event in line.events if event.kind == "out"]
    assert sent == ["0V!", "0D0!", "0D1!", "0D2!"]


def test_a_sensor_with_nothing_to_verify_has_no_values():
    clock, _, sensor = simulated()
    sensor.start_verification()
    assert finish(sensor, clock, poll=sensor.poll_verification) == ()


def test_verification_may_take_time_and_call_when_it_is_ready():
    answer = in_turn([(DELAY_S, b"00052\r\n"), (0.7, b"0\r\n")], *replies("0+1-2\r\n"))
    clock, _, _, sensor = scripted(answer)
    sensor.start_verification()
    assert finish(sensor, clock, poll=sensor.poll_verification) == (1.0, -2.0)
    assert clock.elapsed_s() < 1.2


# -- data over several commands -----------------------------------------------------------------


@pytest.mark.parametrize(("wanted", "value"), [(1, 123.4), (2, 7.0), (4, -9.0)])
def test_values_are_counted_across_the_data_commands(wanted, value):
    clock, _, sensor = simulated(
        crc=True,
        value_number=wanted,
        sensor={"other_values": (7.0, 8.0, -9.0), "values_per_page": 2},
    )
    assert read(clock, sensor).value == value


def test_fewer_values_than_announced_are_a_measurement_given_up():
    clock, _, _, sensor = scripted(
        in_turn(*replies("00003\r\n", "0+1+2\r\n", "0\r\n")), value_number=3
    )
    sensor.start()
    with pytest.raises(DeviceFault, match="has 2 values to give; value 3 is wanted"):
        finish(sensor, clock)


def test_ten_data_commands_are_the_end():
    clock, peer, _, sensor = scripted(
        in_turn(*replies("000099\r\n"), *replies(*["0+1\r\n"] * 20)),
        command="C",
        value_number=20,
    )
    sensor.start()
    with pytest.raises(DeviceFault, match="gave 10 values on 10 pages; value 20 is wanted"):
        finish(sensor, clock)
    assert commands(peer)[-1] == "0D9!"


def test_a_late_answer_to_one_data_command_is_not_taken_for_that_to_the_next():
    # The answer to the first 0D0! comes after its retry was sent; that to the retry is late too,
    # and would arrive after 0D1! if it were sent at once: as value 2 it would read 1, not 2.
    answer = in_turn(
        *replies("00002\r\n"),
        [(0.25, b"0+1\r\n")],
        [(0.25, b"0+1\r\n")],
        [(0.25, b"0+2\r\n")],
        [(0.25, b"0+2\r\n")],
    )
    clock, _, _, sensor = scripted(answer, value_number=2, reply_within_s=0.2)
    assert read(clock, sensor).value == 2.0
    assert sensor.retries == 2


# -- service requests ---------------------------------------------------------------------------


def test_a_service_request_that_comes_late_is_not_taken_for_an_empty_answer():
    # Announced 1 s; the sensor calls as it is being asked for its data.
    answer = in_turn(
        [(DELAY_S, b"00011\r\n")],
        [(0.002, b"0\r\n"), (0.06, b"0+500.0\r\n")],
    )
    clock, _, _, sensor = scripted(answer)
    assert read(clock, sensor).value == 500.0
    assert sensor.retries == 0


def test_a_service_request_lost_on_the_way_costs_the_announced_time_and_no_more():
    clock, _, sensor = simulated(Fault(kind="no-service-request", at_exchange=1))
    reading = read(clock, sensor)
    assert (reading.value, sensor.retries) == (123.4, 0)
    assert 1.1 < clock.elapsed_s() < 1.5


def test_a_sensor_late_by_its_own_clock_is_given_the_time_that_the_profile_adds():
    # It announces 1 s (of 0.9 s) but its clock is slow: 1.3 s, called by nobody.
    late = {"measuring_s": 1.0}
    fault = Fault(kind="no-service-request", at_exchange=1)
    clock, _, sensor = simulated(fault, sensor=late, fetch_after_s=0.5)
    assert read(clock, sensor).value == 123.4
    assert clock.elapsed_s() > 1.5


# -- what catches a wrong value -----------------------------------------------------------------


def test_an_answer_that_ran_into_the_next_one_has_too_many_values():
    # "0+12" lost its end, and the sensor's second answer follows: +120 would be a wrong value.
    answer = in_turn(*replies("00001\r\n", "0+120+123.4\r\n", "0+123.4\r\n"))
    clock, _, _, sensor = scripted(answer)
    assert read(clock, sensor).value == 123.4
    assert sensor.retries == 1


def test_an_announcement_beyond_reason_was_misheard_and_is_asked_for_again():
    # One bit of '0' (0x30) turned makes '8' (0x38): 800 s.
    answer = in_turn(*replies("08001\r\n", "00001\r\n", "0+5\r\n"))
    clock, _, _, sensor = scripted(answer)
    assert read(clock, sensor).value == 5.0
    assert (sensor.retries, clock.elapsed_s() < 1.0) == (1, True)


def test_an_announcement_that_stays_beyond_reason_names_the_option():
    clock, _, _, sensor = scripted(lambda request: [(DELAY_S, b"01201\r\n")])
    sensor.start()
    with pytest.raises(GarbledReply, match="announces 120 s, more than 'longest_wait_s' allows"):
        finish(sensor, clock)
    assert clock.elapsed_s() < 3.0


@pytest.mark.parametrize(("first", "second"), every_split(b"000101\r\n"))
def test_a_concurrent_announcement_is_found_at_every_split_point(first, second):
    parts = [(DELAY_S, first)] * bool(first) + [(DELAY_S + 0.09, second)] * bool(second)
    clock, _, _, sensor = scripted(in_turn(parts, *replies("0+5\r\n")), command="C")
    assert (read(clock, sensor).value, sensor.retries) == (5.0, 0)


# -- timing -------------------------------------------------------------------------------------


def test_a_longer_break_and_marking_are_held_where_the_profile_asks():
    clock, _, line, sensor = scripted(
        in_turn(*replies("00001\r\n", "0+5\r\n")), break_s=0.03, marking_s=0.05
    )
    read(clock, sensor)
    held, marking = list(line.events)[:2]
    assert held.end_s - held.start_s == pytest.approx(0.03)
    assert marking.end_s - marking.start_s == pytest.approx(0.05)


@pytest.mark.parametrize("late_s", [0.35, 0.9, 2.0])
def test_an_adapter_that_is_late_is_waited_for_as_the_profile_says(late_s):
    late = lambda request: [(late_s, b"00001\r\n" if b"M" in request else b"0+7\r\n")]  # noqa: E731
    clock, _, _, sensor = scripted(late, reply_within_s=late_s + 0.1)
    assert (read(clock, sensor).value, sensor.retries) == (7.0, 0)


def test_an_adapter_that_pauses_in_the_middle_is_waited_for_as_the_profile_says():
    answer = in_turn(*replies("00001\r\n"), [(DELAY_S, b"0+1"), (0.3, b"23.4\r\n")])
    clock, _, _, sensor = scripted(answer, pause_within_s=0.4)
    assert (read(clock, sensor).value, sensor.retries) == (123.4, 0)


@pytest.mark.parametrize("reply_within_s", [0.001, 0.02, 0.05])
def test_three_tries_after_each_break_16_67_ms_apart(reply_within_s):
    # SDI-12 v1.4: three tries or more, at least 16.67 ms apart (from memory).
    clock, _, line, sensor = scripted(
        lambda request: (), command="C", reply_within_s=reply_within_s, marking_s=0.00833
    )
    sensor.start()
    with pytest.raises(NoReply):
        finish(sensor, clock)
    kinds = [event.kind for event in line.events]
    assert kinds == ["break", "marking", "out", "out", "out"] * 2
    sent = [event for event in line.events if event.kind == "out"]
    assert all(b.start_s - a.end_s >= 16.67e-3 - 1e-9 for a, b in pairwise(sent))
    assert clock.elapsed_s() < 1.0


def test_tries_so_far_apart_that_the_sensor_may_sleep_each_have_a_break_of_their_own():
    # A sensor is awake for 100 ms after a break; unheard, the second try would find it asleep.
    clock, line, sensor = simulated(Fault(kind="drop", at_exchange=1, exchanges=2))
    assert read(clock, sensor).value == 123.4
    kinds = [event.kind for event in line.events]
    assert kinds[:9] == ["break", "marking", "out"] * 3
    assert sensor.retries == 2
