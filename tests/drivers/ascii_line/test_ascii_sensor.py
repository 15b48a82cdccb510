"""A sensor that prints lines, on a wire with its timing: on request, and of its own accord."""

import math
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.ascii_line.options import AsciiLightSensorOptions, line_settings
from drivers.ascii_line.sensor import AsciiLineInstrument
from drivers.errors import GarbledReply, NoReply, PortLost
from drivers.line import SerialSettings
from tests.drivers.far_end import every_split, finish, in_turn, wired

BYTE_S = 10 / 9600
DELAY_S = 0.02
PATTERN = r"PAR=(?P<value>[+-]?\d+\.\d)"


def polled(answer, *, peer_settings=None, **options):
    made = AsciiLightSensorOptions(
        **({"port": "memory", "request": "READ\r\n", "pattern": PATTERN} | options)
    )
    clock, peer, line = wired(answer, line_settings(made), peer_settings=peer_settings)
    return clock, peer, line, AsciiLineInstrument(made, line, clock, "light sensor")


def listening(*said, **options):
    """Return a sensor that says each text at its time, from the start of all."""
    clock, peer, line, sensor = polled(lambda request: (), mode="listen", request="", **options)
    for at_s, data in said:
        peer.say(at_s, data)
    line.set_break(True)  # makes the peer's appointments known
    line.set_break(False)
    return clock, line, sensor


def read(clock, sensor):
    sensor.start()
    (reading,) = finish(sensor, clock)
    return reading


def replies(*texts):
    return [[(DELAY_S, text.encode())] for text in texts]


# -- on request ---------------------------------------------------------------------------------


def test_a_reading_is_one_request_and_one_line():
    began = time.perf_counter()
    clock, peer, _, sensor = polled(
        in_turn(*replies("PAR=123.4\r\n")), averaging_s=0.5, lag_s=0.1, scale=2.0
    )
    reading = read(clock, sensor)
    assert [data for _, data in peer.requests] == [b"READ\r\n"]
    assert (reading.quantity, reading.value) == ("ppfd_umol_m2_s", 246.8)
    assert reading.raw == b"PAR=123.4\r\n"
    # By hand: 6 characters out, 20 ms, 11 characters in. The window ends as the line begins.
    assert clock.elapsed_s() == pytest.approx(17 * BYTE_S + DELAY_S)
    assert reading.window_end_s == pytest.approx(6 * BYTE_S + DELAY_S - 0.1)
    assert reading.window_end_s - reading.window_start_s == pytest.approx(0.5)
    assert sensor.wake_s == math.inf
    assert time.perf_counter() - began < 0.5


@pytest.mark.parametrize(("first", "second"), every_split(b"PAR=123.4\r\n"))
def test_a_line_is_found_at_every_split_point(first, second):
    parts = [(DELAY_S, first)] * bool(first) + [(DELAY_S + 0.09, second)] * bool(second)
    clock, _, _, sensor = polled(in_turn(parts))
    assert read(clock, sensor).value == 123.4


@pytest.mark.parametrize(
    ("reply", "problem"),
    [
        (b"PAR=12", "no line end"),
        (b"PAR=12\r\n", "does not have the form of 'pattern'"),
        (b"\x00\xffPAR=12.3\r\n", "does not have the form"),
        (b"PAR=12.3\n", "no line end"),
        (b"PAR=9999.9\r\n", r"9999.9 is not plausible, -20 to 5000 is"),
        (b"x" * 600, "no line end"),
    ],
)
def test_what_is_no_such_line_is_garbled_and_said_with_the_bytes(reply, problem):
    clock, peer, _, sensor = polled(in_turn([(DELAY_S, reply)], *replies("PAR=5.0\r\n")))
    sensor.start()
    with pytest.raises(GarbledReply, match=problem) as caught:
        finish(sensor, clock)
    assert caught.value.request == b"READ\r\n"
    assert caught.value.reply
    assert clock.elapsed_s() < 2.0
    # Nothing was asked twice: the standard of this protocol is its profile, which says nothing
    # of retries. The next reading is a good one.
    assert len(peer.requests) == 1
    assert read(clock, sensor).value == 5.0


def test_a_heading_or_garbage_line_before_the_good_one_does_no_harm():
    clock, _, _, sensor = polled(in_turn(*replies("\r\nV1.2\r\nPAR=7.5\r\n")))
    assert read(clock, sensor).value == 7.5


def test_silence_says_what_was_asked_and_what_to_look_at():
    clock, _, _, sensor = polled(lambda request: (), reply_within_s=0.4)
    sensor.start()
    with pytest.raises(NoReply) as caught:
        finish(sensor, clock)
    assert str(caught.value) == (
        "light sensor, memory: no reply to 'READ\\r\\n' (6 bytes) in 0.4 s. Check supply and "
        "cable, then 'baud', 'request' and 'mode' in the rig profile."
    )
    assert clock.elapsed_s() == pytest.approx(0.4 + 6 * BYTE_S)


def test_an_answer_that_came_too_late_is_not_taken_for_the_next():
    clock, _, _, sensor = polled(
        in_turn([(1.3, b"PAR=1.0\r\n")], *replies("PAR=2.0\r\n")), reply_within_s=1.0
    )
    sensor.start()
    with pytest.raises(NoReply):
        finish(sensor, clock)
    assert read(clock, sensor).value == 2.0
    assert sensor.unasked == b"PAR=1.0\r\n"


def test_stale_bytes_are_drained_before_the_request():
    clock, peer, line, sensor = polled(in_turn(*replies("PAR=2.0\r\n")))
    peer.say(0.0, b"PAR=1.0\r\n")
    line.set_break(True)
    line.set_break(False)
    clock.wait_until(0.5)
    assert read(clock, sensor).value == 2.0
    assert sensor.unasked == b"PAR=1.0\r\n"


def test_an_echo_of_the_request_is_no_reply():
    clock, _, _, sensor = polled(in_turn([(0.0, b"READ\r\n"), (0.05, b"PAR=3.5\r\n")]))
    assert read(clock, sensor).value == 3.5


def test_a_line_that_says_no_value_is_missing():
    clock, _, _, sensor = polled(in_turn(*replies("PAR=---\r\n")), no_value_patterns=("PAR=-+",))
    assert read(clock, sensor).is_missing


def test_a_request_in_hexadecimal_and_another_line_end_are_spoken_as_written():
    clock, peer, _, sensor = polled(
        in_turn([(DELAY_S, b"12,5\x03")]),
        request="hex: 02 52 03",
        line_end=r"\x03",
        pattern=r"(?P<value>\d+,\d)",
        decimal_comma=True,
    )
    assert read(clock, sensor).value == 12.5
    assert peer.requests[0][1] == b"\x02R\x03"


def test_wrong_settings_of_the_port_are_reported_as_such():
    clock, _, _, sensor = polled(
        in_turn(*replies("PAR=123.4\r\n")), peer_settings=SerialSettings(9600, 7, "even", 1)
    )
    sensor.start()
    with pytest.raises(GarbledReply, match="check 'baud' and 'character_format'"):
        finish(sensor, clock)


def test_a_lost_port_names_the_sensor():
    clock, _, line, sensor = polled(lambda request: ())
    sensor.start()
    sensor.poll()
    line.unplug()
    with pytest.raises(PortLost, match="light sensor, memory: the port is gone"):
        finish(sensor, clock)
    sensor.cancel()
    sensor.close()
    sensor.close()


# -- asked until two agree ----------------------------------------------------------------------


def test_two_values_that_agree_are_asked_for_and_the_later_is_given():
    clock, peer, _, sensor = polled(
        in_turn(*replies("PAR=100.0\r\n", "PAR=101.0\r\n")), agrees_within=1.5
    )
    assert read(clock, sensor).value == 101.0
    assert (len(peer.requests), sensor.retries) == (2, 0)


@pytest.mark.parametrize("wrong", ["PAR=900.0", "PAR=00.0", "PAR=110.0"])
@pytest.mark.parametrize("place", [0, 1])
def test_one_wrong_digit_among_good_values_is_never_given(wrong, place):
    # A digit misread or lost in 100.0 passes every check of the line; not this one.
    texts = ["PAR=100.0\r\n"] * 4
    texts[place] = wrong + "\r\n"
    clock, _, _, sensor = polled(in_turn(*replies(*texts)), agrees_within=1.0)
    assert read(clock, sensor).value == 100.0
    assert sensor.retries >= 1


def test_values_that_never_agree_are_a_fault_that_shows_them():
    texts = [f"PAR={n}.0\r\n" for n in (100, 200, 300, 400, 500, 600)]
    clock, peer, _, sensor = polled(in_turn(*replies(*texts)), agrees_within=5.0)
    sensor.start()
    with pytest.raises(GarbledReply, match="no two of 5 values in a row agree within 5: 100, 200"):
        finish(sensor, clock)
    assert len(peer.requests) == 5


def test_twice_no_value_agrees():
    clock, _, _, sensor = polled(
        in_turn(*replies("-\r\n", "PAR=1.0\r\n", "-\r\n", "-\r\n")),
        agrees_within=5.0,
        no_value_patterns=("-",),
    )
    assert read(clock, sensor).is_missing


# -- of its own accord --------------------------------------------------------------------------


def every(interval_s, *values, first_s=0.0):
    return [(first_s + n * interval_s, b"PAR=%.1f\r\n" % v) for n, v in enumerate(values)]


def test_lines_printed_before_the_reading_are_dropped():
    clock, _, sensor = listening(*every(1.0, 1, 2, 3, 4, 5, first_s=0.5))
    clock.wait_until(2.9)
    reading = read(clock, sensor)
    assert reading.value == 4.0
    assert b"PAR=1.0" in sensor.unasked
    # Its window ends as the line begins: at 3.5 s.
    assert reading.window_end_s == pytest.approx(3.5, abs=1e-9)


def test_a_line_under_way_at_the_start_is_left_out():
    # Cut in front, "PAR=1" would not match, but "3.4" of "123.4" does.
    lines = [(0.5, b"123.4\r\n"), (1.5, b"125.0\r\n")]
    clock, _, sensor = listening(*lines, pattern=r"(?P<value>\d+\.\d)")
    clock.wait_until(0.5 + 2.5 * BYTE_S)
    assert read(clock, sensor).value == 125.0


@pytest.mark.parametrize("cut", range(1, 8))
def test_wherever_in_a_line_the_reading_begins_it_is_left_out(cut):
    lines = [(0.5, b"123.4\r\n"), (0.55, b"125.0\r\n"), (0.6, b"126.0\r\n")]
    clock, _, sensor = listening(*lines, pattern=r"(?P<value>\d+\.\d)", interval_s=0.05)
    clock.wait_until(0.5 + (cut + 0.5) * BYTE_S)
    assert read(clock, sensor).value in (125.0, 126.0)


def test_lines_so_close_that_no_pause_tells_their_beginnings_cost_one_line():
    clock, _, sensor = listening(*every(0.03, 1, 2, 3, 4), interval_s=0.03)
    assert read(clock, sensor).value == 2.0


def test_after_a_pause_the_first_line_is_taken():
    clock, _, sensor = listening(*every(1.0, 1, 2, first_s=0.4))
    assert read(clock, sensor).value == 1.0
    assert clock.elapsed_s() == pytest.approx(0.4 + 9 * BYTE_S)


def test_of_several_lines_at_once_the_newest_is_taken():
    data = b"PAR=1.0\r\nPAR=2.0\r\nPAR=3.0\r\n"
    clock, _, sensor = listening((0.4, data))
    # The rest of a lump is handed over within 16 ms: all three at once.
    assert read(clock, sensor).value in (1.0, 2.0, 3.0)


def test_a_garbled_line_is_passed_over_for_the_next():
    lines = [(0.4, b"PAR=\x001.0\r\n"), (1.4, b"PAR=2.0\r\n")]
    clock, _, sensor = listening(*lines)
    assert read(clock, sensor).value == 2.0


def test_a_line_that_stops_in_its_middle_is_not_joined_to_the_next():
    # "PAR=1" + "PAR=2.0" would not match; "12" + "34.5" would read 1234.5.
    lines = [(0.4, b"12"), (1.4, b"34.5\r\n"), (2.4, b"34.6\r\n")]
    clock, _, sensor = listening(*lines, pattern=r"(?P<value>\d+\.\d)")
    assert read(clock, sensor).value == 34.6


def test_only_garbage_is_reported_with_the_last_of_it():
    lines = [(0.4 + n, b"PAR=nix\r\n") for n in range(5)]
    clock, _, sensor = listening(*lines)
    sensor.start()
    with pytest.raises(GarbledReply, match="not a valid line: does not have the form") as caught:
        finish(sensor, clock)
    assert caught.value.reply == b"PAR=nix"
    assert clock.elapsed_s() == pytest.approx(2 * 1.0 + 1.0, abs=0.01)


def test_a_babbling_line_without_ends_is_bounded():
    clock, _, sensor = listening(*[(0.4 + n / 100, b"x" * 9) for n in range(400)])
    sensor.start()
    with pytest.raises(GarbledReply, match="no line end"):
        finish(sensor, clock)
    assert clock.elapsed_s() < 3.1


def test_silence_names_the_interval():
    clock, _, sensor = listening(interval_s=2.0, reply_within_s=0.5)
    sensor.start()
    with pytest.raises(NoReply, match=r"no line in 4.5 s\. .*'interval_s' and 'mode'"):
        finish(sensor, clock)
    assert clock.elapsed_s() == pytest.approx(4.5)


def test_two_lines_in_a_row_must_agree_where_the_profile_asks():
    clock, _, sensor = listening(*every(0.2, 100, 900, 100, 101, first_s=0.3), agrees_within=2.0)
    assert read(clock, sensor).value == 101.0
    assert sensor.retries == 2


def test_the_loop_is_free_while_it_listens():
    clock, line, sensor = listening(*every(1.0, 1, first_s=0.9))
    sensor.start()
    polls = 0
    while sensor.poll() is None:
        polls += 1
        clock.wait_until(sensor.wake_s, watching=(line,))
    assert polls < 10


# -- who it is ----------------------------------------------------------------------------------


def identity(clock, sensor):
    sensor.start_identify()
    return finish(sensor, clock, poll=sensor.poll_identity)


def test_a_sensor_that_can_be_asked_says_its_name():
    clock, peer, _, sensor = polled(
        in_turn(*replies("V1\r\nSENSOR 42\r\n")),
        identity_request="ID\r\n",
        identity_pattern="SENSOR .*",
    )
    assert identity(clock, sensor) == "SENSOR 42"
    assert peer.requests[0][1] == b"ID\r\n"


def test_a_value_is_not_taken_for_a_name():
    clock, _, _, sensor = polled(
        in_turn(*replies("PAR=1.0\r\nQ 42\r\n")), identity_request="ID\r\n"
    )
    assert identity(clock, sensor) == "Q 42"


def test_a_name_that_does_not_come_is_a_fault():
    clock, _, _, sensor = polled(
        in_turn(*replies("PAR=1.0\r\n")), identity_request="ID\r\n", identity_pattern="S.*"
    )
    sensor.start_identify()
    with pytest.raises(GarbledReply, match="no line that could be its name"):
        finish(sensor, clock, poll=sensor.poll_identity)


def test_one_that_has_no_name_is_known_by_its_line():
    clock, _, _, sensor = polled(in_turn(*replies("PAR=1.0\r\n")))
    assert identity(clock, sensor) == "prints 'PAR=1.0'; it has no name to ask for"
    clock, _, sensor = listening(*every(1.0, 7, first_s=0.4))
    assert identity(clock, sensor) == "prints 'PAR=7.0'; it has no name to ask for"


def test_the_tail_of_a_line_that_began_before_anybody_listened_is_not_read():
    # "5" came before, "67.8" after half a second: no pause makes that the value 67.8.
    clock, _, sensor = listening(
        (0.2, b"123.4\r\n5"), (0.7, b"67.8\r\n912.3\r\n"), pattern=r"(?P<value>\d+\.\d)"
    )
    clock.wait_until(0.5)
    sensor.start()
    (reading,) = finish(sensor, clock)
    assert reading.value == 912.3


@given(
    cuts=st.lists(st.integers(1, 40), max_size=6),
    pauses_s=st.lists(st.sampled_from([0.0, 0.004, 0.03, 0.12, 0.5]), min_size=7, max_size=7),
    starts_s=st.floats(0.0, 0.7),
)
@settings(deadline=None, max_examples=60)
def test_however_the_lines_arrive_none_but_a_whole_one_is_read(cuts, pauses_s, starts_s):
    # Every tail of these lines has the form of a line, and is another number.
    values = (123.4, 567.8, 912.3, 456.7, 891.2)
    data = b"".join(b"%.1f\r\n" % value for value in values)
    at_s, said, left = 0.2, [], data
    for cut, pause_s in zip([*cuts, len(data)], pauses_s, strict=False):
        said.append((at_s, left[:cut]))
        left = left[cut:]
        at_s += cut * BYTE_S + pause_s
    clock, _, sensor = listening(*said, pattern=r"(?P<value>\d+\.\d)")
    clock.wait_until(starts_s)
    sensor.start()
    try:
        (reading,) = finish(sensor, clock)
    except (NoReply, GarbledReply):
        return
    assert reading.value in values
