"""The benchmarks' table says what it should; the figures themselves are not asserted here."""

from __future__ import annotations

import math
import mmap

import pytest

from tests.benchmarks.result import Result, exit_code, resident_mb, table
from tests.benchmarks.run_all import scripts


@pytest.mark.parametrize(
    ("measured", "is_marked", "code"),
    [(2.0, False, 0), (2.01, True, 0), (6.0, True, 0), (6.01, True, 1), (math.nan, True, 1)],
)
def test_a_missed_aim_is_marked_and_fails_beyond_three_times(
    measured: float, is_marked: bool, code: int
) -> None:
    result = Result("exchange", measured, 2.0)
    assert table([result]).endswith("MISSED") == is_marked
    assert exit_code([Result("other", 1.0, 2.0), result]) == code


def test_a_figure_without_an_aim_is_never_missed() -> None:
    result = Result("processor time", 1e6)
    assert "MISSED" not in table([result])
    assert exit_code([result]) == 0


def test_a_leak_would_be_seen() -> None:
    # Straight from the system: a process that was large before has room to hide a leak in.
    leaked = mmap.mmap(-1, 20 << 20)
    before_mb = resident_mb()
    for at in range(0, len(leaked), mmap.PAGESIZE):
        leaked[at] = 1
    assert resident_mb() - before_mb > 10
    assert len(leaked) == 20 << 20


def test_every_script_is_found() -> None:
    assert {"exchange.py", "log.py", "summary.py", "startup.py"} <= {
        path.name for path in scripts()
    }
