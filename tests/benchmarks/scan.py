"""Scan time on the virtual bench over its physical bound.

The bench is deterministic, so this ratio is asserted in the tests too
(`tests/rig/test_whole_run.py`, where a doubled settle is shown to fail it); here it is shown on
the full grid of 9 × 9 points.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from analysis import run_folder
from rig.storage import OsStorage
from tests.benchmarks.result import Result, run
from tests.benchmarks.scan_bound import night_ratio, scan_ratio
from tests.rig.bench_run import bench_of, do_run, plan_of


class UnsyncedStorage(OsStorage):
    """The disk's own time is no part of virtual time; it is only left out."""

    def fsync(self, handle: int) -> None:
        """Do nothing."""


def _ratios(points: int, heights_mm: list[float]) -> tuple[float, float]:
    """Return maps, and whole run, over their bounds."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plan = plan_of(
            folder,
            grid={"rows": points, "columns": points},
            heights={"mounting_height_mm": heights_mm},
            sampling={"quick_look": True},
        )
        profile, bench = bench_of(folder, scenario={"gantry": {"travel_z_mm": [250.0, 900.0]}})
        run = run_folder.load(do_run(folder, plan, profile, bench, storage=UnsyncedStorage()))
        return scan_ratio(run, plan, profile), night_ratio(run, plan, profile)


def measure(is_quick: bool) -> list[Result]:
    """Measure the scan as it is."""
    points = 5 if is_quick else 9
    night = f"a night of 3 heights × {points**2} points"
    scans, whole = _ratios(points, [400.0, 500.0, 600.0])
    return [
        Result(
            name=f"scan of {points} × {points} points ÷ physical bound",
            measured=_ratios(points, [450.0])[0],
            aim=1.05,
        ),
        Result(name=f"{night}: scans ÷ physical bound", measured=scans, aim=1.05),
        Result(name=f"{night}: the whole of it ÷ physical bound", measured=whole, aim=1.05),
    ]


if __name__ == "__main__":
    sys.exit(run(measure))
