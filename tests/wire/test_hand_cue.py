"""A spoken cue never waits, never fails, and leaves no process behind."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
import tomli_w
from rich.console import Console

from drivers.clock import SystemClock
from rig.commands import _measured
from rig.hand.cue import SPEAKERS, Speech
from rig.operator import Prompt
from rig.profile import Profile, read_profile
from tests.rig.bench_run import plan_of
from tests.rig.hand.hand_views import view_of

pytestmark = pytest.mark.wire


def speaker(folder: Path, script: str, name: str = "speaks-for-the-test") -> str:
    program = folder / name
    program.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    program.chmod(0o755)
    return program.name


@pytest.fixture
def on_path(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}{os.environ['PATH']}")
    return tmp_path


def test_next_sentence_ends_the_one_before_and_nothing_is_left(on_path):
    clock = SystemClock()
    begun_s = clock.elapsed_s()
    name = speaker(on_path, f'echo $$ "$1" >> {on_path}/said; exec sleep 600')
    speech = Speech((name,))
    said = on_path / "said"
    for words in ("Row 3, column 4.", "--Read."):
        speech.say(words)
        while words.lstrip("-") not in (said.read_text() if said.exists() else ""):
            clock.wait_until(clock.elapsed_s() + 0.01)
            assert clock.elapsed_s() - begun_s < 60
    speech.close()
    processes = [int(line.split()[0]) for line in said.read_text().splitlines()]
    assert len(processes) == 2
    for number in processes:
        with pytest.raises(ProcessLookupError):  # ended, and cleared away
            os.kill(number, 0)


def test_without_a_program_that_speaks_there_is_silence():
    speech = Speech(("no-such-program-anywhere",))
    assert not speech.is_there
    speech.say("Row 3, column 4.")
    speech.close()


def test_program_that_cannot_be_started_is_given_up(on_path):
    (on_path / "speaks-for-the-test").write_text("not a program", encoding="utf-8")
    (on_path / "speaks-for-the-test").chmod(0o755)
    speech = Speech(("speaks-for-the-test",))
    assert speech.is_there
    speech.say("Row 3, column 4.")
    assert not speech.is_there


def rig_with_cue(folder: Path, cue: str) -> Profile:
    rig = {
        "format": 1,
        "stage": {"kind": "manual", "cue": cue},
        "light_sensor": {"kind": "keyed"},
        "power_meter": {"kind": "keyed"},
    }
    (folder / "rig.toml").write_text(tomli_w.dumps(rig), encoding="utf-8")
    return read_profile(folder / "rig.toml")


@pytest.mark.parametrize(("cue", "is_heard"), [("voice", True), ("bell", False), ("none", False)])
def test_what_is_asked_is_spoken_where_the_profile_has_it_so_and_nobody_waits_for_it(
    on_path, monkeypatch, cue, is_heard
):
    """The program that speaks never ends by itself: whoever waited for it would hang."""
    said = on_path / "said"
    speaker(on_path, f'echo "$1" >> {said}; exec sleep 600', SPEAKERS[0])
    clock = SystemClock()

    def heard(words):
        until_s = clock.elapsed_s() + (30.0 if is_heard else 0.1)
        while clock.elapsed_s() < until_s:
            if said.exists() and said.read_text().splitlines()[-1:] == [words]:
                break
            clock.wait_until(clock.elapsed_s() + 0.01)

    def at_the_bench(bench, operator, stop, shown):
        desk = bench.lead.desk
        operator.ask(Prompt(kind="cautions", text="Is the area clear?"))
        heard("There is a question.")
        desk.phase("Map")
        desk.show(view_of(3, 0))
        heard("Row 1, column 1.")
        desk.cue()
        heard("Read.")
        desk.show(view_of(3, 1))
        heard("Row 1, column 2.")
        desk.show(view_of(3, 1, message="612 follows 61: meant 61.2?"))
        heard("Look at the screen.")
        return on_path

    profile = rig_with_cue(on_path, cue)
    with open(os.devnull, encoding="utf-8") as nobody:
        monkeypatch.setattr(sys, "stdin", nobody)
        _measured(plan_of(on_path), profile, at_the_bench, Console(), lambda shown: shown)
    assert (said.read_text().splitlines() if said.exists() else []) == (
        [
            "There is a question.",
            "Row 1, column 1.",
            "Read.",
            "Row 1, column 2.",
            "Look at the screen.",
        ]
        if is_heard
        else []
    )
