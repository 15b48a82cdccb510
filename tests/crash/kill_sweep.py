"""Kill more writers, and more whole runs, than the tests have time for.

::

    python -m tests.crash.kill_sweep --rounds 500
    python -m tests.crash.kill_sweep --rounds 0 --runs 1000
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from pathlib import Path

from tests.crash.killed_night import sweep
from tests.crash.killed_writer import kill_one
from tests.crash.promises import broken

TOLD_EVERY = 20


def main() -> int:
    """Sweep; print every folder that broke its promise."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--rounds", type=int, default=200, help="writers to kill")
    parser.add_argument("--runs", type=int, default=0, help="whole runs to kill and resume")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    dice = random.Random(asked.seed)
    failures = 0
    with tempfile.TemporaryDirectory() as scratch:
        for number in range(asked.rounds):
            folder = Path(scratch) / f"run-{number}"
            promise = kill_one(folder, dice.randint(1, 60))
            for fault in broken(folder, promise):
                failures += 1
                print(f"round {number}, {promise.readings} readings acknowledged: {fault}")
        print(f"{asked.rounds} writers killed, {failures} promises broken", flush=True)
        if asked.runs:
            failures += _kill_runs(Path(scratch), asked.runs, asked.seed)
    return 1 if failures else 0


def _kill_runs(scratch: Path, runs: int, seed: int) -> int:
    """Kill whole runs, telling how far it is; an interruption ends it with what was done."""
    done = lost = 0
    try:
        for faults in sweep(scratch, runs, seed):
            done, lost = done + 1, lost + len(faults)
            if faults:
                print(*faults, sep="\n", flush=True)
            if done % TOLD_EVERY == 0:
                print(f"{done} of {runs} runs, {lost} promises broken so far", flush=True)
    except KeyboardInterrupt:
        print("interrupted")
    print(f"{done} runs killed and resumed, {lost} promises broken", flush=True)
    return lost


if __name__ == "__main__":
    sys.exit(main())
