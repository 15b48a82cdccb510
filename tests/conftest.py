"""What all tests share: one thread of arithmetic for each process, and scratch folders in memory.

Two processes share the tests on two cores: further threads only wait for one another. A test that
kills a process, or plays a power cut, needs no disk, and a call that waits for one costs
milliseconds, thousands of times.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

MEMORY = Path("/dev/shm")
ENOUGH_BYTES = 2_000_000_000
SCRATCH = "PYTEST_DEBUG_TEMPROOT"

# Read once, when numpy is loaded; the children of the tests inherit it.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def pytest_configure(config: pytest.Config) -> None:
    if SCRATCH not in os.environ and config.option.basetemp is None and _has_room():
        os.environ[SCRATCH] = str(MEMORY)


def _has_room() -> bool:
    return os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > ENOUGH_BYTES
