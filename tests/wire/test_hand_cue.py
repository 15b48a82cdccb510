"""A spoken cue never waits, never fails, and leaves no process behind."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drivers.clock import SystemClock
from rig.hand.cue import Speech

pytestmark = pytest.mark.wire


def speaker(folder: Path, script: str) -> str:
    program = folder / "speaks-for-the-test"
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
