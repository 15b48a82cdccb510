"""The power meter's conversation, on a wire with its timing."""

import math
import struct
import time

import pytest

from drivers.errors import DeviceFault, GarbledReply, NoReply, PortLost
from drivers.modbus.options import PowerMeterOptions, RegisterOptions, line_settings
from drivers.modbus.power_meter import PowerMeter
from tests.drivers.far_end import every_split, finish, in_turn, wired
from tests.drivers.modbus.test_modbus_frames import identification, summed

BYTE_S = 10 / 9600
SILENCE_S = 38.5 / 9600
MAP = [
    RegisterOptions(quantity="wall_power_w", register=40),
    RegisterOptions(quantity="line_voltage_v", register=42, type="uint16", scale=0.1),
]
READ = summed("01 03 00 28 00 03")
REPLY = summed(b"\x01\x03\x06" + struct.pack(">fH", 612.5, 2301))
# After a request without a valid reply: a reading of a size not asked for yet.
MARK = summed("01 03 00 28 00 01")
MARK_REPLY = summed("01 03 02 44 19")


def bench(answer, **options):
    options = {"registers": MAP} | options
    made = PowerMeterOptions(port="memory", **options)
    clock, peer, line = wired(answer, line_settings(made))
    return clock, peer, line, PowerMeter(made, line, clock, "power meter")


def test_a_reading_takes_exactly_its_bits_and_silences():
    began = time.perf_counter()
    second = summed(b"\x01\x03\x06" + struct.pack(">fH", 612.75, 2301))
    answer = in_turn([(0.02, REPLY)], [(0.02, second)])
    clock, peer, _, meter = bench(answer, averaging_s=0.5, lag_s=0.1)
    one_s = 8 * BYTE_S + 0.02 + 11 * BYTE_S
    meter.start()
    power, voltage = finish(meter, clock)
    assert clock.elapsed_s() == pytest.approx(one_s)
    assert peer.requests == [(pytest.approx(8 * BYTE_S), READ)]
    assert (power.quantity, power.value) == ("wall_power_w", 612.5)
    assert (voltage.quantity, voltage.value) == ("line_voltage_v", pytest.approx(230.1))
    assert power.raw == voltage.raw == REPLY
    assert power.window_end_s == pytest.approx(8 * BYTE_S - 0.1)
    assert power.window_start_s == pytest.approx(8 * BYTE_S - 0.6)
    # The next frame keeps its distance.
    meter.start()
    finish(meter, clock)
    assert clock.elapsed_s() == pytest.approx(2 * one_s + SILENCE_S)
    assert time.perf_counter() - began < 0.5


def test_distant_registers_are_separate_requests_with_windows_of_their_own():
    rows = [MAP[0], RegisterOptions(quantity="line_voltage_v", register=500, type="uint16")]
    second = summed(b"\x01\x03\x02" + struct.pack(">H", 230))
    first = summed(b"\x01\x03\x04" + struct.pack(">f", 600.0))
    clock, _, _, meter = bench(in_turn([(0.02, first)], [(0.02, second)]), registers=rows)
    meter.start()
    power, voltage = finish(meter, clock)
    assert (power.value, voltage.value) == (600.0, 230.0)
    assert voltage.window_end_s > power.window_end_s


@pytest.mark.parametrize(("first", "second"), every_split(REPLY))
def test_reply_is_found_at_every_split_point(first, second):
    parts = [(0.02, first), (0.07, second)]
    clock, _, _, meter = bench(lambda request: [part for part in parts if part[1]])
    meter.start()
    assert finish(meter, clock)[0].value == 612.5


@pytest.mark.parametrize("noise", [b"\x00", b"\x01\x03\x06", REPLY[:-1] + b"\x00"])
def test_reply_is_found_after_noise(noise):
    clock, _, _, meter = bench(lambda request: [(0.02, noise + REPLY)])
    meter.start()
    assert finish(meter, clock)[0].value == 612.5


def test_an_adapter_that_hears_itself_is_understood():
    clock, _, _, meter = bench(lambda request: [(0.0, request), (0.3, REPLY)])
    meter.start()
    assert finish(meter, clock)[0].value == 612.5


def test_only_its_own_echo_is_no_reply():
    clock, _, _, meter = bench(lambda request: [(0.0, request)])
    meter.start()
    with pytest.raises(NoReply):
        finish(meter, clock)


def test_a_silent_meter_is_given_up_at_the_deadline_and_can_be_asked_again():
    clock, peer, _, meter = bench(
        in_turn((), [(0.02, MARK_REPLY)], [(0.02, REPLY)]), reply_within_s=0.25
    )
    meter.start()
    with pytest.raises(NoReply) as caught:
        finish(meter, clock)
    assert clock.elapsed_s() == pytest.approx(8 * BYTE_S + 0.25)
    assert str(caught.value).startswith(
        "power meter, memory address 1: no reply to 01 03 00 28 00 03 85 C3 (8 bytes) in 0.25 s."
    )
    assert meter.retries == 0
    assert len(peer.requests) == 1
    assert meter.wake_s == math.inf
    meter.start()
    assert finish(meter, clock)[0].value == 612.5
    assert [request for _, request in peer.requests] == [READ, MARK, READ]
    meter.start()
    with pytest.raises(NoReply):
        finish(meter, clock)
    assert peer.requests[-1][1] == READ  # all was well before: no mark


def test_a_double_that_is_still_coming_is_not_spoken_over():
    # t3.5 begins anew with each character that comes; here they come one by one.
    second = summed(b"\x01\x03\x06" + struct.pack(">fH", 612.75, 2301))
    twice = [(0.02, REPLY[n : n + 1]) for n in (*range(len(REPLY)), *range(len(REPLY)))]
    answer = in_turn(twice, [(0.02, second)])
    clock, _, line, meter = bench(answer)
    for value in (612.5, 612.75):
        meter.start()
        assert finish(meter, clock)[0].value == value
    sent = [event for event in line.events if event.kind == "out"]
    ended_s = [event.end_s for event in line.events if event.kind == "in"][len(twice) - 1]
    assert sent[1].start_s - ended_s == pytest.approx(SILENCE_S)
    assert meter.unasked == REPLY


STALE = summed(b"\x01\x03\x06" + struct.pack(">fH", 1.0, 1))


def test_a_reply_that_comes_while_nobody_waits_is_drained():
    answer = in_turn([(0.6, STALE)], [(0.02, MARK_REPLY)], [(0.02, REPLY)])
    clock, _, _, meter = bench(answer, reply_within_s=0.5)
    meter.start()
    with pytest.raises(NoReply):
        finish(meter, clock)
    clock.wait_until(1.0)
    meter.start()
    assert finish(meter, clock)[0].value == 612.5
    assert meter.unasked == STALE


@pytest.mark.parametrize("late_s", [0.501, 0.515, 0.53, 0.55, 0.7])
@pytest.mark.parametrize("mark_reply", [MARK_REPLY, summed("01 83 02")])
def test_a_late_reply_is_never_taken_for_the_next_one(late_s, mark_reply):
    # The next request follows at once; whenever the late reply comes, before or after the mark
    # was answered, a value is the true one or there is none. Replies keep their order.
    mark_s = max(0.02, late_s - 0.5)
    answer = in_turn([(late_s, STALE)], [(mark_s, mark_reply)], [(0.02, REPLY)], [(0.02, REPLY)])
    clock, _, _, meter = bench(answer, reply_within_s=0.5)
    meter.start()
    with pytest.raises(NoReply):
        finish(meter, clock)
    for _ in range(2):
        meter.start()
        power, voltage = finish(meter, clock)
        assert (power.value, voltage.value) == (612.5, pytest.approx(230.1))


def test_a_device_that_is_always_one_reply_behind_gives_no_value():
    # Each reply comes 0.8 s after its request, 0.5 s are allowed.
    values = iter(range(1, 100))

    def behind(request):
        if request == READ:
            return [(0.8, summed(b"\x01\x03\x06" + struct.pack(">fH", next(values), 1)))]
        return [(0.8, MARK_REPLY)]

    clock, _, _, meter = bench(behind, reply_within_s=0.5)
    for _ in range(12):
        meter.start()
        with pytest.raises((NoReply, GarbledReply)):
            finish(meter, clock)
        clock.wait_until(clock.elapsed_s() + 0.2)


def test_a_cancelled_reading_leaves_no_reply_behind_for_the_next():
    answer = in_turn([(0.05, STALE)], [(0.06, MARK_REPLY)], [(0.02, REPLY)])
    clock, _, _, meter = bench(answer)
    meter.start()
    meter.poll()
    clock.wait_until(0.02)
    meter.cancel()
    meter.start()
    assert finish(meter, clock)[0].value == 612.5


@pytest.mark.parametrize(
    ("reply", "words"),
    [
        (summed("02 03 06 44 19 20 00 08 FD"), "a reply of address 2, not 1"),
        (summed("01 03 04 44 19 20 00"), "4 bytes of data, not 6"),
        (REPLY[:-1] + b"\x00", "bad check sum: computed"),
        (REPLY[:5], "bad check sum"),
        (b"\xff" * 400, "bad check sum"),
    ],
)
def test_a_garbled_reply_is_reported_in_hex(reply, words):
    clock, _, _, meter = bench(lambda request: [(0.02, reply)])
    meter.start()
    with pytest.raises(GarbledReply) as caught:
        finish(meter, clock)
    assert words in str(caught.value)
    assert reply[:5].hex(" ").upper() in str(caught.value)
    assert caught.value.reply[:5] == reply[:5]


def test_a_refusal_names_code_and_registers():
    clock, _, _, meter = bench(lambda request: [(0.02, summed("01 83 02"))])
    meter.start()
    with pytest.raises(DeviceFault) as caught:
        finish(meter, clock)
    assert str(caught.value) == (
        "power meter, memory address 1: refused with exception 2 (illegal data address). "
        "Registers 40 to 42 were asked for with function 3. Check the register map in the rig "
        "profile."
    )


def test_a_refusal_of_bridged_registers_says_how_not_to_bridge():
    rows = [MAP[0], RegisterOptions(quantity="line_voltage_v", register=46, type="uint16")]
    clock, _, _, meter = bench(lambda request: [(0.02, summed("01 83 02"))], registers=rows)
    meter.start()
    with pytest.raises(DeviceFault, match="set 'bridged_registers' to 0"):
        finish(meter, clock)


def test_a_meter_that_says_who_it_is_is_believed():
    clock, peer, _, meter = bench(
        lambda request: [(0.02, identification(b"Evenfall", b"PM-1", b"1.0"))]
    )
    meter.start_identify()
    assert finish(meter, clock, poll=meter.poll_identity) == ("Modbus address 1: Evenfall PM-1 1.0")
    assert peer.requests[0][1] == summed("01 2B 0E 01 00")


@pytest.mark.parametrize("refusal", [[(0.02, summed("01 AB 01"))], ()])
def test_a_meter_without_identification_is_known_by_its_registers(refusal):
    clock, _, _, meter = bench(in_turn(refusal, [(0.02, REPLY)]))
    meter.start_identify()
    assert "its registers answer" in finish(meter, clock, poll=meter.poll_identity)


def test_a_silent_meter_has_no_identity():
    clock, _, _, meter = bench(lambda request: ())
    meter.start_identify()
    with pytest.raises(NoReply):
        finish(meter, clock, poll=meter.poll_identity)


def test_a_lost_port_names_the_meter():
    clock, _, line, meter = bench(lambda request: ())
    meter.start()
    meter.poll()
    line.unplug()
    with pytest.raises(PortLost, match="power meter, memory address 1: the port is gone"):
        finish(meter, clock)
    meter.start_identify()
    with pytest.raises(PortLost):
        finish(meter, clock, poll=meter.poll_identity)
