"""A writer killed with SIGKILL at random moments: every row it called acknowledged is there.

A kill leaves the page cache alone, so this tests the order of the recorder's calls, not the
disk; `test_power_cut.py` does that.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

from analysis import run_folder
from rig.recorder import Recorder
from tests.crash.killed_writer import kill_one
from tests.crash.promises import RESUMED, broken

ROUNDS = 20

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="runs are made on Linux")


def test_a_writer_killed_at_random_moments_keeps_its_promises(tmp_path: Path) -> None:
    dice = random.Random(20260105)
    acknowledged = []
    for number in range(ROUNDS):
        folder = tmp_path / f"run-{number}"
        promise = kill_one(folder, dice.randint(1, 60))
        assert broken(folder, promise) == [], f"round {number}"
        acknowledged.append(promise.readings)
        with Recorder.reopen(folder, utc=RESUMED) as recorder:
            recorder.close()
        assert run_folder.load(folder).damage == ()
    assert len(set(acknowledged)) > ROUNDS // 2  # they were not all killed at one point


def test_a_writer_that_reports_too_early_is_found_out(tmp_path: Path) -> None:
    dice = random.Random(7)
    assert any(
        broken(folder, kill_one(folder, dice.randint(1, 60), is_boastful=True))
        for folder in (tmp_path / f"run-{number}" for number in range(ROUNDS))
    )
