"""The analyser's conversation, on a wire with its timing."""

import itertools
import math
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.errors import DeviceFault, DriverError, GarbledReply, NoReply, PortLost, WriteStalled
from drivers.options import OptionError
from drivers.scpi.options import QueryOptions, ScpiPowerMeterOptions, line_settings
from drivers.scpi.power_meter import QUIET_S, PowerMeter
from tests.drivers.far_end import every_split, finish, wired

BYTE_S = 10 / 9600
CLEAR = b"*CLS\n"
ERROR = b"SYST:ERR?\n"
FINE = b'0,"No error"\n'
POWER = QueryOptions(quantity="wall_power_w", query="MEAS:POW?")
VOLTAGE = QueryOptions(quantity="line_voltage_v", query="MEAS:VOLT?")
REPLY = b"+6.12500E+02\n"


def answering(errors=(), **replies):
    """Answer queries by their header, and the error query from a queue."""
    queue = list(errors)

    def answer(request):
        if request == CLEAR:
            return []
        if request == ERROR:
            return [(0.01, queue.pop(0) if queue else FINE)]
        header = request.strip(b"\r\n").decode()
        key = header.strip("*?").replace(":", "_").lower()
        reply = replies.get(key)
        return [] if reply is None else [(0.01, reply)]

    return answer


def bench(answer, **options):
    options = {"queries": [POWER]} | options
    made = ScpiPowerMeterOptions(port="memory", **options)
    clock, peer, line = wired(answer, line_settings(made))
    return clock, peer, line, PowerMeter(made, line, clock, "wattmeter")


def measured(meter, clock):
    meter.start()
    return {reading.quantity: reading.value for reading in finish(meter, clock)}


def failing(meter, clock, kind):
    meter.start()
    with pytest.raises(kind) as caught:
        finish(meter, clock)
    assert caught.type is kind
    assert meter.wake_s == math.inf
    return caught.value


def asked(peer):
    return [request for _, request in peer.requests]


def test_a_reading_takes_exactly_its_bytes_and_delays():
    began = time.perf_counter()
    clock, peer, _, meter = bench(answering(meas_pow=REPLY), averaging_s=0.5, lag_s=0.1)
    meter.start()
    (power,) = finish(meter, clock)
    assert (power.quantity, power.value, power.raw) == ("wall_power_w", 612.5, REPLY.strip())
    assert asked(peer) == [CLEAR, ERROR, b"MEAS:POW?\n", ERROR]
    fence_s = (10 + 13) * BYTE_S + 0.01
    one_s = 10 * BYTE_S + 0.01 + 13 * BYTE_S
    connected_s = QUIET_S + 5 * BYTE_S + fence_s
    assert clock.elapsed_s() == pytest.approx(connected_s + one_s + fence_s)
    # The value was there when the reply began, and is the mean over the time before that.
    replied_s = connected_s + 10 * BYTE_S + 0.01
    assert power.window_end_s == pytest.approx(replied_s - 0.1)
    assert power.window_start_s == pytest.approx(replied_s - 0.6)
    # From then on there is one query and one look at the errors.
    begun_s = clock.elapsed_s()
    measured(meter, clock)
    assert asked(peer)[4:] == [b"MEAS:POW?\n", ERROR]
    assert clock.elapsed_s() - begun_s == pytest.approx(one_s + fence_s)
    assert time.perf_counter() - began < 0.5


@pytest.mark.parametrize(
    ("reply", "value"),
    [(b"612\n", 612.0), (b"612.5\n", 612.5), (b"6.125E+02\r\n", 612.5), (b" 612.5 \n", 612.5)],
)
def test_any_form_of_number_is_read(reply, value):
    clock, _, _, meter = bench(answering(meas_pow=reply))
    assert measured(meter, clock) == {"wall_power_w": value}


@pytest.mark.parametrize("written", [b"9.91E37\n", b"+9.910000E+37\n", b"NAN\n"])
def test_not_a_number_is_missing_and_the_reply_is_kept(written):
    clock, _, _, meter = bench(answering(meas_pow=written))
    meter.start()
    (power,) = finish(meter, clock)
    assert power.is_missing
    assert power.raw == written.strip()


@pytest.mark.parametrize("written", [b"9.9E37\n", b"-9.9E37\n", b"INF\n"])
def test_infinite_wall_power_is_a_fault_and_an_infinite_power_factor_is_missing(written):
    factor = QueryOptions(quantity="power_factor", query="MEAS:PFAC?", scale=2.0)
    clock, _, _, meter = bench(
        answering(meas_pow=REPLY, meas_pfac=written), queries=[POWER, factor]
    )
    values = measured(meter, clock)
    assert values["wall_power_w"] == 612.5
    assert math.isnan(values["power_factor"])
    clock, _, _, meter = bench(answering(meas_pow=written))
    fault = failing(meter, clock, DeviceFault)
    assert "wall power is out of range" in str(fault)
    assert "Set a higher voltage or current range" in str(fault)


def test_values_of_one_reply_are_told_apart_by_field_and_scale():
    rows = [
        QueryOptions(quantity="line_voltage_v", query="FETC:ALL?", field=1),
        QueryOptions(quantity="wall_power_w", query="FETC:ALL?", field=3, scale=1000.0),
    ]
    clock, peer, _, meter = bench(answering(fetc_all=b"230.1,2.75,0.6125\n"), queries=rows)
    assert measured(meter, clock) == pytest.approx({"line_voltage_v": 230.1, "wall_power_w": 612.5})
    assert asked(peer).count(b"FETC:ALL?\n") == 1


@pytest.mark.parametrize("reply", [b"230.1,2.75\n", b"230.1,2.75,612,5\n", b"230.1\n"])
def test_another_number_of_values_than_expected_is_garbled(reply):
    rows = [QueryOptions(quantity="wall_power_w", query="FETC:ALL?", field=3)]
    clock, _, _, meter = bench(answering(fetc_all=reply), queries=rows)
    assert "values to FETC:ALL?, not 3" in str(failing(meter, clock, GarbledReply))


def test_a_reply_may_hold_more_values_where_the_profile_says_so():
    rows = [QueryOptions(quantity="wall_power_w", query="FETC:ALL?", field=1, fields=3)]
    clock, _, _, meter = bench(answering(fetc_all=b"612.5,2.75,230\n"), queries=rows)
    assert measured(meter, clock) == {"wall_power_w": 612.5}


def test_queries_are_joined_only_where_the_profile_allows_it():
    joined = b"MEAS:POW?;:MEAS:VOLT?\n"
    answer = answering(meas_pow=REPLY, meas_volt=b"230.1\n")

    def both(request):
        return [(0.01, b"612.5;230.1\n")] if request == joined else answer(request)

    for allowed, expected in ((False, [b"MEAS:POW?\n", ERROR, b"MEAS:VOLT?\n"]), (True, [joined])):
        clock, peer, _, meter = bench(both, queries=[POWER, VOLTAGE], joined_queries=allowed)
        assert measured(meter, clock) == {"wall_power_w": 612.5, "line_voltage_v": 230.1}
        assert asked(peer)[2:] == [*expected, ERROR]


def test_a_missing_part_of_a_joined_reply_is_garbled():
    clock, _, _, meter = bench(
        lambda request: [(0.01, FINE if request == ERROR else b"612.5\n")],
        queries=[POWER, VOLTAGE],
        joined_queries=True,
        clear_on_connect=False,
    )
    assert "it has 1 parts, 2 were asked for" in str(failing(meter, clock, GarbledReply))


@pytest.mark.parametrize(("first", "second"), every_split(REPLY))
def test_reply_is_found_at_every_split_point(first, second):
    parts = [part for part in ((0.01, first), (0.3, second)) if part[1]]
    other = answering()
    clock, _, _, meter = bench(
        lambda request: parts if request.startswith(b"MEAS") else other(request)
    )
    assert measured(meter, clock) == {"wall_power_w": 612.5}


@pytest.mark.parametrize("ending", [("LF", b"\n"), ("CR LF", b"\r\n"), ("CR", b"\r")])
def test_messages_end_as_the_profile_says(ending):
    name, end = ending

    def answer(request):
        assert request.endswith(end)
        if b"*CLS" in request:
            return []
        return [(0.01, (b'0,"No error"' if b"ERR" in request else b"612.5") + end)]

    clock, _, _, meter = bench(answer, terminator=name)
    assert measured(meter, clock) == {"wall_power_w": 612.5}
    assert measured(meter, clock) == {"wall_power_w": 612.5}


def test_an_instrument_that_echoes_is_understood():
    other = answering(meas_pow=REPLY)
    clock, _, _, meter = bench(lambda request: [(0.0, request), *other(request)])
    assert measured(meter, clock) == {"wall_power_w": 612.5}


@pytest.mark.parametrize(
    ("reply", "why"),
    [
        (b"\x00\xff" + REPLY, "no printable text"),
        (b"6125.00E+02.\n", "is not a number"),
        (b"612.5 W\n", "is not a number"),
        (b"+6.12500E+02", "no end of it"),
        (b"x" * 2000, "no end of it in 1024 bytes"),
        (REPLY + REPLY, ""),
        (FINE, "values to MEAS:POW?, not 1"),
        (b"\n\n12,5\n", "2 values"),
    ],
)
def test_a_garbled_reply_is_shown_and_the_next_one_is_good(reply, why):
    replies = iter([[(0.01, reply)], [(0.01, REPLY)]])
    other = answering()
    clock, _, _, meter = bench(
        lambda request: next(replies) if request.startswith(b"MEAS") else other(request)
    )
    fault = failing(meter, clock, GarbledReply)
    assert why in str(fault)
    assert fault.reply
    clock.wait_until(clock.elapsed_s() + 3.0)
    assert measured(meter, clock) == {"wall_power_w": 612.5}


def test_a_pattern_shows_a_digit_that_was_lost():
    row = QueryOptions(
        quantity="wall_power_w", query="MEAS:POW?", pattern=r"[+-]\d\.\d{5}E[+-]\d\d"
    )
    clock, _, _, meter = bench(answering(meas_pow=b"+6.1250E+02\n"), queries=[row])
    assert "does not match the pattern" in str(failing(meter, clock, GarbledReply))
    clock, _, _, meter = bench(answering(meas_pow=b"9.91E37\n"), queries=[row])
    assert math.isnan(measured(meter, clock)["wall_power_w"])


def agreeing(replies, within=2.0):
    row = QueryOptions(quantity="wall_power_w", query="MEAS:POW?", agrees_within=within)
    left = iter(replies)
    other = answering()
    clock, _, _, meter = bench(
        lambda request: [(0.01, next(left))] if b"MEAS" in request else other(request),
        queries=[row],
    )
    return clock, meter


@pytest.mark.parametrize(
    ("replies", "value", "retries"),
    [
        ([b"612.5\n", b"613.5\n"], 613.5, 0),
        ([b"61.5\n", b"612.5\n", b"611.5\n"], 611.5, 1),  # a digit was lost
        ([b"612.5\n", b"621.5\n", b"612.0\n", b"612.5\n"], 612.5, 2),  # two changed places
        ([b"9.91E37\n", b"9.91E37\n"], math.nan, 0),
        ([b"9.91E37\n", b"612.5\n", b"612.5\n"], 612.5, 1),
    ],
)
def test_where_two_must_agree_the_first_that_agrees_with_the_one_before_counts(
    replies, value, retries
):
    clock, meter = agreeing(replies)
    assert measured(meter, clock)["wall_power_w"] == pytest.approx(value, nan_ok=True)
    assert meter.retries == retries


def test_values_that_never_agree_are_a_garbled_reply():
    clock, meter = agreeing([b"600\n", b"610\n", b"620\n", b"630\n", b"630\n"])
    fault = failing(meter, clock, GarbledReply)
    assert "no two of 4 replies in a row agree: wall_power_w is 620, then 630." in str(fault)


def test_a_silent_instrument_is_given_up_at_the_deadline_and_can_be_asked_again():
    is_on = itertools.count()
    good = answering(meas_pow=REPLY)
    clock, _, _, meter = bench(
        lambda request: good(request) if next(is_on) > 1 else [], reply_within_s=0.25
    )
    fault = failing(meter, clock, NoReply)
    assert clock.elapsed_s() == pytest.approx(QUIET_S + 15 * BYTE_S + 0.25)
    assert str(fault).startswith(
        "wattmeter, memory: no reply to 'SYST:ERR?\\n' (10 bytes) in 0.25 s. Check that"
    )
    assert measured(meter, clock) == {"wall_power_w": 612.5}
    assert meter.retries == 0


def test_a_query_that_gets_no_reply_is_explained_by_the_error_queue():
    clock, _, _, meter = bench(
        answering(errors=[FINE, b'-113,"Undefined header"\n']), reply_within_s=0.25
    )
    fault = failing(meter, clock, DeviceFault)
    assert "refused -113, 'Undefined header'. Sent: 'MEAS:POW?\\n' (10 bytes)." in str(fault)
    assert "check the queries in the rig profile" in str(fault)
    assert isinstance(fault.__cause__, NoReply)


@pytest.mark.parametrize("entries", [1, 3, 20])
def test_an_error_after_a_value_is_a_fault_and_the_queue_is_emptied(entries):
    queue = [b'-%d,"Trouble %d"\n' % (200 + n, n) for n in range(entries)]
    clock, peer, _, meter = bench(answering(errors=[FINE, *queue], meas_pow=REPLY))
    fault = failing(meter, clock, DeviceFault)
    assert "reports -200, 'Trouble 0'" in str(fault)
    assert (f"and {entries - 3} more" in str(fault)) == (entries > 3)
    assert asked(peer).count(ERROR) == 1 + entries + 1
    assert measured(meter, clock) == {"wall_power_w": 612.5}


def test_a_queue_that_never_empties_is_given_up():
    answer = answering(meas_pow=REPLY)
    calls = itertools.count()

    def endless(request):
        if request == ERROR and next(calls) > 0:
            return [(0.01, b'-350,"Queue overflow"\n')]
        return answer(request)

    clock, peer, _, meter = bench(endless)
    assert "still reports errors after 64" in str(failing(meter, clock, DeviceFault))
    assert len(peer.requests) < 80


def test_errors_of_an_earlier_session_are_told_where_they_are_not_cleared():
    old = b'-410,"Query INTERRUPTED"\n'
    clock, peer, _, meter = bench(answering(errors=[old], meas_pow=REPLY), clear_on_connect=False)
    assert "had errors standing on connecting -410" in str(failing(meter, clock, DeviceFault))
    assert CLEAR not in asked(peer)
    assert measured(meter, clock) == {"wall_power_w": 612.5}


def test_without_an_error_query_the_identity_stands_between_two_values():
    clock, peer, _, meter = bench(
        answering(meas_pow=REPLY, idn=b"Example Works,PA-1,0,1.0\n"), error_query=""
    )
    assert measured(meter, clock) == {"wall_power_w": 612.5}
    assert asked(peer) == [CLEAR, b"*IDN?\n", b"MEAS:POW?\n", b"*IDN?\n"]


# Replies that come late, twice, or to another question.


def test_a_late_reply_is_not_taken_for_the_next_one():
    delays = iter([(0.6, b"1.0\n"), (0.01, REPLY)])
    other = answering()
    clock, _, _, meter = bench(
        lambda request: [next(delays)] if request.startswith(b"MEAS") else other(request),
        reply_within_s=0.25,
    )
    failing(meter, clock, NoReply)
    assert measured(meter, clock) == {"wall_power_w": 612.5}


@pytest.mark.parametrize("delay_ms", range(250, 1400, 25))
def test_a_reply_however_late_is_never_a_value_of_another_quantity(delay_ms):
    """The analyser answers in order; the first power reply is held up, and all after it."""
    free_s = [0.0]
    delays = iter([delay_ms / 1000])
    replies = {b"MEAS:POW?\n": b"612.5\n", b"MEAS:VOLT?\n": b"230.1\n", ERROR: FINE}

    def slow(request):
        if request not in replies:
            return []
        hold_s = next(delays, 0.01) if request.startswith(b"MEAS:POW") else 0.01
        leaves_s = max(clock.elapsed_s() + hold_s, free_s[0] + 0.001)
        free_s[0] = leaves_s
        return [(leaves_s - clock.elapsed_s(), replies[request])]

    clock, _, _, meter = bench(slow, queries=[POWER, VOLTAGE], reply_within_s=0.2)
    good = 0
    for _ in range(12):
        meter.start()
        try:
            readings = finish(meter, clock)
        except DriverError:
            continue
        good += 1
        assert {reading.quantity: reading.value for reading in readings} == {
            "wall_power_w": 612.5,
            "line_voltage_v": 230.1,
        }
    assert good >= 5


@pytest.mark.parametrize("gap_ms", [0, 1, 5, 12, 20, 30, 50])
@pytest.mark.parametrize("twice", ["MEAS:POW?", "SYST:ERR?"])
def test_a_reply_that_comes_twice_is_never_a_value_of_another_quantity(gap_ms, twice):
    answer = answering(meas_pow=b"612.5\n", meas_volt=b"230.1\n")

    def doubled(request):
        replies = answer(request)
        if request.strip().decode() == twice:
            return [*replies, (replies[0][0] + gap_ms / 1000, replies[0][1])]
        return replies

    clock, _, _, meter = bench(doubled, queries=[POWER, VOLTAGE], reply_within_s=0.2)
    for _ in range(6):
        meter.start()
        try:
            readings = finish(meter, clock)
        except DriverError:
            continue
        assert [reading.value for reading in readings] == [612.5, 230.1]


def test_a_reading_given_up_half_way_does_not_answer_the_next_one():
    clock, _, _, meter = bench(
        answering(meas_pow=b"612.5\n", meas_volt=b"230.1\n"), queries=[VOLTAGE, POWER]
    )
    for until_s in (0.04, 0.12, 0.14, 0.16, 0.18, 0.2, 0.22, 0.24):
        meter.start()
        stop_s = clock.elapsed_s() + until_s
        while clock.elapsed_s() < stop_s:
            if meter.poll() is not None:
                break
            clock.wait_until(min(stop_s, meter.wake_s), watching=meter.lines)
        else:
            meter.cancel()
        assert measured(meter, clock) == {"line_voltage_v": 230.1, "wall_power_w": 612.5}


@given(st.lists(st.binary(max_size=40), max_size=6))
@settings(deadline=None, max_examples=100)
def test_any_bytes_give_an_error_of_ours_or_a_number_they_hold(lumps):
    replies = iter(lumps)
    clock, _, _, meter = bench(lambda request: [(0.01, next(replies, b""))], reply_within_s=0.2)
    meter.start()
    try:
        (power,) = finish(meter, clock)
    except DriverError:
        pass
    else:
        assert any(power.raw in lump for lump in lumps)
    # Clearing and ten exchanges are more than one reading can be, noise included.
    assert clock.elapsed_s() < 70 * 0.6


# Who it is.


def test_the_instrument_says_who_it_is():
    clock, _, _, meter = bench(answering(idn=b"Example Works,PA-1,SN-42,1.0\n"))
    meter.start_identify()
    assert finish(meter, clock, poll=meter.poll_identity) == (
        "Example Works PA-1, serial number SN-42, firmware 1.0"
    )
    assert meter.serial_number == "SN-42"


@pytest.mark.parametrize(("stated", "is_right"), [("SN-42", True), ("SN-43", False)])
def test_a_serial_number_of_the_profile_is_compared(stated, is_right):
    clock, _, _, meter = bench(
        answering(idn=b"Example Works,PA-1,SN-42,1.0\n"), serial_number=stated
    )
    meter.start_identify()
    if is_right:
        assert "SN-42" in finish(meter, clock, poll=meter.poll_identity)
        return
    with pytest.raises(DeviceFault, match="is 'SN-42'; the rig profile has 'SN-43'"):
        finish(meter, clock, poll=meter.poll_identity)


def test_an_identity_of_another_form_is_garbled():
    clock, _, _, meter = bench(answering(idn=b"Example Works\n"))
    meter.start_identify()
    with pytest.raises(GarbledReply, match="1 fields separated by commas, not 4"):
        finish(meter, clock, poll=meter.poll_identity)


# The line.


def test_a_lost_port_names_the_instrument():
    clock, _, line, meter = bench(answering())
    meter.start()
    meter.poll()
    line.unplug()
    with pytest.raises(PortLost, match="wattmeter, memory: the port is gone"):
        finish(meter, clock)


def test_a_port_that_takes_no_bytes_is_a_fault_at_once():
    clock, _, line, meter = bench(answering(meas_pow=REPLY))
    line.stall()
    assert failing(meter, clock, WriteStalled).device == "wattmeter, memory"
    assert clock.elapsed_s() == pytest.approx(QUIET_S)
    line.stall(False)
    assert measured(meter, clock) == {"wall_power_w": 612.5}


# The options.


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: ScpiPowerMeterOptions(port="visa:", queries=[POWER]),
            "port is 'visa:'; give some text in quotes: a serial port, \"tcp://",
        ),
        (
            lambda: ScpiPowerMeterOptions(port="tcp://host", queries=[POWER]),
            "port is 'tcp://host'; give some text in quotes",
        ),
        (
            lambda: ScpiPowerMeterOptions(port="p", queries=[]),
            "queries is []; give one [[power_meter.queries]] table",
        ),
        (
            lambda: ScpiPowerMeterOptions(port="p", queries=[POWER, POWER]),
            "queries is [",
        ),
        (
            lambda: QueryOptions(quantity="wall_power_w", query="MEAS:POW"),
            "query is 'MEAS:POW'; give one query with a question mark and without ';'",
        ),
        (
            lambda: QueryOptions(quantity="wall_power_w", query="MEAS:POW?;:MEAS:VOLT?"),
            "query is 'MEAS:POW?;:MEAS:VOLT?'; give one query",
        ),
        (
            lambda: QueryOptions(quantity="wall_power_w", query="M?", field=0),
            "field is 0; give a whole number from 1 to 64",
        ),
        (
            lambda: QueryOptions(quantity="wall_power_w", query="M?", pattern="["),
            "pattern is '['; give a regular expression",
        ),
        (
            lambda: ScpiPowerMeterOptions(port="p", queries=[POWER], terminator="\n"),
            "terminator is '\\n'; give one of 'LF', 'CR LF', 'CR'",
        ),
        (
            lambda: ScpiPowerMeterOptions(port="p", queries=[POWER], error_query="SYST:ERR"),
            "error_query is 'SYST:ERR'; give one query, e.g.",
        ),
    ],
)
def test_a_value_that_is_not_allowed_is_named_with_what_is(make, message):
    with pytest.raises(OptionError) as caught:
        make()
    assert str(caught.value).startswith(message)
