"""The other half of the runs of `test_killed_night.py`, for another process of the tests."""

from __future__ import annotations

import sys

import pytest

from tests.crash.killed_night import sweep

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="runs are made on Linux")


def test_other_killed_and_resumed_runs_lose_nothing_and_come_to_their_end(tmp_path):
    assert [fault for faults in sweep(tmp_path, rounds=25, seed=8) for fault in faults] == []
