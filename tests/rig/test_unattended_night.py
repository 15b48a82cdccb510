"""A night with nobody there, on the virtual bench: who is told, what is answered, how it ends."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis import run_folder
from analysis.report.journal import journal
from analysis.summary import summarise
from drivers.clock import SystemClock
from rig.demo.person import NoStop
from rig.faults import RunStopped
from rig.notices import Notices
from rig.progress import QuietProgress
from rig.run import run
from rig.telling import TellingProgress
from rig.unattended import AbsentOperator
from tests.rig.test_pauses import assert_safe, night


class Told(Notices):
    """Remembers what would have been sent."""

    def __init__(self):
        super().__init__(Path(), SystemClock(), None)
        self.told = []

    def send(self, event, subject, text):
        self.told.append((event, subject, text))


class AtMap(QuietProgress):
    """Does something a little after the first map has begun."""

    def __init__(self, clock, action):
        self._clock, self._action = clock, action

    def phase(self, name, detail=""):
        if name == "Map" and self._action is not None:
            self._clock.call_at(self._clock.elapsed_s() + 20.0, self._action)
            self._action = None


def unattended(folder, plan, profile, bench, action):
    notices = Told()
    shown = TellingProgress(AtMap(bench.clock, action), notices, "planned run 1")
    try:
        ended = run(
            plan,
            profile,
            folder / "lab",
            bench=bench,
            operator=AbsentOperator(acknowledged=True),
            stop=NoStop(),
            progress=shown,
        )
    finally:
        bench.close()
    return ended, notices.told


def test_a_pause_by_night_is_told_and_the_journal_says_what_it_meant(tmp_path):
    plan, profile, bench = night(tmp_path)
    line = bench.instruments.light_sensor.lines[0]

    def out():
        line.unplug()
        bench.clock.call_at(bench.clock.elapsed_s() + 95.0, line.replug)

    folder, told = unattended(tmp_path, plan, profile, bench, out)
    [(event, subject, text)] = told
    assert (event, subject) == ("trouble", "planned run 1 has paused")
    assert text.startswith("measurement fault: light sensor")
    # The stage may move by itself later: that has the last word.
    assert text.endswith(
        "For at most 10 min. The stage homes by itself once it answers: before you reach into the "
        "area, stop the run or use the emergency stop."
    )
    short = journal(summarise(run_folder.load(folder)))
    assert short.headline.startswith("Complete: ")
    [paused] = [one for one in short.lines if one.what.startswith("Paused for ")]
    assert "measurement fault: light sensor" in paused.what
    assert any(one.what.startswith("The reference point agrees") for one in short.lines)


def test_a_stage_that_fails_by_night_ends_the_run_safely_for_nobody_can_look(tmp_path):
    plan, profile, bench = night(tmp_path)
    line = bench.instruments.stage.lines[0]
    with pytest.raises(RunStopped) as stopped:
        unattended(tmp_path, plan, profile, bench, line.unplug)
    assert_safe(bench, stopped.value)
    short = journal(summarise(run_folder.load(stopped.value.folder)))
    assert short.headline.startswith("Stopped at ")
    assert "What was read is kept." in short.headline
