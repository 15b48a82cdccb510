"""Runs killed by SIGKILL and resumed lose nothing and end in the map of one never killed.

Twenty-five kills here and twenty-five in `test_killed_night_again.py`, so that two processes share
them. More: ``python -m tests.crash.kill_sweep --rounds 0 --kills 1000``.
"""

from __future__ import annotations

import sys

import pytest

from tests.crash.killed_night import sweep

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="runs are made on Linux")
KILLS = 25


def test_killed_and_resumed_runs_lose_nothing_and_come_to_their_end(tmp_path):
    done = list(sweep(tmp_path, KILLS, seed=7))
    assert [fault for one in done for fault in one.faults] == []
    assert sum(one.kills for one in done) >= KILLS
