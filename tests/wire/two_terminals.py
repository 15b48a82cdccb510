"""The README's two terminals: `simulate` in one process, `run` in another, real ports between."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import tomllib
from pathlib import Path

import tomli_w

EVENFALL = [sys.executable, "-m", "rig.cli"]
ROOT = Path(__file__).parents[2]
#: Sensors that need not be waited for, so that a run shows in half a minute what it does.
HASTY = {
    "light_sensor": {"measuring_s": 0.1, "averaging_s": 0.1},
    "monitor_sensor": {"measuring_s": 0.1, "averaging_s": 0.1},
}


class Terminal:
    """A child whose output is watched for what it must say next."""

    def __init__(self, *words: str) -> None:
        self.child = subprocess.Popen(
            [*EVENFALL, *words],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            bufsize=0,
            env={**os.environ, "PYTHONUNBUFFERED": "1", "COLUMNS": "400"},
        )
        self.seen = ""
        self._read_to = 0

    def expect(self, text: str, within_s: float = 60.0) -> None:
        """Wait until the text is printed, after what was expected before."""
        while text not in self.seen[self._read_to :]:
            ready, _, _ = select.select([self.child.stdout], [], [], within_s)
            data = os.read(self.child.stdout.fileno(), 65536) if ready else b""
            assert data, f"{text!r} did not come; the terminal shows:\n{self.seen}"
            self.seen += data.decode(errors="replace")
        self._read_to = self.seen.index(text, self._read_to) + len(text)

    def type(self, line: str) -> None:
        self.child.stdin.write(line.encode() + b"\n")

    def close(self) -> None:
        if self.child.poll() is None:
            self.child.kill()
        self.child.communicate()


def bench_on(folder: Path, **script: object) -> Terminal:
    """Open the quick bench with hasty sensors, and what else its script says."""
    told = folder / "script.toml"
    told.write_text(tomli_w.dumps({"format": 1, **HASTY, **script}))
    bench = Terminal(
        "simulate", "--scenario", "quick", "--out", str(folder / "bench"),
        "--instruments", str(told),
    )  # fmt: skip
    bench.expect("Enter switches the lamp")
    return bench


def replan(folder: Path, section: str, **keys: object) -> None:
    """Change keys of the plan that the bench has written."""
    path = folder / "bench" / "plan.toml"
    plan = tomllib.loads(path.read_text(encoding="utf-8"))
    plan[section] = {**plan.get(section, {}), **keys}
    path.write_text(tomli_w.dumps(plan), encoding="utf-8")


def run_on(folder: Path) -> Terminal:
    bench = folder / "bench"
    return Terminal(
        "run", str(bench / "plan.toml"), "--rig", str(bench / "rig.toml"), "--lab",
        str(folder / "lab"),
    )  # fmt: skip
