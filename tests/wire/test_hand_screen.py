"""The terminal of a hand run on a real pseudo-terminal: keys in, screen out, all put back."""

from __future__ import annotations

import re
import signal

import pytest

from tests.wire.on_terminal import terminal

pytestmark = pytest.mark.wire

LED = """
import sys
from attrs import evolve
from drivers.clock import SystemClock
from rig.hand.screen import TerminalDesk
from rig.operator import Prompt
from tests.rig.hand.hand_views import view_of

clock = SystemClock()

def wait(asked, answer):
    while (got := answer()) is None:
        clock.wait_until(clock.elapsed_s() + 10.0, watching=[asked])
    print(got, file=sys.stderr, flush=True)
    return got

with TerminalDesk(speaks=False) as desk:
    desk.phase("Cautions")
    desk.operator.ask(Prompt(kind="cautions", text="Is the area clear?", choices=("yes", "stop")))
    wait(desk.operator, desk.operator.answer)
    point = view_of(9, 30, enter_key="d")
    desk.show(point)
    wait(desk, desk.answer)
    desk.cue()
    value = evolve(point, asks="value", enter_key="", typed_label="PPFD in µmol/m²/s",
                   keys=(("s", "skip"), ("x", "stop")))
    desk.show(value)
    wait(desk, desk.answer)
    desk.show(evolve(value, asks="text", typed_label="Why", keys=(("esc", "back"),)))
    wait(desk, desk.answer)
    desk.phase("Done", "Switch the lamp off.")
"""
WAITS = """
import sys
from drivers.clock import SystemClock
from rig.hand.screen import TerminalDesk
from tests.rig.hand.hand_views import view_of

clock = SystemClock()
with TerminalDesk(speaks=False) as desk:
    desk.show(view_of(9, 30))
    while desk.answer() is None:
        clock.wait_until(clock.elapsed_s() + 10.0, watching=[desk])
    raise RuntimeError("planted")
"""
STUCK = """
from drivers.clock import Watchdog
from rig.hand.screen import TerminalDesk
from rig.watches import end_stuck_program
from tests.rig.hand.hand_views import view_of

desk = TerminalDesk(speaks=False)
desk.show(view_of(9, 30))
Watchdog(0.2, end_stuck_program)
while True:
    pass
"""
ONE = """
from drivers.clock import SystemClock
from rig.hand.screen import TerminalDesk
from tests.rig.hand.hand_views import view_of

clock = SystemClock()
with TerminalDesk(speaks=False) as desk:
    desk.phase("Warm-up")
    desk.show(view_of(9, 30, asks="value", typed_label="PPFD"))
    while desk.answer() is None:
        clock.wait_until(clock.elapsed_s() + 10.0, watching=[desk])
    input()
    desk.step(600.0, 3600.0, "on 10 min", 3000.0)
    input()
"""
UNREAD = """
from rig.hand.screen import TerminalDesk
from tests.rig.hand.hand_views import view_of

desk = TerminalDesk(speaks=False)
for point in range(81):
    desk.show(view_of(9, point))
    desk.cue()
"""


def test_a_person_is_led_by_one_key_at_a_time():
    with terminal(["-c", LED]) as there:
        there.shows("Is the area clear?")
        there.keys("y\r")
        text = there.shows("d or Enter  done")  # the last line of the picture
        assert "Point 31 of 81" in text
        assert "467 mm from the front wall" in text  # (3 + 1/2) · 1200 / 9
        there.keys("q")
        there.shows("'q' is no key here")
        there.keys("\x1b[A\x1bOP\r")  # arrow and function keys are none of ours
        there.shows("PPFD in µmol/m²/s: _")
        there.keys("61")
        there.shows("PPFD in µmol/m²/s: 61_")
        there.keys("\x7f,5k")
        there.shows("6,5_   'k' is no part of a number")
        there.resize(60, 14)
        there.shows("This window has 60 × 14")
        there.keys("\r")
        there.shows("Why: _")
        there.keys("dazzled ünd wet\r")
        code, said = there.ended()
        assert said.splitlines() == [
            "yes",
            "HandAnswer(key='d', text='')",
            "HandAnswer(key='', text='6,5')",
            "HandAnswer(key='', text='dazzled ünd wet')",
        ]
        assert code == 0
        assert there.is_put_back()
        assert "Switch the lamp off." in there.text()
        assert b"\a" in there.sent


def test_an_answered_question_asks_nothing_more_and_gives_way_to_the_phase():
    with terminal(["-c", ONE]) as there:
        there.shows("x  stop")
        there.keys("612\r")
        text = there.shows("Taken: 612")
        assert "x  stop" not in text
        there.keys("\r")
        text = there.shows("50 min left")
        assert "Warm-up" in text
        assert "Point" not in text


def test_keys_pressed_before_a_question_do_not_answer_it():
    with terminal(["-c", LED]) as there:
        there.shows("Is the area clear?")
        there.keys("y\rd123\r")  # in one go: the point was not on the screen yet
        there.shows("not taken: d123")
        there.keys("x")
        there.shows("PPFD")
        assert there.child.poll() is None


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGTERM, -signal.SIGTERM), (signal.SIGQUIT, -signal.SIGQUIT)]
)
def test_a_signal_that_ends_the_program_leaves_the_terminal_as_it_was(number, code):
    with terminal(["-c", WAITS]) as there:
        there.shows("Point 31 of 81")
        assert not there.is_put_back()
        there.child.send_signal(number)
        assert there.ended() == (code, "")
        assert there.is_put_back()


def test_a_window_that_is_closed_ends_the_program_without_a_traceback():
    with terminal(["-c", WAITS]) as there:
        there.shows("Point 31 of 81")
        assert there.hang_up() == (-signal.SIGHUP, "")


def test_an_exception_leaves_the_terminal_as_it_was_and_is_seen():
    with terminal(["-c", WAITS], NO_COLOR="1") as there:
        there.shows("Point 31 of 81")
        there.keys("x")
        code, said = there.ended()
        assert code == 1
        assert "planted" in said
        assert there.is_put_back()
        codes = re.findall(rb"\x1b\[([\d;]*)m", there.sent)
        assert codes
        # Bold, dim, blinking, reverse and back, no code of a colour (ECMA-48, 8.3.117).
        assert {int(n) for found in codes for n in found.split(b";") if n} <= {0, 1, 2, 5, 7}


def test_a_terminal_that_cannot_be_redrawn_gets_lines_one_after_the_other():
    with terminal(["-c", LED], TERM="dumb") as there:
        there.shows("Is the area clear?")
        there.keys("y\r")
        there.shows("Row 4, column 4; 467 mm from the left wall; 467 mm from the front wall")
        there.keys("d")
        there.shows("PPFD in µmol/m²/s, then Enter")
        there.keys("62\x7f1\r")
        there.shows("Why, then Enter")
        there.keys("wet\r")
        code, said = there.ended()
        assert code == 0
        assert "text='61'" in said
        assert b"\x1b" not in there.sent
        assert there.is_put_back()


def test_a_stuck_program_puts_the_terminal_back_before_it_ends_itself():
    with terminal(["-c", STUCK]) as there:
        code, said = there.ended()
        assert code == 1
        assert said.startswith("evenfall: stuck for 60 s")
        assert b"Point 31 of 81" in there.sent
        assert there.is_put_back()


def test_a_terminal_that_takes_no_bytes_does_not_hold_up_the_run():
    with terminal(["-c", UNREAD]) as there:
        assert there.ended() == (0, "")  # nobody reads before it has ended
        assert len(there.sent) < 81 * 24 * 20  # most pictures were left out
