"""Time of `evenfall --help` ÷ time of an interpreter that does nothing."""

from __future__ import annotations

import statistics
import subprocess
import sys
import sysconfig
import time
from pathlib import Path

from tests.benchmarks.result import Result, run


def seconds(command: list[str]) -> float:
    begun_s = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun_s


def measure(is_quick: bool) -> list[Result]:
    help_command = [str(Path(sysconfig.get_path("scripts")) / "evenfall"), "--help"]
    bare_command = [sys.executable, "-c", ""]
    seconds(help_command)  # once, to have the bytecode compiled
    # In turns, so that whatever else the computer does falls on both.
    pairs = [(seconds(help_command), seconds(bare_command)) for _ in range(7 if is_quick else 25)]
    help_s, bare_s = (statistics.median(column) for column in zip(*pairs, strict=True))
    return [Result("evenfall --help ÷ bare interpreter", help_s / bare_s, 3.0)]


if __name__ == "__main__":
    sys.exit(run(measure))
