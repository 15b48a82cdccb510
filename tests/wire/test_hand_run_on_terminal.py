"""The whole hand mode through the real command in a pseudo-terminal: keys in, screen out."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import tomli_w

from analysis import run_folder
from tests.rig.bench_run import plan_of
from tests.wire.on_terminal import Terminal, terminal

pytestmark = pytest.mark.wire

RIG = {
    "format": 1,
    "name": "by hand",
    "stage": {"kind": "manual"},
    "light_sensor": {"kind": "keyed", "serial_number": "H-1"},
    "power_meter": {"kind": "keyed"},
}
#: Nobody waits for the lamp: what is under test is the screen.
PLAN = {
    "dark": {"points": 0, "skip_reason": "the display shows 0 with its cap on"},
    "warm_up": {
        "block_s": 0.1,
        "window_s": 0.3,
        "minimum_on_s": 0.0,
        "maximum_s": 0.5,
        "on_timeout": "ask",
    },
    "sampling": {"samples_per_point": 1, "reference_every": 4, "quick_look": False},
    "trouble": {"pause_most_min": 10.0},
}
LIGHT, POWER = "PPFD in µmol/m²/s: _", "Wall power in W: _"
#: What the display shows at each point, in the order in which they are read.
SHOWN = dict(enumerate(["369", "431", "368,5", "428", "515", "427", "367", "428.5", "366"], 1))
AT = {1: (0, 0), 2: (0, 1), 3: (0, 2), 4: (1, 2), 5: (1, 1), 6: (1, 0), 7: (2, 0), 8: (2, 1)}


def command(folder: Path, *words: str) -> list[str]:
    return ["-m", "rig.cli", *words, "--rig", str(folder / "rig.toml")]


def agrees_to_the_cautions(there: Terminal) -> None:
    """Page through them on a terminal of the usual size, 80 × 24, and agree on the last page."""
    number = 1
    while "Have you read this" not in there.shows("Have you read this", f"Page {number} of "):
        there.keys("\r")
        number += 1
    assert number > 1
    there.types("yes")


def lights_the_lamp(there: Terminal) -> None:
    """Answer all up to the first reading of the map."""
    while True:
        text = there.shows(POWER, "(stop / go on)", "Reference point, visit")
        if "Reference point, visit" in text:
            return
        if "go on" in text:  # typed too slowly for such short blocks
            there.types("go on")
            return
        there.types("640")
        there.shows(LIGHT)
        there.types("513")


def reads_reference(there: Terminal, value: str = "512") -> None:
    there.shows("Reference point, visit")
    there.shows(LIGHT)
    there.types(value)
    there.shows(POWER)
    there.types("640,5")


def point(there: Terminal, number: int) -> str:
    text = there.shows(f"Point {number} of 9")
    there.shows(LIGHT)
    return text


def reads(there: Terminal, *numbers: int) -> None:
    for number in numbers:
        point(there, number)
        there.types(SHOWN[number])


def test_a_run_by_hand_with_redo_skip_wrong_value_stop_and_resume(tmp_path: Path) -> None:
    plan_of(tmp_path, **PLAN)
    (tmp_path / "rig.toml").write_text(tomli_w.dumps(RIG), encoding="utf-8")
    begin = command(tmp_path, "run", str(tmp_path / "plan.toml"), "--lab", str(tmp_path / "lab"))
    with terminal(begin) as there:
        agrees_to_the_cautions(there)
        there.shows("mounting height is")
        there.types("done")
        there.shows("Light the lamp now")
        there.types("done")
        lights_the_lamp(there)
        reads_reference(there)
        text = point(there, 1)
        assert "200 mm from the left wall" in text  # 1200 mm / 3 / 2
        assert "200 mm from the front wall" in text
        there.types(SHOWN[1])
        reads(there, 2)
        point(there, 3)
        there.types("3685")
        there.shows("meant 368.5?")
        there.keys("t")
        reads(there, 3)
        point(there, 4)
        there.keys("r")
        reads(there, 3)
        point(there, 4)
        there.keys("s")
        there.shows("Why is this point left out?")
        there.types("a pot stands there")
        reads_reference(there)
        point(there, 5)
        there.keys("x")
        code, said = there.ended()
        assert code == 130
        assert "stopped by the operator at a point" in said
        assert there.is_put_back()
        assert "evenfall resume" in re.sub(r"\s+", " ", there.text())
    (folder,) = (tmp_path / "lab" / "runs").glob("*/")
    with terminal(command(tmp_path, "resume", str(folder))) as there:
        agrees_to_the_cautions(there)
        there.shows("Is the lamp lit now?")
        there.types("yes")
        there.shows("Has it burned without a break")
        there.types("yes")
        lights_the_lamp(there)
        reads_reference(there)
        reads(there, 5, 6, 7)
        point(there, 8)
        there.keys("b")
        reads(there, 7)
        reads(there, 8)
        reads_reference(there)
        reads(there, 9)
        there.shows("1 of 9 points were left out")
        there.types("leave out")
        reads_reference(there)
        code, said = there.ended()
        assert (code, said) == (0, "")
        assert there.is_put_back()
    run = run_folder.load(folder)
    rows = run.readings[(run.readings.role == "grid") & (run.readings.status == "ok")]
    typed = [raw.replace("\\x2c", ",") for raw in rows.raw]  # a comma would part the cells
    read = list(zip(rows.grid_row, rows.grid_column, typed, strict=True))
    numbers = [1, 2, 3, 3, 5, 6, 7, 7, 8]
    assert read[:9] == [(*AT[number], SHOWN[number]) for number in numbers]
    assert read[9:] == [(2, 2, SHOWN[9])]
    told = run.events.set_index("event")
    assert told.loc["point-skipped", "detail"] == "a pot stands there"
    assert told.loc["point-redo", "subject"] == "row 1, column 3"
    assert told.loc["point-back", "subject"] == "row 3, column 1"
    report = (folder / run_folder.REPORT).read_text(encoding="utf-8")
    assert "8 of 9" in report
