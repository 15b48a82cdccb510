"""The simulated motion controller, byte for byte, over the bench's own gantry.

Words: RS-274/NGC (NISTIR 6556, from memory). Report, banner and the numbers of errors and
alarms: in common use by open motion controllers (from memory). Travel times are worked by hand
from trapezoidal motion: distance / speed + speed / acceleration.
"""

import math

import pytest

from drivers.simulated.gantry_motion import GantryMotion
from drivers.simulated.gcode_peer import GcodePeer
from drivers.simulated.instruments import GcodeStage
from drivers.simulated.peer import Fault
from drivers.simulated.scenario import Gantry

SPEED_MM_S, ACCELERATION_MM_S2 = 100.0, 500.0
GREETING = b"\r\nMotion 1.1 ['$' for help]\r\n"
UNLOCK = b"[MSG:'$H'|'$X' to unlock]\r\n"


def make(*faults, **data):
    gantry = GantryMotion(
        Gantry(
            travel_x_mm=(0.0, 1200.0),
            travel_y_mm=(0.0, 1200.0),
            travel_z_mm=(250.0, 900.0),
            top_speed_mm_s=SPEED_MM_S,
            acceleration_mm_s2=ACCELERATION_MM_S2,
            repeatable_error_mm=0.0,
            random_error_mm=0.0,
            scale_error_percent=0.0,
        ),
        500.0,
        1,
    )
    return GcodePeer(GcodeStage(faults=faults, boot_s=0.0, reply_delay_s=0.0, **data), gantry)


def hear(peer, until_s):
    """Return all that the peer says until then, as (moment, bytes)."""
    said = []
    while (moment := peer.next_s()) <= until_s:
        if data := peer.take(moment):
            said.append((moment, data))
    return said


def say(peer, text, at_s, until_s=None):
    peer.receive(text, at_s)
    return b"".join(data for _, data in hear(peer, at_s if until_s is None else until_s))


def homed(*faults, **data):
    """Return a peer homed and asked for absolute millimetres, at rest at 100 s."""
    peer = make(*faults, **data)
    peer.opened(0.0)
    hear(peer, 1.0)
    assert say(peer, b"$H\n", 1.0, 99.0) == b"ok\r\n"
    assert say(peer, b"G21 G90 G94\n", 99.0) == b"ok\r\n"
    return peer


def position(peer, at_s):
    report = say(peer, b"?", at_s).decode()
    state, where = report.strip("<>\r\n").split("|")[:2]
    return state, tuple(float(v) for v in where.removeprefix("MPos:").split(","))


def test_controller_greets_after_its_boot_and_is_deaf_until_then():
    peer = make()
    peer = GcodePeer(GcodeStage(boot_s=0.8, reply_delay_s=0.0), peer._gantry)
    peer.opened(10.0)
    assert say(peer, b"$I\n?", 10.5) == b""
    assert hear(peer, 12.0) == [(10.8, GREETING + UNLOCK)]


def test_port_that_does_not_restart_the_board_brings_no_greeting():
    peer = make(restarts_on_open=False)
    peer.opened(1.0)
    assert hear(peer, 10.0) == []


def test_motion_before_homing_is_refused():
    peer = make()
    assert say(peer, b"G1 X10 F600\n", 1.0) == b"error:9\r\n"
    assert position(peer, 1.1)[0] == "Alarm"


def test_homing_answers_when_it_has_ended_and_is_silent_meanwhile():
    peer = make()
    peer.receive(b"$H\n", 1.0)
    assert say(peer, b"?", 1.5) == b""
    (moment, reply), *rest = hear(peer, 200.0)
    assert (reply, rest) == (b"ok\r\n", [])
    assert moment > 2.0
    assert position(peer, moment + 0.1) == ("Idle", (0.0, 0.0, 900.0))


def test_ok_comes_at_once_and_the_barrier_when_motion_has_ended():
    peer = homed()
    assert say(peer, b"G53 G1 X400.000 Y300.000 F6000.0\n", 100.0) == b"ok\r\n"
    # 500 mm at 100 mm/s, 500 mm/s²: 500/100 + 100/500 = 5.2 s.
    peer.receive(b"G4 P0.01\n", 100.1)
    assert hear(peer, 200.0) == [(pytest.approx(105.21), b"ok\r\n")]


def test_report_follows_the_motion():
    peer = homed()
    say(peer, b"G1 X400 Y300 F6000\n", 100.0)
    # At 2.6 s, half of the time, it has gone half of the way.
    assert position(peer, 102.6) == ("Run", (200.0, 150.0, 900.0))
    assert say(peer, b"?", 102.6) == b"<Run|MPos:200.000,150.000,900.000|FS:6000,0>\r\n"
    assert say(peer, b"?", 105.3) == b"<Idle|MPos:400.000,300.000,900.000|FS:0,0>\r\n"


def test_feed_is_in_millimetres_per_minute_and_g0_goes_as_fast_as_it_can():
    peer = homed()
    say(peer, b"G1 X100 F1200\n", 100.0)  # 20 mm/s: 100/20 + 20/500 = 5.04 s
    assert hear_barrier(peer, 100.1) == pytest.approx(105.04)
    say(peer, b"G0 X0\n", 110.0)  # 100 mm/s: 100/100 + 100/500 = 1.2 s
    assert hear_barrier(peer, 110.1) == pytest.approx(111.2)


def hear_barrier(peer, at_s):
    peer.receive(b"G4 P0\n", at_s)
    return hear(peer, at_s + 100.0)[-1][0]


def test_queued_moves_follow_one_another():
    peer = homed()
    assert say(peer, b"G1 X100 F6000\nX0\n", 100.0) == b"ok\r\nok\r\n"
    assert hear_barrier(peer, 100.1) == pytest.approx(102.4)  # twice 1.2 s


def test_line_beyond_the_queue_is_answered_when_there_is_room():
    peer = homed(queue_length=1)
    # One under way, one in the queue; the third waits for the first to arrive.
    assert say(peer, b"G1 X100 F6000\nX0\nX100\n", 100.0) == b"ok\r\nok\r\n"
    assert hear(peer, 102.0) == [(pytest.approx(101.2), b"ok\r\n")]


def test_relative_moves_and_inches():
    peer = homed()
    say(peer, b"G20 G91 G0 X1 Y2\nX1\n", 100.0)
    assert position(peer, 110.0) == ("Idle", (50.8, 50.8, 900.0))


def test_machine_coordinates_are_absolute_whatever_the_mode():
    peer = homed()
    say(peer, b"G91 G0 X100\nG53 G0 X30\n", 100.0)
    assert position(peer, 110.0)[1] == (30.0, 0.0, 900.0)


def test_height_axis_carries_the_mounting_height():
    peer = homed()
    say(peer, b"G0 Z400\n", 100.0)
    hear(peer, 200.0)
    assert peer._gantry.reported(200.0)[2] == 400.0


def test_stage_coordinates_may_lie_elsewhere_than_the_plane():
    peer = homed(x_at_origin_mm=50.0, travel_x_mm=(50.0, 1250.0))
    assert position(peer, 99.5)[1][0] == 50.0
    say(peer, b"G0 X150\n", 100.0)
    hear(peer, 200.0)
    assert peer._gantry.reported(200.0)[0] == 100.0


def test_target_beyond_the_limits_is_an_alarm_that_keeps_the_position():
    peer = homed()
    reply = say(peer, b"G1 X1200.1 F6000\n", 100.0)
    assert reply == b"ALARM:2\r\n[MSG:Reset to continue]\r\n"
    assert position(peer, 101.0) == ("Alarm", (0.0, 0.0, 900.0))
    assert say(peer, b"$X\n", 102.0) == b""  # nothing but a restart is heard
    assert say(peer, b"\x18", 103.0) == GREETING + UNLOCK
    assert say(peer, b"G0 X1\n", 104.0) == b"error:9\r\n"
    assert say(peer, b"$X\n", 105.0) == b"[MSG:Caution: Unlocked]\r\nok\r\n"
    assert say(peer, b"G0 X1\n", 106.0) == b"ok\r\n"


@pytest.mark.parametrize(
    ("line", "code"),
    [
        (b"10 X1", 1),
        (b"G1 X F100", 2),
        (b"G1 X1.2.3 F100", 2),
        (b"$Q", 3),
        (b"G1 X1" + b" " * 80, 11),
        (b"G2 X1", 20),
        (b"M3", 20),
        (b"G1 E1", 20),
        (b"G0 G1 X1", 21),
        (b"G1 X1", 22),
        (b"G1 X1 X2 F100", 25),
        (b"G4", 28),
        (b"G0 P1", 36),
    ],
)
def test_line_that_is_wrong_is_refused_by_number(line, code):
    peer = homed()
    assert say(peer, line + b"\n", 100.0) == b"error:%d\r\n" % code
    assert position(peer, 101.0) == ("Idle", (0.0, 0.0, 900.0))


def test_height_without_a_height_axis_is_refused():
    peer = homed(travel_z_mm=None)
    assert say(peer, b"G0 Z300\n", 100.0) == b"error:20\r\n"
    assert position(peer, 101.0)[1] == (0.0, 0.0, 0.0)


def test_homing_and_settings_wait_for_rest():
    peer = homed()
    say(peer, b"G0 X500\n", 100.0)
    assert say(peer, b"$H\n$$\n", 100.5) == b"error:8\r\nerror:8\r\n"


def test_comments_case_spaces_and_empty_lines():
    peer = homed()
    reply = say(peer, b"g 0 x 10 (to the left)\n; nothing\n\n", 100.0)
    assert reply == b"ok\r\nok\r\nok\r\n"
    assert position(peer, 105.0)[1][0] == 10.0


def test_hold_brakes_and_go_on_ends_the_move():
    peer = homed()
    say(peer, b"G0 X500\n", 100.0)
    assert say(peer, b"!", 102.0) == b""
    state, (x_mm, _, _) = position(peer, 103.0)
    # 10 mm run-up, 1.8 s at speed, 10 mm of braking: 200 mm.
    assert (state, x_mm) == ("Hold:0", pytest.approx(200.0, abs=0.02))
    say(peer, b"~", 110.0)
    assert position(peer, 111.0)[0] == "Run"
    assert position(peer, 114.0) == ("Idle", (500.0, 0.0, 900.0))


def test_restart_in_motion_loses_the_position():
    peer = homed()
    say(peer, b"G0 X500\n", 100.0)
    assert say(peer, b"\x18", 102.0) == b"ALARM:3\r\n" + GREETING + UNLOCK
    assert position(peer, 103.0)[0] == "Alarm"


def test_restart_at_rest_keeps_it():
    peer = homed()
    assert say(peer, b"\x18", 100.0) == GREETING
    assert position(peer, 101.0)[0] == "Idle"


def test_reports_are_picked_out_of_a_line_half_sent():
    peer = homed()
    assert say(peer, b"G0 X1", 100.0) == b""
    assert say(peer, b"?", 100.1).startswith(b"<Idle|")
    assert say(peer, b"0\n", 100.2) == b"ok\r\n"
    assert position(peer, 105.0)[1][0] == 10.0


def test_settings_show_held_motors_limits_and_rates():
    reply = say(homed(), b"$$\n", 100.0).decode().split("\r\n")
    for line in ("$1=255", "$20=1", "$22=1", "$110=6000.000", "$130=1200.000", "$132=650.000"):
        assert line in reply
    assert reply[-2] == "ok"


def test_identity_is_in_brackets():
    assert say(make(version="7"), b"$I\n", 1.0) == b"[VER:7:]\r\n[OPT:VH,15,128]\r\nok\r\n"


# ---------------------------------------------------------------- scripted faults; $H is 1, modes 2


def test_banner_out_of_nowhere_stops_and_loses_the_position():
    peer = homed(Fault(kind="banner", at_exchange=4))
    say(peer, b"G0 X500\n", 100.0)
    assert say(peer, b"G4 P0.01\n", 102.0) == b"ALARM:3\r\n" + GREETING + UNLOCK
    state, (x_mm, _, _) = position(peer, 110.0)
    assert (state, x_mm) == ("Alarm", pytest.approx(200.0, abs=0.02))


def test_alarm_stops_the_motion():
    peer = homed(Fault(kind="alarm", at_exchange=4, code=1))
    say(peer, b"G0 X500\n", 100.0)
    assert say(peer, b"G4 P0.01\n", 102.0) == b"ALARM:1\r\n[MSG:Reset to continue]\r\n"
    assert position(peer, 110.0)[1][0] == pytest.approx(200.0, abs=0.02)


def test_refusal_moves_nothing():
    peer = homed(Fault(kind="error", at_exchange=3, code=9))
    assert say(peer, b"G0 X500\n", 100.0) == b"error:9\r\n"
    assert position(peer, 110.0) == ("Idle", (0.0, 0.0, 900.0))


def test_late_motion_reports_run_until_it_has_arrived():
    peer = homed(Fault(kind="slow", at_exchange=3, delay_s=5.0))
    assert say(peer, b"G0 X100\n", 100.0) == b"ok\r\n"
    assert position(peer, 104.0) == ("Run", (0.0, 0.0, 900.0))
    assert hear_barrier(peer, 104.1) == pytest.approx(106.2)


def test_short_motion_ends_half_way():
    peer = homed(Fault(kind="short", at_exchange=3))
    say(peer, b"G0 X100\n", 100.0)
    assert position(peer, 110.0) == ("Idle", (50.0, 0.0, 900.0))


def test_dead_controller_says_nothing_more():
    peer = homed(Fault(kind="dead", at_exchange=3))
    assert say(peer, b"G0 X100\n?", 100.0) == b""
    assert say(peer, b"?$H\n\x18", 110.0, 300.0) == b""
    assert peer.next_s() == math.inf


def test_lost_ok_leaves_the_motion():
    peer = homed(Fault(kind="drop", at_exchange=3))
    assert say(peer, b"G0 X100\n", 100.0) == b""
    assert position(peer, 110.0)[1][0] == 100.0
