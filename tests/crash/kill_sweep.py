"""Kill more writers, and more whole runs, than the tests have time for.

::

    python -m tests.crash.kill_sweep --rounds 500
    python -m tests.crash.kill_sweep --rounds 0 --kills 1000
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
    parser.add_argument("--kills", type=int, default=0, help="kills of whole runs, resumed after")
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
        if asked.kills:
            failures += _kill_runs(Path(scratch), asked.kills, asked.seed)
    return 1 if failures else 0


def _kill_runs(scratch: Path, wanted: int, seed: int) -> int:
    """Kill whole runs, telling how far it is; an interruption ends it with what was done."""
    runs = kills = rows = faults = 0
    try:
        for done in sweep(scratch, wanted, seed):
            runs, kills, rows = runs + 1, kills + done.kills, rows + done.rows
            faults += len(done.faults)
            if done.faults:
                print(*done.faults, sep="\n", flush=True)
            if runs % TOLD_EVERY == 0:
                print(f"{kills} of {wanted} kills, {faults} promises broken so far", flush=True)
    except KeyboardInterrupt:
        print("interrupted")
    result = (
        f"{rows} acknowledged rows looked for and 0 lost, every folder loaded, every run came to "
        "its end and to the map of one never killed"
        if not faults
        else f"{faults} promises broken"
    )
    print(f"{kills} kills of {runs} runs: {result}", flush=True)
    return faults


if __name__ == "__main__":
    sys.exit(main())
