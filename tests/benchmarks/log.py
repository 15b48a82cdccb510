"""Three days of power at 1 Hz through the recorder: flat memory, flat cost.

Every row is acknowledged by itself, as the loop does at 1 Hz. Most fsyncs are left out, for
259,200 of them would measure the disk: only every hundredth goes through. The medians are of
single rows, so that a busy computer does not count.
"""

from __future__ import annotations

import gc
import statistics
import sys
import tempfile
import time
from array import array
from datetime import UTC, datetime, timedelta
from pathlib import Path

from analysis.run_folder import ReadingRow
from rig.recorder import Recorder
from rig.storage import OsStorage
from tests.benchmarks.result import Result, resident_mb, run

HOURS = 72
BEGUN = datetime(2026, 1, 5, tzinfo=UTC)


class SeldomSynced(OsStorage):
    """Files whose fsync goes through once in a hundred times."""

    def __init__(self) -> None:
        self.asked = 0

    def fsync(self, handle: int) -> None:
        self.asked += 1
        if self.asked % 100 == 0:
            super().fsync(handle)


def record(recorder: Recorder, second: int) -> None:
    recorder.reading(
        ReadingRow(
            elapsed_s=float(second),
            utc=BEGUN + timedelta(seconds=second),
            window_start_s=second - 1.0,
            window_end_s=float(second),
            instrument="power_meter",
            quantity="wall_power_w",
            value=640.0 + second % 7 / 10,
            unit="W",
            role="background",
            installation=1,
            raw=b"\x01\x03\x04\x44\x20\x00\x00\xee\x33",
        )
    )
    recorder.acknowledge()


def measure(is_quick: bool) -> list[Result]:
    rows = HOURS * 3600 // (10 if is_quick else 1)
    tenth = rows // 10
    # Made beforehand, so that they are no growth.
    first_s, last_s = array("d", bytes(8 * tenth)), array("d", bytes(8 * tenth))
    with (
        tempfile.TemporaryDirectory() as scratch,
        Recorder.create(
            Path(scratch) / "run",
            descriptor={},
            plan_text=b"",
            rig_text=b"",
            storage=SeldomSynced(),
        ) as recorder,
    ):
        for second in range(rows):
            if second == tenth:
                gc.collect()
                first_mb = resident_mb()
            begun_s = time.perf_counter()
            record(recorder, second)
            took_s = time.perf_counter() - begun_s
            if second < tenth:
                first_s[second] = took_s
            elif second >= rows - tenth:
                last_s[second - rows + tenth] = took_s
        gc.collect()
        growth_mb = resident_mb() - first_mb
        begun_s = time.perf_counter()
        recorder.close()
        closing_s = time.perf_counter() - begun_s
    first_us, last_us = 1e6 * statistics.median(first_s), 1e6 * statistics.median(last_s)
    print(
        f"log.py: {rows} rows, {first_us:.1f} µs a row at first, {last_us:.1f} µs at last, "
        f"closing {closing_s:.2f} s",
        file=sys.stderr,
    )
    return [
        Result(f"log of {rows / 3600:g} h at 1 Hz: growth of memory", growth_mb, 5.0, "MB"),
        Result("log: a row in the last tenth ÷ in the first tenth", last_us / first_us, 1.1),
    ]


if __name__ == "__main__":
    sys.exit(run(measure))
