"""The other half of the kills of `test_killed_night.py`, for another process of the tests."""

from __future__ import annotations

import sys

import pytest

from tests.crash.killed_night import sweep

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="runs are made on Linux")
KILLS = 25


def test_other_killed_and_resumed_runs_lose_nothing_and_come_to_their_end(tmp_path):
    done = list(sweep(tmp_path, KILLS, seed=8))
    assert [fault for one in done for fault in one.faults] == []
    assert sum(one.kills for one in done) >= KILLS
