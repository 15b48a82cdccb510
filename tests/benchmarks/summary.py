"""Reading and summarising a run ÷ a plain loop over the same file.

The run: 81 points of 10 samples, and two hours of power at 1 Hz. The plain loop reads it with
the csv module of the standard library, checks the CRC-32 of every row, and works out delivered
flux and mean power and nothing else. Imports are paid before the clock starts.
"""

from __future__ import annotations

import csv
import gc
import math
import statistics
import sys
import tempfile
import time
import tomllib
import zlib
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

from analysis import run_folder
from analysis.run_folder import ReadingRow
from analysis.summary import summarise
from tests import synthetic_run
from tests.benchmarks.result import Result, resident_mb, run

POWER_S = 2 * 3600


def plain_loop(folder: Path) -> tuple[float, float]:
    """Return delivered flux [µmol/s] and mean wall power [W] by the shortest honest way."""
    plan = tomllib.loads((folder / "plan.toml").read_text())
    cells = plan["grid"]["rows"] * plan["grid"]["columns"]
    cell_m2 = plan["area"]["width_mm"] * plan["area"]["depth_mm"] * 1e-6 / cells
    samples: dict[tuple[str, str], list[float]] = defaultdict(list)
    dark: list[float] = []
    watts: list[float] = []
    with (folder / "readings.csv").open("rb") as file:
        header = next(file).decode().rstrip("\n").split(",")
        at = {name: place for place, name in enumerate(header)}
        for line in file:
            cut = line.rfind(b",") + 1
            if line[cut:-1] != b"%08x" % zlib.crc32(line[:cut]):
                raise ValueError("CRC-32 does not match")
            row = next(csv.reader([line.decode()]))
            if row[at["status"]] != "ok":
                continue
            role, quantity = row[at["role"]], row[at["quantity"]]
            value = float(row[at["value"]])
            if quantity == "wall_power_w" and role == "background":
                watts.append(value)
            elif quantity == "ppfd_umol_m2_s" and role == "dark":
                dark.append(value)
            elif quantity == "ppfd_umol_m2_s" and role == "grid":
                samples[row[at["grid_row"]], row[at["grid_column"]]].append(value)
    light = sum(statistics.fmean(values) for values in samples.values())
    flux = cell_m2 * (light - len(samples) * statistics.fmean(dark))
    return flux, statistics.fmean(watts)


def full_run(folder: Path) -> Path:
    """Write the run of the benchmark."""
    return synthetic_run.write_run(
        folder,
        plan=synthetic_run.plan(
            grid={"rows": 9, "columns": 9},
            heights={"mounting_height_mm": [400.0]},
            sampling={"samples_per_point": 10},
        ),
        field=synthetic_run.lambertian,
        noise=0.002,
        power_noise=0.001,
        warm_up_s=3600.0,
    )


def small_run(folder: Path) -> Path:
    """Write a run of nine points."""
    return synthetic_run.write_run(
        folder,
        plan=synthetic_run.plan(
            grid={"rows": 3, "columns": 3}, heights={"mounting_height_mm": [400.0]}
        ),
        noise=0.002,
        warm_up_s=1500.0,
    )


def top_up_power(folder: Path) -> int:
    """Lengthen the power log at its end to two hours; return the number of its rows."""
    run_read = run_folder.load(folder)
    of_power = run_read.readings["quantity"] == "wall_power_w"
    last = run_read.readings.iloc[-1]
    missing = POWER_S - int(of_power.sum())
    moment = synthetic_run.BEGUN_UTC
    rows = (
        ReadingRow(
            elapsed_s=last["elapsed_s"] + second,
            utc=moment,
            window_start_s=last["elapsed_s"] + second - 1,
            window_end_s=last["elapsed_s"] + second,
            instrument="power_meter",
            quantity="wall_power_w",
            value=640.0 + math.sin(second),
            unit="W",
            role="background",
            installation=1,
        )
        for second in range(1, missing + 1)
    )
    with (folder / "readings.csv").open("ab") as file:
        file.writelines(map(run_folder.encode_reading, rows))
    return max(missing, 0) + int(of_power.sum())


def seconds(work: Callable[[], object]) -> float:
    begun_s = time.perf_counter()
    work()
    return time.perf_counter() - begun_s


def measure(is_quick: bool) -> list[Result]:
    with tempfile.TemporaryDirectory() as scratch:
        folder = full_run(Path(scratch) / "full")
        power_rows = top_up_power(folder)
        summary = summarise(run_folder.load(folder))
        flux, _ = plain_loop(folder)
        ours = summary.maps[0].delivered_flux_umol_s
        if ours is None or abs(ours / flux - 1) > 0.01:
            raise AssertionError(f"the two do not work on the same: {ours} and {flux} µmol/s")
        pairs = [
            (
                seconds(lambda: summarise(run_folder.load(folder))),
                seconds(lambda: plain_loop(folder)),
            )
            for _ in range(3 if is_quick else 9)
        ]
        ours_s, plain_s = (statistics.median(column) for column in zip(*pairs, strict=True))
        rows = (folder / "readings.csv").read_bytes().count(b"\n") - 1
        print(
            f"summary.py: {rows} rows, {power_rows} of power; ours {1e3 * ours_s:.0f} ms, "
            f"plain loop {1e3 * plain_s:.0f} ms",
            file=sys.stderr,
        )
        growth_mb, folders = growth_over_many(Path(scratch), 100 if is_quick else 1000)
    return [
        Result("summary of 81 points × 10 and 2 h of power ÷ plain loop", ours_s / plain_s, 2.0),
        Result(f"summaries of {folders} runs in sequence: growth of memory", growth_mb, 5.0, "MB"),
    ]


def growth_over_many(scratch: Path, folders: int) -> tuple[float, int]:
    """Summarise so many folders; return by how much memory grew after the first tenth. [MB]"""
    runs = [small_run(scratch / f"small-{number}") for number in range(10)]
    for number in range(folders):
        summarise(run_folder.load(runs[number % len(runs)]))
        if number == folders // 10:
            gc.collect()
            first_mb = resident_mb()
    gc.collect()
    return resident_mb() - first_mb, folders


if __name__ == "__main__":
    sys.exit(run(measure))
