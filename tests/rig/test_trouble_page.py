"""The page on trouble states the figures that the code has."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig import mapping, pause, power_watch, warm_up, watches
from rig.faults import TABLE, Then

PAGE = (Path(__file__).parents[2] / "hardware" / "trouble.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "words",
    [
        f"looked for every {pause.LOOK_EVERY_S:.0f} s",
        f"less than {watches.DISK_LEAST_BYTES / 1e6:.0f} MB, looked at every "
        f"{watches.DISK_EVERY_S:.0f} s",
        f"elapsed time every {watches.TIME_EVERY_S:.0f} s",
        f"late by more than {watches.LATE_S:.0f} s",
        f"did not come round for {watches.STUCK_S:.0f} s",
        f"within {warm_up.LIGHT_DUE_S:.0f} s of lighting",
    ],
)
def test_figures_of_the_page_are_those_of_the_code(words):
    assert words in PAGE


def test_words_of_the_page_are_the_figures_of_the_code():
    assert "at six neighbouring points" in PAGE
    assert mapping.STUCK_POINTS == 6
    assert "changes by a fifth from visit to visit" in PAGE
    assert "a fifth off its level in three readings in a row" in PAGE
    assert (mapping.STEP_SHARE, power_watch.STEP_SHARE, power_watch.STEP_READINGS) == (0.2, 0.2, 3)
    assert "below half its level" in PAGE
    assert power_watch.LAMP_OUT_SHARE == 0.5
    assert "more than ten interruptions" in PAGE
    assert pause.MOST_INTERRUPTIONS == 10


def test_tries_of_measurement_faults_are_those_of_the_page():
    tries = {row.tries for row in TABLE.values() if row.then is Then.AWAIT_INSTRUMENT}
    assert "2 to 4, all recorded; a lost port 1" in PAGE
    assert tries == {1, 2, 3, 4}


def test_a_hazard_is_never_retried_and_never_waited_for():
    hazards = [row for row in TABLE.values() if row.fault_class.value == "hazard"]
    assert hazards
    assert {row.tries for row in hazards} == {1}
    assert {row.then for row in hazards} <= {Then.STOP, Then.RELIGHT}
