"""Runs killed by SIGKILL and resumed lose nothing and end in the map of one never killed.

Twenty-five here and twenty-five in `test_killed_night_again.py`, so that two processes share them.
More rounds: ``python -m tests.crash.kill_sweep --rounds 0 --runs 1000``.
"""

from __future__ import annotations

import sys

import pytest

from tests.crash.killed_night import sweep

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="runs are made on Linux")


def test_killed_and_resumed_runs_lose_nothing_and_come_to_their_end(tmp_path):
    assert [fault for faults in sweep(tmp_path, rounds=25, seed=7) for fault in faults] == []
