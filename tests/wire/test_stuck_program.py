"""A program whose loop is stuck ends itself, in one line."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.wire
STUCK = """
from drivers.clock import Watchdog
from rig.watches import end_stuck_program
Watchdog(0.2, end_stuck_program)
while True:
    pass
"""


def test_a_stuck_program_says_so_and_ends():
    ended = subprocess.run(
        [sys.executable, "-c", STUCK],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.returncode == 1
    assert ended.stdout == ""
    (line,) = ended.stderr.splitlines()
    assert line.startswith("evenfall: stuck for 60 s; the program ends itself.")
