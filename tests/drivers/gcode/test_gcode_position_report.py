"""The second dialect: answered lines only, an ok after errors, a token behind the barrier."""

from __future__ import annotations

import pytest

from drivers.clock import VirtualClock
from drivers.contracts import Position
from drivers.errors import MotionRefused, NoReply, PositionLost
from drivers.gcode.dialect import POSITION_REPORT, Status, parse_status
from drivers.gcode.gantry import Gantry
from drivers.gcode.options import GantryOptions, line_settings
from drivers.memory_line import MemoryLine
from tests.drivers.far_end import ScriptedPeer, finish
from tests.drivers.gcode.test_gcode_gantry import send_unasked

KINDS = ("ok", "error", "alarm", "banner", "busy", "status", "message")


class Controller:
    """Answers as such a controller does; a test changes what it says."""

    def __init__(self):
        self.position = (0.0, 0.0, 0.0)
        self.travel_s = 1.4
        self.to = {}  # answers that a test puts in place of the usual ones
        self.lines = []

    def answer(self, data):
        assert data.endswith(b"\n")
        assert data.count(b"\n") == 1
        line = data[:-1]
        self.lines.append(line)
        key = line.split(b" ")[0]
        if key in self.to:
            return self.to[key](line) if callable(self.to[key]) else self.to[key]
        if key == b"M114":
            x, y, z = self.position
            report = f"X:{x:.2f} Y:{y:.2f} Z:{z:.2f} E:0.00 Count X:0 Y:0 Z:0\nok\n"
            return [(0.002, report.encode())]
        if key == b"G28":
            busy = [(n * 2.0, b"echo:busy: processing\n") for n in range(1, 4)]
            return [*busy, (8.0, b"ok\n")]
        if key == b"G1":
            words = {word[:1]: float(word[1:]) for word in line.split()[1:]}
            self.position = tuple(
                words.get(axis, old)
                for axis, old in zip((b"X", b"Y", b"Z"), self.position, strict=True)
            )
        if key == b"M400":
            return [(self.travel_s, b"ok\n")]
        if key == b"M118":
            return [(0.002, b"echo:" + line.split(b" ")[-1] + b"\n"), (0.003, b"ok\n")]
        if key == b"M115":
            return [(0.002, b"FIRMWARE_NAME:Motion 2.0 AXIS_COUNT:3\nok\n")]
        if key == b"M112":
            return [(0.002, b"Error:controller halted; restart it\n")]
        return [(0.002, b"ok\n")]


def bench(controller=None, *, greets=True, homed=True, **options):
    controller = controller or Controller()
    made = GantryOptions(
        port="memory",
        dialect="position-report",
        **{
            "travel_x_mm": (0.0, 1200.0),
            "travel_y_mm": (0.0, 1200.0),
            "barrier_test": False,
            **options,
        },
    )
    clock = VirtualClock()
    peer = ScriptedPeer(controller.answer)
    if greets:
        peer.say(0.9, b"start\necho: settings loaded\n")
    line = MemoryLine("memory", line_settings(made), clock, peer)
    gantry = Gantry(made, line, clock, "stage")
    if homed:
        gantry.start_home()
        finish(gantry, clock)
        controller.lines.clear()
    return clock, peer, line, controller, gantry


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        (b"ok", "ok"),
        (b"ok P15 B3", "ok"),
        (b"Error:No checksum with line number", "error"),
        (b"Resend: 12", "error"),
        (b'echo:Unknown command: "G99"', "error"),
        (b"start", "banner"),
        (b"echo:busy: processing", "busy"),
        (b"X:1.00 Y:-2.50 Z:0.00 E:0.00 Count X:80 Y:0 Z:0", "status"),
        (b"FIRMWARE_NAME:Motion 2.0", "message"),
    ],
)
def test_each_line_is_of_one_kind(line, kind):
    assert [k for k in KINDS if getattr(POSITION_REPORT, k).fullmatch(line)] == [kind]


@pytest.mark.parametrize(
    "line", [b"Error:controller halted; restart it", b"echo:endstops hit:  X:12.30"]
)
def test_a_halt_is_an_alarm(line):
    assert POSITION_REPORT.alarm.fullmatch(line)


@pytest.mark.parametrize(
    ("line", "position"),
    [
        (b"X:1.00 Y:-2.50 Z:300.00 E:0.00 Count X:80 Y:-200 Z:0", (1.0, -2.5, 300.0)),
        (b"X:1.00 Y:2.00", (1.0, 2.0)),
        (b"X:1.00 Y:2.0x Z:0.00", None),
        (b"X:1.00", None),
        (b":1.00 Y:2.00 Z:0.00", None),
    ],
)
def test_a_position_line_gives_the_stage_position(line, position):
    wanted = None if position is None else Status("", position, None)
    assert parse_status(line, POSITION_REPORT) == wanted


def test_homing_waits_through_busy_lines():
    clock, _, _, controller, gantry = bench(homed=False, homing_within_s=5.0)
    gantry.start_home()
    assert finish(gantry, clock) == Position(0.0, 0.0, None)
    assert controller.lines == [b"G28", b"G21", b"G90", b"M114", b"M114"]
    assert 8.9 < clock.elapsed_s() < 9.5


def test_a_busy_controller_is_not_waited_for_without_end():
    controller = Controller()
    controller.to[b"G28"] = [(2.0 * n, b"echo:busy: processing\n") for n in range(1, 100)]
    clock, _, _, _, gantry = bench(controller, homed=False, homing_within_s=10.0)
    gantry.start_home()
    with pytest.raises(PositionLost, match="no 'ok' to 'G28'"):
        finish(gantry, clock)
    assert clock.elapsed_s() == pytest.approx(0.9 + 20.0, abs=0.1)  # twice what was allowed


def test_a_move_ends_at_the_barrier_and_its_token():
    clock, _, _, controller, gantry = bench()
    gantry.start_move(120.0, 50.0)
    assert finish(gantry, clock) == Position(120.0, 50.0, None)
    assert controller.lines == [
        b"G1 X120.000 Y50.000 F6000.0",
        b"M400",
        b"M118 E1 T1",
        b"M114",
        b"M114",
    ]


def test_a_late_ok_does_not_pass_for_the_end_of_the_move():
    """Every answer comes one line late from here on; the token shows when motion has ended."""
    clock, _, _, controller, gantry = bench()
    ends_s = None

    def barrier(line):
        nonlocal ends_s
        ends_s = clock.elapsed_s() + 1.4
        return [(0.001, b"ok\n"), (1.4, b"ok\n")]

    def token(line):
        # It is obeyed after the barrier, as lines are obeyed in order.
        left_s = max(0.0, ends_s - clock.elapsed_s())
        return [(left_s + 0.002, b"echo:" + line.split(b" ")[-1] + b"\nok\n")]

    controller.to[b"M400"], controller.to[b"M118"] = barrier, token
    gantry.start_move(120.0, 0.0)
    finish(gantry, clock)
    assert gantry.still_since_s >= ends_s


def test_a_token_that_never_comes_is_no_arrival():
    clock, _, _, controller, gantry = bench()
    controller.to[b"M118"] = [(0.002, b"ok\n")]
    gantry.start_move(120.0, 0.0)
    with pytest.raises(PositionLost, match=r"token of 'M118 E1 T1' was not repeated"):
        finish(gantry, clock)
    assert not gantry.is_homed


def test_an_error_counts_though_an_ok_follows_it():
    clock, _, _, controller, gantry = bench()
    controller.to[b"G1"] = [(0.002, b"Error:cold\n"), (0.3, b"ok\n")]
    start_s = clock.elapsed_s()
    gantry.start_move(120.0, 0.0)
    with pytest.raises(MotionRefused, match=r"refused 'G1 .*' with error cold"):
        finish(gantry, clock)
    assert gantry.is_homed
    # The ok behind it was taken with it: the next line gets its own answers.
    assert clock.elapsed_s() - start_s > 0.3
    del controller.to[b"G1"]
    gantry.start_move(120.0, 0.0)
    assert finish(gantry, clock) == Position(120.0, 0.0, None)


@pytest.mark.parametrize("answer", [b"Resend: 4\nok\n", b'echo:Unknown command: "M400"\nok\n'])
def test_a_barrier_that_was_not_understood_loses_the_position(answer):
    clock, _, _, controller, gantry = bench()
    controller.to[b"M400"] = [(0.002, answer)]
    gantry.start_move(120.0, 0.0)
    with pytest.raises(PositionLost, match="refused 'M400'"):
        finish(gantry, clock)
    assert not gantry.is_homed


def test_a_halt_and_a_restart_lose_the_position():
    for said, words in ((b"Error:controller halted\n", "alarm"), (b"start\n", "restarted")):
        clock, peer, line, controller, gantry = bench()
        send_unasked(clock, peer, line, said)
        clock.wait_until(clock.elapsed_s() + 1.0)
        gantry.start_move(10.0, 0.0)
        with pytest.raises(PositionLost, match=words):
            finish(gantry, clock)
        assert controller.lines == []


def test_positions_that_differ_are_not_rest():
    clock, _, _, controller, gantry = bench()
    places = iter([117.0, 119.0, 119.95, 120.0, 120.0])
    controller.to[b"M114"] = lambda line: [
        (0.002, f"X:{next(places, 120.0):.2f} Y:0.00 Z:0.00 E:0.00\nok\n".encode())
    ]
    gantry.start_home()
    finish(gantry, clock)
    # 117 and 119 and 119.95 differ by more than the tolerance of 0.1; 119.95 and 120 agree.
    assert controller.lines.count(b"M114") == 4


def test_stop_goes_out_at_once_and_homing_waits_for_a_restart():
    clock, _, _, controller, gantry = bench()
    gantry.start_move(1200.0, 0.0)
    gantry.poll()
    clock.wait_until(clock.elapsed_s() + 0.3)
    gantry.stop()
    clock.wait_until(clock.elapsed_s() + 0.01)
    assert controller.lines[-1] == b"M112"
    assert not gantry.is_homed
    controller.to[b"M114"] = [(0.002, b"Error:controller halted; restart it\n")]
    gantry.start_home()
    with pytest.raises(NoReply, match="one that was stopped may have to be restarted"):
        finish(gantry, clock)
    assert b"G28" not in controller.lines


def test_identity_is_greeting_and_name():
    clock, _, _, controller, gantry = bench(homed=False)
    gantry.start_identify()
    words = finish(gantry, clock, poll=gantry.poll_identity)
    assert words == "start; FIRMWARE_NAME:Motion 2.0 AXIS_COUNT:3"
    assert controller.lines == [b"M115"]
    assert gantry.remarks == ()


# The test of the barrier


@pytest.mark.parametrize("answers_after_s", [0.001, 0.3, 0.44])
def test_a_barrier_that_answers_early_is_refused_with_the_numbers(answers_after_s):
    controller = Controller()
    controller.travel_s = answers_after_s
    clock, _, _, _, gantry = bench(controller, homed=False, barrier_test=True)
    gantry.start_home()
    with pytest.raises(PositionLost) as caught:
        finish(gantry, clock)
    # By hand: 10 mm at 20 mm/s are 0.5 s.
    assert "after a move of 10 mm at 20 mm/s was sent, which takes 0.500 s" in str(caught.value)
    assert not gantry.is_homed


def test_a_barrier_that_waits_passes_once_and_is_not_tested_again():
    controller = Controller()
    controller.travel_s = 0.54
    clock, _, _, _, gantry = bench(controller, homed=False, barrier_test=True)
    gantry.start_home()
    assert finish(gantry, clock) == Position(0.0, 0.0, None)
    assert [line for line in controller.lines if line.startswith(b"G1")] == [
        b"G1 X10.000 Y0.000 F1200.0",
        b"G1 X0.000 Y0.000 F1200.0",
    ]
    controller.lines.clear()
    gantry.start_home()
    finish(gantry, clock)
    assert not [line for line in controller.lines if line.startswith(b"G1")]


def test_the_move_of_the_test_stays_inside_the_travel():
    controller = Controller()
    controller.travel_s, controller.position = 0.54, (1200.0, 1200.0, 0.0)
    clock, _, _, _, gantry = bench(controller, homed=False, barrier_test=True)
    gantry.start_home()
    assert finish(gantry, clock) == Position(1200.0, 1200.0, None)
    assert b"G1 X1190.000 Y1200.000 F1200.0" in controller.lines
