"""Drawing a full budget of 64 cells ÷ a plain numpy draw of as many numbers; and its memory.

The budget is the whole one of a map of 8 × 8 points. The plain draw asks numpy's default generator
for as many standard normal numbers as the budget has variables (one for each cell, one for each
cause that the cells share), in chunks of the same size, and does nothing with them; ours also gives
each cause its distribution and its effect on each cell, and works out flux and efficacy. The two
take turns in one process, and its processor time is what counts: on one thread, since threads that
wait for each other would measure what else the computer does.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # read when numpy is imported

import statistics
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np

from analysis import run_folder
from analysis.causes import Budget
from analysis.monte_carlo import CHUNK, draw_together
from analysis.summary import summarise
from tests import synthetic_run
from tests.benchmarks.result import Result, run

SIDE = 8


def full_budget(scratch: Path) -> Budget:
    """Return the budget of a map with noise, drift, dark points and visits of a reference."""
    folder = synthetic_run.write_run(
        scratch / "run",
        plan=synthetic_run.plan(
            grid={"rows": SIDE, "columns": SIDE},
            sampling={"samples_per_point": 3, "reference_every": 8},
        ),
        field=synthetic_run.lambertian,
        light_drift=lambda t_s: 1 - 2e-5 * t_s,
        noise=0.002,
        power_noise=0.001,
    )
    budget = summarise(run_folder.load(folder)).maps[0].budget
    assert budget is not None
    return budget


def ours(budget: Budget, draws: int) -> None:
    done = sum(len(drawn.ppfd) for (drawn,) in draw_together([budget], draws=draws))
    assert done == draws


def plain(variables: int, draws: int) -> None:
    random = np.random.default_rng(1)
    for start in range(0, draws, CHUNK):
        random.standard_normal((min(CHUNK, draws - start), variables))


def seconds(work: Callable[[], object]) -> float:
    begun_s = time.process_time()
    work()
    return time.process_time() - begun_s


def peak_mb(work: Callable[[], object]) -> float:
    """Return the most memory that a piece of work holds at once, numpy's arrays included. [MB]"""
    tracemalloc.start()
    work()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return peak / 2**20


def measure(is_quick: bool) -> list[Result]:
    draws = 200_000 if is_quick else 1_000_000
    with tempfile.TemporaryDirectory() as scratch:
        budget = full_budget(Path(scratch))
    shared = {one.cause.key for one in budget.influences if not one.is_per_cell}
    variables = len(budget.ppfd) + len(shared)
    ours(budget, CHUNK)  # once, for what is imported and set up at first use
    pairs = [
        (seconds(lambda: ours(budget, draws)), seconds(lambda: plain(variables, draws)))
        for _ in range(5)
    ]
    ratio = statistics.median(ours_s / plain_s for ours_s, plain_s in pairs)
    few_mb = peak_mb(lambda: ours(budget, draws // 10))
    all_mb = peak_mb(lambda: ours(budget, draws))
    ours_s, plain_s = min(pairs)
    print(
        f"monte_carlo.py: {len(shared)} shared causes; {draws} draws in {ours_s:.2f} s, plain "
        f"{plain_s:.2f} s; {all_mb:.1f} MB at most, {few_mb:.1f} MB for a tenth of them",
        file=sys.stderr,
    )
    return [
        Result(f"Monte Carlo of {SIDE * SIDE} cells, {draws} draws ÷ plain numpy draw", ratio, 1.5),
        Result("the same: peak memory", all_mb, 16.0, "MB"),
        Result("the same: peak memory ÷ that of a tenth of the draws", all_mb / few_mb, 1.05),
    ]


if __name__ == "__main__":
    sys.exit(run(measure))
