"""A profile's own words take the place of a dialect's, and are looked at when it is read."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from drivers.contracts import Position
from drivers.gcode.dialect import DIALECTS, POSITION_REPORT, Status, adapted, parse_status
from drivers.gcode.options import GantryOptions
from drivers.gcode.words import DialectOverrides
from drivers.options import OptionError
from rig.profile import fitted
from rig.toml_faults import Faults
from tests.drivers.far_end import finish
from tests.drivers.gcode.test_gcode_position_report import Controller, bench

EXAMPLE = Path(__file__).parents[3] / "hardware" / "example-rig.toml"
STAGE = {
    "kind": "gcode-gantry",
    "port": "p",
    "travel_x_mm": [0.0, 1200.0],
    "travel_y_mm": [0.0, 1200.0],
}


def stage_of(**overrides):
    return fitted({**STAGE, "dialect_overrides": overrides}, "stage").options


@pytest.mark.parametrize(
    ("words", "allowed"),
    [
        ({"ok": "(ok"}, "a regular expression for a whole line"),
        ({"error": "error.*"}, "with one group around the reason"),
        ({"status": r"X(\S+) Y(\S+)"}, r"the groups \(\?P<x>…\)"),
        ({"status": r"(?P<x>\S+) (?P<y>\S+) (?P<a>\S+)"}, r"the groups \(\?P<x>…\)"),
        ({"move": "G1 F{feed_mm_min}"}, r"a line with \{axes\}"),
        ({"move": "G1 {axes} {speed}"}, r"a line with \{axes\}"),
        ({"echo": "M118 hello"}, r"a line with \{token\}"),
        ({"home": "G28\nG1"}, "one line of plain text"),
        ({"modes": []}, "a list of texts"),
        ({"modes": ["G21", 90]}, "a list of texts"),
        ({"barrier_s": -1.0}, "0 or more and at most 10"),
        ({"ok_after_error": "yes"}, "give true or false"),
        ({"homing": "G28"}, "did you mean 'home'"),
    ],
)
def test_a_word_that_cannot_serve_is_refused_when_the_profile_is_read(words, allowed):
    with pytest.raises(Faults, match=allowed):
        stage_of(**words)


def test_states_need_a_place_in_the_report():
    with pytest.raises(OptionError, match=r"give 'status' a group \(\?P<state>…\)"):
        DialectOverrides(status=r"(?P<x>\S+) (?P<y>\S+)", idle_states=("Idle",))


def test_what_is_left_out_stays_as_the_dialect_has_it():
    for dialect in DIALECTS.values():
        assert adapted(dialect, DialectOverrides().words()) == dialect


def test_a_profile_describes_what_is_answered_for_status_alarm_and_position():
    options = stage_of(
        status=r"pos (?P<x>[-\d.]+)/(?P<y>[-\d.]+) (?P<state>\w+)",
        idle_states=["still"],
        alarm_states=["locked"],
        alarm=r"STOP (.*)",
    )
    made = adapted(POSITION_REPORT, options.dialect_overrides.words())
    assert parse_status(b"pos 1.5/-2.0 still", made) == Status("still", (1.5, -2.0), None)
    assert made.alarm.fullmatch(b"STOP door")[1] == b"door"
    assert made.idle_states == {"still"}
    assert made.home == POSITION_REPORT.home


def test_a_gantry_speaks_the_words_of_its_profile():
    controller = Controller()
    controller.to[b"W"] = [(1.4, b"ok\n")]
    overrides = DialectOverrides(home="G28 X Y", barrier="W", echo="")
    clock, _, _, _, gantry = bench(controller, dialect_overrides=overrides, homed=False)
    gantry.start_home()
    finish(gantry, clock)
    gantry.start_move(120.0, 0.0)
    assert finish(gantry, clock) == Position(120.0, 0.0, None)
    assert controller.lines[0] == b"G28 X Y"
    assert b"W" in controller.lines
    assert not [line for line in controller.lines if line.startswith((b"M118", b"M400"))]


def test_the_words_of_the_example_can_be_used():
    text = EXAMPLE.read_text(encoding="utf-8")
    block = text[text.index("# [stage.dialect_overrides]") :].split("\n\n")[0]
    table = tomllib.loads(re.sub(r"(?m)^# ?", "", block))["stage"]["dialect_overrides"]
    table["idle_states"] = []  # its status has no state
    made = adapted(POSITION_REPORT, DialectOverrides(**table).words())
    assert made.stop == b"M112\n"
    assert parse_status(b"X:1.0 Y:2.0 Z:3.0 E:0", made) == Status("", (1.0, 2.0, 3.0), None)


def test_no_overrides_are_the_default():
    assert GantryOptions(port="p", travel_x_mm=(0, 1), travel_y_mm=(0, 1)).dialect_overrides is None
