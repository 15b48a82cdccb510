"""The gantry's conversation with a controller that is played line by line."""

import itertools
import math
import time

import pytest

from drivers.clock import VirtualClock
from drivers.contracts import Position
from drivers.errors import MotionRefused, NoReply, PortLost, PositionLost, WriteStalled
from drivers.gcode.gantry import REPORT_EVERY_S, Gantry
from drivers.gcode.options import GantryOptions, line_settings
from drivers.memory_line import MemoryLine
from tests.drivers.far_end import ScriptedPeer, finish

BANNER = b"Motion 1.1 ['$' for help]\r\n"
BYTE_S = 10 / 115200


class Controller:
    """Answers as a controller does; a test changes what it says."""

    def __init__(self):
        self.position = (0.0, 0.0, 0.0)
        self.states = itertools.repeat("Idle")
        self.travel_s = 1.4
        self.to = {}  # answers that a test puts in place of the usual ones
        self.lines = []
        self.immediate = []

    def answer(self, data):
        if data in (b"?", b"!\x18"):
            self.immediate.append(data)
        else:
            assert data.endswith(b"\n")
            assert data.count(b"\n") == 1
            self.lines.append(data[:-1])
        key = data.rstrip(b"\n").split(b" ")[0]
        if key in self.to:
            return self.to[key](data) if callable(self.to[key]) else self.to[key]
        if data == b"?":
            where = ",".join(f"{value:.3f}" for value in self.position)
            return [(0.001, f"<{next(self.states)}|MPos:{where}|FS:0,0>\r\n".encode())]
        if data == b"!\x18":
            return [(0.5, b"\r\n" + BANNER)]
        if data == b"$H\n":
            return [(8.0, b"ok\r\n")]
        if data.startswith(b"G53"):
            words = {word[0]: float(word[1:]) for word in data.decode().split()[2:]}
            self.position = tuple(
                words.get(axis, old) for axis, old in zip("XYZ", self.position, strict=True)
            )
        if data.startswith(b"G4"):
            return [(self.travel_s + 0.01, b"ok\r\n")]
        if data == b"$I\n":
            return [(0.002, b"[VER:1.1:bench]\r\n[OPT:V,15,128]\r\nok\r\n")]
        return [(0.002, b"ok\r\n")]


def bench(controller=None, *, greets=True, homed=True, **options):
    controller = controller or Controller()
    options = {
        "travel_x_mm": (0.0, 1200.0),
        "travel_y_mm": (0.0, 1200.0),
        "barrier_test": False,
    } | options
    made = GantryOptions(port="memory", **options)
    clock = VirtualClock()
    peer = ScriptedPeer(controller.answer)
    if greets:
        peer.say(0.9, b"\r\n" + BANNER)
    line = MemoryLine("memory", line_settings(made), clock, peer)
    gantry = Gantry(made, line, clock, "stage")
    if homed:
        gantry.start_home()
        finish(gantry, clock)
        controller.lines.clear()
        controller.immediate.clear()
    return clock, peer, line, controller, gantry


def send_unasked(clock, peer, line, data):
    peer.say(clock.elapsed_s(), data)
    line.set_break(True)  # makes the peer's appointment known
    line.set_break(False)


def test_connecting_sends_nothing_and_moves_nothing():
    clock, peer, _, _, gantry = bench(homed=False)
    clock.wait_until(60.0)
    assert peer.requests == []
    assert not gantry.is_homed
    assert gantry.still_since_s is None
    assert gantry.wake_s == math.inf


def test_homing_waits_for_the_greeting_and_makes_the_position_known():
    clock, _, _, controller, gantry = bench(homed=False)
    controller.position = (5.0, 6.0, 0.0)
    gantry.start_home()
    assert finish(gantry, clock) == Position(5.0, 6.0, None)
    assert gantry.is_homed
    assert controller.lines == [b"$H", b"G21 G90 G94", b"$$"]
    assert 8.9 < clock.elapsed_s() < 9.5


def test_a_port_opened_anew_is_the_one_that_is_spoken_on():
    clock, peer, line, controller, gantry = bench()
    line.unplug()
    with pytest.raises(PortLost):
        gantry.stop()
    assert not gantry.is_homed
    again = ScriptedPeer(controller.answer)
    gantry.bus.replace(MemoryLine("another", line.settings, clock, again))
    before = len(peer.requests)
    gantry.stop()
    gantry.start_home()
    finish(gantry, clock)
    assert gantry.is_homed
    sent = [data for _, data in again.requests]
    assert sent[0] == b"!\x18"
    assert b"$H\n" in sent
    assert len(peer.requests) == before


def test_a_controller_that_does_not_restart_is_asked_for_its_state():
    clock, _, _, _, gantry = bench(homed=False, greets=False, banner_within_s=2.0)
    gantry.start_home()
    finish(gantry, clock)
    assert gantry.is_homed
    assert 10.0 < clock.elapsed_s() < 10.5


def test_a_dead_controller_is_reported_on_connecting():
    controller = Controller()
    controller.to[b"?"] = ()
    clock, _, _, _, gantry = bench(controller, homed=False, greets=False)
    gantry.start_home()
    with pytest.raises(NoReply, match="no greeting in 3 s, no answer to a status request"):
        finish(gantry, clock)
    assert controller.lines == []


def test_a_move_is_sent_whole_then_waited_for_then_confirmed():
    began = time.perf_counter()
    clock, _, _, controller, gantry = bench(x_at_origin_mm=100.0)
    start_s = clock.elapsed_s()
    ready_s = gantry.start_move(20.0, 50.0)
    assert gantry.still_since_s is None
    # By hand: homed at stage 0, 0, which is -100, 0 in the plane; the way is √(120² + 50²) =
    # 130 mm, so 1.3 s at full speed and 0.2 s for the ramps.
    assert ready_s - start_s == pytest.approx(1.5)
    assert finish(gantry, clock) == Position(20.0, 50.0, None)
    assert controller.lines == [b"G53 G1 X120.000 Y50.000 F6000.0", b"G4 P0.01"]
    assert controller.immediate == [b"?", b"?"]
    assert time.perf_counter() - began < 0.5


def test_still_is_counted_from_the_barrier_and_confirmation_costs_one_pause_of_reports():
    clock, peer, _, _, gantry = bench()
    gantry.start_move(120.0, 0.0)
    finish(gantry, clock)
    barrier_s = next(at_s for at_s, data in peer.requests[::-1] if data == b"G4 P0.01\n")
    assert gantry.still_since_s == pytest.approx(barrier_s + 1.41 + 4 * BYTE_S)
    reports = [at_s for at_s, data in peer.requests if data == b"?"][-2:]
    assert reports[1] - reports[0] >= 0.2 - 1e-9  # at most five a second
    assert clock.elapsed_s() - gantry.still_since_s < REPORT_EVERY_S + 0.02


def test_moving_again_forgets_the_stillness():
    clock, _, _, _, gantry = bench()
    gantry.start_move(120.0, 0.0)
    finish(gantry, clock)
    gantry.start_move(240.0, 0.0)
    assert gantry.still_since_s is None


def test_a_report_of_motion_after_the_barrier_starts_the_count_anew():
    clock, _, _, controller, gantry = bench()
    controller.states = itertools.chain(["Idle", "Run", "Run"], itertools.repeat("Idle"))
    gantry.start_move(120.0, 0.0)
    finish(gantry, clock)
    assert len(controller.immediate) == 5
    # The fourth report is the first of two idle ones in a row.
    assert clock.elapsed_s() - gantry.still_since_s == pytest.approx(REPORT_EVERY_S, abs=0.02)


def test_a_controller_that_never_rests_is_given_up():
    clock, _, _, controller, gantry = bench()
    controller.states = itertools.repeat("Run")
    gantry.start_move(120.0, 0.0)
    with pytest.raises(PositionLost, match=r"did not come to rest.*'Run'"):
        finish(gantry, clock)
    assert not gantry.is_homed
    assert gantry.still_since_s is None


def test_missing_reports_are_tolerated():
    clock, _, _, controller, gantry = bench()
    reports = iter([(), (), None])

    def now_and_then(data):
        silence = next(reports, None)
        if silence is None:
            return [(0.001, b"<Idle|MPos:120.000,0.000,0.000>\r\n")]
        return silence

    controller.to[b"?"] = now_and_then
    gantry.start_move(120.0, 0.0)
    assert finish(gantry, clock) == Position(120.0, 0.0, None)


def test_stopping_short_is_a_lost_position_with_both_places():
    clock, _, _, controller, gantry = bench()
    controller.to[b"?"] = [(0.001, b"<Idle|MPos:60.000,0.000,0.000>\r\n")]
    gantry.start_move(120.0, 0.0)
    with pytest.raises(PositionLost) as caught:
        finish(gantry, clock)
    assert "stopped at x 60.000 mm, y 0.000 mm instead of x 120.000 mm, y 0.000 mm" in str(
        caught.value
    )
    assert not gantry.is_homed


@pytest.mark.parametrize(
    ("target", "words"),
    [
        ((1201.0, 0.0), "x 1201 mm (allowed: 0 to 1200 mm)"),
        ((-0.1, -5.0), "y -5 mm (allowed: 0 to 1200 mm)"),
        ((0.0, 0.0, 400.0), "no height axis is fitted"),
        ((math.nan, 0.0), "x nan mm"),
    ],
)
def test_a_target_outside_is_refused_before_a_byte_is_sent(target, words):
    _clock, _, _, controller, gantry = bench()
    with pytest.raises(MotionRefused) as caught:
        gantry.start_move(*target)
    assert words in str(caught.value)
    assert controller.lines == []
    assert gantry.is_homed
    gantry.start_move(10.0, 10.0)  # and the gantry is ready for another


def test_no_move_before_homing():
    _, _, _, _, gantry = bench(homed=False)
    with pytest.raises(MotionRefused, match="position is not known"):
        gantry.start_move(1.0, 1.0)


def test_height_axis_is_driven():
    clock, _, _, controller, gantry = bench(travel_z_mm=(250.0, 900.0))
    assert gantry.has_height_axis
    gantry.start_move(0.0, 0.0, 400.0)
    assert finish(gantry, clock) == Position(0.0, 0.0, 400.0)
    gantry.start_move(10.0, 0.0)
    assert finish(gantry, clock) == Position(10.0, 0.0, 400.0)
    assert controller.lines[2] == b"G53 G1 X10.000 Y0.000 Z400.000 F6000.0"


def test_a_refused_move_is_no_move():
    clock, _, _, controller, gantry = bench()
    controller.to[b"G53"] = [(0.002, b"error:15\r\n")]
    gantry.start_move(120.0, 0.0)
    with pytest.raises(MotionRefused, match=r"refused 'G53 G1 .*' with error 15"):
        finish(gantry, clock)
    assert gantry.is_homed
    assert controller.lines == [b"G53 G1 X120.000 Y0.000 F6000.0"]


@pytest.mark.parametrize("at_s", [0.0005, 0.5])
def test_a_restart_in_a_move_loses_the_position(at_s):
    clock, _, _, controller, gantry = bench()
    controller.to[b"G4"] = [(at_s, b"\r\n" + BANNER)]
    gantry.start_move(120.0, 0.0)
    with pytest.raises(PositionLost, match="restarted by itself"):
        finish(gantry, clock)
    assert not gantry.is_homed
    with pytest.raises(MotionRefused):
        gantry.start_move(1.0, 1.0)


def test_a_restart_between_moves_is_noticed_before_the_next():
    clock, peer, line, controller, gantry = bench()
    send_unasked(clock, peer, line, b"\r\n" + BANNER)
    clock.wait_until(clock.elapsed_s() + 5.0)
    gantry.start_move(120.0, 0.0)
    with pytest.raises(PositionLost, match="restarted by itself"):
        finish(gantry, clock)
    clock.wait_until(clock.elapsed_s() + 1.0)
    assert controller.lines == []


def test_an_alarm_is_never_cleared():
    clock, _, _, controller, gantry = bench()
    controller.to[b"G4"] = [(0.5, b"ALARM:1\r\n")]
    gantry.start_move(120.0, 0.0)
    with pytest.raises(PositionLost, match="alarm 1"):
        finish(gantry, clock)
    assert not gantry.is_homed
    clock.wait_until(clock.elapsed_s() + 60.0)
    assert b"$X" not in controller.lines
    assert controller.immediate == []


def test_an_alarm_state_in_a_report_loses_the_position():
    clock, _, _, controller, gantry = bench()
    controller.states = itertools.repeat("Alarm")
    gantry.start_move(120.0, 0.0)
    with pytest.raises(PositionLost, match="in alarm"):
        finish(gantry, clock)


def test_homing_again_is_the_way_back():
    clock, _, _, controller, gantry = bench()
    controller.to[b"G4"] = [(0.5, b"ALARM:1\r\n")]
    gantry.start_move(120.0, 0.0)
    with pytest.raises(PositionLost):
        finish(gantry, clock)
    gantry.start_home()
    finish(gantry, clock)
    assert gantry.is_homed


def test_failed_homing_leaves_the_position_unknown():
    controller = Controller()
    controller.to[b"$H"] = [(2.0, b"ALARM:8\r\n")]
    clock, _, _, _, gantry = bench(controller, homed=False)
    gantry.start_home()
    with pytest.raises(PositionLost, match="alarm 8"):
        finish(gantry, clock)
    assert not gantry.is_homed
    controller.to[b"$H"] = [(0.002, b"error:5\r\n")]
    gantry.start_home()
    with pytest.raises(MotionRefused, match="error 5"):
        finish(gantry, clock)
    assert not gantry.is_homed


def test_a_barrier_that_never_answers_is_given_up_within_bounds():
    clock, _, _, controller, gantry = bench()
    controller.to[b"G4"] = ()
    start_s = clock.elapsed_s()
    gantry.start_move(120.0, 0.0)
    with pytest.raises(PositionLost, match=r"no 'ok' to 'G4 P0.01'"):
        finish(gantry, clock)
    assert clock.elapsed_s() - start_s < 6.0
    assert not gantry.is_homed


def test_stop_holds_and_resets_at_once_and_the_position_is_lost():
    clock, _, _, controller, gantry = bench()
    gantry.start_move(1200.0, 0.0)
    gantry.poll()
    clock.wait_until(clock.elapsed_s() + 0.3)
    gantry.stop()
    clock.wait_until(clock.elapsed_s() + 0.01)
    assert controller.immediate == [b"!\x18"]
    assert not gantry.is_homed
    assert gantry.wake_s == math.inf
    # The greeting after it is expected, so homing works.
    gantry.start_home()
    finish(gantry, clock)
    assert gantry.is_homed


def test_cancel_of_a_move_stops_it():
    clock, _, _, controller, gantry = bench()
    gantry.start_move(1200.0, 0.0)
    gantry.poll()
    clock.wait_until(clock.elapsed_s() + 0.3)
    gantry.cancel()
    clock.wait_until(clock.elapsed_s() + 0.01)
    assert controller.immediate == [b"!\x18"]


def test_cancel_and_close_at_rest_send_nothing():
    clock, _, _, controller, gantry = bench()
    gantry.cancel()
    clock.wait_until(clock.elapsed_s() + 1.0)
    gantry.close()
    gantry.close()
    assert controller.immediate == []
    assert controller.lines == []


def test_a_lost_port_names_the_stage():
    clock, _, line, _, gantry = bench()
    gantry.start_move(120.0, 0.0)
    gantry.poll()
    line.unplug()
    with pytest.raises(PortLost, match="stage, memory: the port is gone"):
        finish(gantry, clock)
    with pytest.raises(PortLost, match="stage, memory"):
        gantry.stop()
    gantry.cancel()
    gantry.close()


def test_a_port_that_takes_nothing_is_reported_by_stop():
    _, _, line, _, gantry = bench()
    line.stall()
    with pytest.raises(WriteStalled, match="stage, memory"):
        gantry.stop()


def test_noise_on_the_line_is_not_an_answer():
    clock, _, _, controller, gantry = bench()
    controller.to[b"G53"] = [(0.002, b"\xff\xfe\r\nokk\r\nok\r\n")]
    controller.position = (120.0, 0.0, 0.0)
    gantry.start_move(120.0, 0.0)
    assert finish(gantry, clock) == Position(120.0, 0.0, None)


@pytest.mark.parametrize("split", range(1, len(BANNER)))
def test_the_greeting_is_found_at_every_split_point(split):
    controller = Controller()
    clock, peer, line, _, gantry = bench(controller, greets=False, homed=False)
    peer.say(0.9, BANNER[:split])
    send_unasked(clock, peer, line, b"")
    peer.say(1.0, BANNER[split:])
    gantry.start_identify()
    assert finish(gantry, clock, poll=gantry.poll_identity).startswith("Motion 1.1")
    assert controller.immediate == []


def test_identity_is_greeting_and_messages():
    clock, _, _, controller, gantry = bench(homed=False)
    gantry.start_identify()
    assert finish(gantry, clock, poll=gantry.poll_identity) == (
        "Motion 1.1 ['$' for help]; VER:1.1:bench; OPT:V,15,128"
    )
    assert controller.lines == [b"$I", b"$$"]
