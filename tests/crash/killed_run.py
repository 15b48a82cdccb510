"""A longer run on the demo's bench, which drifts and errs, made to be killed.

Used by `test_killed_run.py`; how it is killed is in `killed_night.py`.
"""

from __future__ import annotations

from pathlib import Path

from tests.crash.killed_night import Report, TellingStorage
from tests.rig.bench_run import bench_of, do_run, plan_of


def begin(folder: Path, tell: Report) -> None:
    """Do the whole of it."""
    plan = plan_of(folder, grid={"rows": 5, "columns": 5})
    profile, bench = bench_of(folder)
    do_run(folder, plan, profile, bench, storage=TellingStorage(tell))
