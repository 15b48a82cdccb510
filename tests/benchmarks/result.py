"""What every benchmark here gives, and the table it is shown in.

A benchmark is a script with a function ``measure(is_quick) -> list[Result]`` and, at its end,
``sys.exit(run(measure))``. `run_all.py` finds all such scripts, runs each in a process of its
own, and prints one table.

Times on a shared computer wobble, so an aim missed is marked and no more; only a figure beyond
three times its aim is a failure.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterable
from pathlib import Path

from attrs import asdict, frozen

FAILS_BEYOND = 3.0


@frozen
class Result:
    """One figure; the smaller the better. `unit` is empty for a ratio.

    A figure without an aim is shown for comparison and never missed.
    """

    name: str
    measured: float
    aim: float | None = None
    unit: str = ""

    @property
    def is_missed(self) -> bool:
        return self.aim is not None and not self.measured <= self.aim  # NaN is a miss too

    @property
    def is_failure(self) -> bool:
        return self.aim is not None and not self.measured <= FAILS_BEYOND * self.aim


def table(results: Iterable[Result]) -> str:
    """Return the results as lines of text."""
    lines = [f"{'benchmark':<70}{'measured':>10}{'aim':>10}"]
    for result in results:
        unit = f" {result.unit}" if result.unit else ""
        verdict = "  MISSED" if result.is_missed else ""
        aim = "" if result.aim is None else f"≤ {result.aim:g}{unit}"
        measured = f"{result.measured:.3g}{unit}"
        lines.append(f"{result.name:<70}{measured:>10}{aim:>10}{verdict}".rstrip())
    return "\n".join(lines)


def exit_code(results: Iterable[Result]) -> int:
    """Return 1 if any figure lies beyond three times its aim."""
    return int(any(result.is_failure for result in results))


def run(measure: Callable[[bool], list[Result]]) -> int:
    """Run one benchmark as a script; return its exit code."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true", help="fewer and shorter runs")
    parser.add_argument("--json", action="store_true", help="for run_all.py")
    asked = parser.parse_args()
    results = measure(asked.quick)
    if asked.json:
        print(json.dumps([asdict(result) for result in results]))
    else:
        print(table(results))
    return exit_code(results)


def resident_mb() -> float:
    """Return the resident memory of this process. Linux only. [MB]"""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    raise OSError("/proc/self/status tells no resident memory")
