"""A whole run on the virtual bench in a process of its own, made to be killed.

Prints what it has acknowledged: after each fsync the name of the file and its length, before the
run goes on. Used by `test_killed_run.py`.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from rig.storage import OsStorage
from tests.rig.bench_run import bench_of, do_run, plan_of


class TellingStorage(OsStorage):
    """Says, after each fsync, how much of which file is now safe."""

    def fsync(self, handle: int) -> None:
        super().fsync(handle)
        name = os.readlink(f"/proc/self/fd/{handle}")
        os.write(1, f"{os.fstat(handle).st_size} {name}\n".encode())


def main(folder: Path) -> None:
    plan = plan_of(folder, grid={"rows": 5, "columns": 5})
    profile, bench = bench_of(folder)
    do_run(folder, plan, profile, bench, storage=TellingStorage())


if __name__ == "__main__":
    main(Path(sys.argv[1]))
