"""The controller on the wire: its processor time in an hour, and how soon a lost port is back.

Both on pseudo-terminals and the system clock, with the bench in a process of its own, as in the
README's two terminals. The run is watched on a terminal too, so that its progress display counts.
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import signal
import statistics
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path

import tomli_w

from analysis import run_folder
from tests.benchmarks.live import processor_s
from tests.benchmarks.result import Result, run

EVENFALL = [sys.executable, "-m", "rig.cli"]
HOUR_S = 3600.0
SIDE = 12  # a map that lasts ten minutes
#: From the opening of the ports until the map has surely begun. [s]
MAP_HAS_BEGUN_S = 55.0
BETWEEN_LOSSES_S = 30.0
#: What the lamp of a quick round is taken for warm by: it is not what is measured.
SOON_WARM = {"block_s": 1.2, "window_s": 3.6, "minimum_on_s": 1.0, "limit_percent": 20.0}


class Program:
    """One command on a terminal of its own."""

    def __init__(self, *words: str) -> None:
        self._master, slave = pty.openpty()
        self.child = subprocess.Popen(
            [*EVENFALL, *words], stdin=slave, stdout=slave, stderr=slave, start_new_session=True
        )
        os.close(slave)
        self._heard = ""

    def hear(self, text: str, within_s: float = 120.0) -> None:
        """Wait for a text; what came before it is forgotten."""
        until_s = time.monotonic() + within_s
        while text not in self._heard:
            if time.monotonic() > until_s:
                raise TimeoutError(f"{text!r} did not come; the last words: {self._heard[-2000:]}")
            self.listen(0.5)
        self._heard = self._heard.split(text, 1)[1]

    def listen(self, seconds: float) -> None:
        """Read what is printed for at most so long. [s]"""
        if select.select([self._master], [], [], seconds)[0]:
            self._heard += os.read(self._master, 65536).decode(errors="replace")

    def say(self, line: str) -> None:
        os.write(self._master, line.encode() + b"\n")

    def end(self) -> None:
        if self.child.poll() is None:
            self.child.send_signal(signal.SIGTERM)
            with contextlib.suppress(OSError):
                while self.child.poll() is None:
                    self.listen(0.1)
        self.child.wait(20)
        os.close(self._master)


@contextlib.contextmanager
def run_to_its_map(
    folder: Path, *simulate: str, is_quick: bool = False
) -> Iterator[tuple[Program, Program]]:
    """Begin a run on the wire-level bench and answer its questions until it reads the map."""
    out = folder / "bench"
    bench = Program("simulate", "--scenario", "quick", "--out", str(out), *simulate)
    programs = [bench]
    try:
        bench.hear("The lamp is off.")
        plan = tomllib.loads((out / "plan.toml").read_text())
        plan["grid"] = {**plan["grid"], "rows": SIDE, "columns": SIDE}
        plan["dark"] = {"points": 0, "skip_reason": "a benchmark: less waiting"}
        plan["sampling"] = {**plan["sampling"], "samples_per_point": 3, "reference_every": 9}
        plan["warm_up"] = {**plan["warm_up"], **(SOON_WARM if is_quick else {})}
        (out / "plan.toml").write_text(tomli_w.dumps(plan))
        words = [str(out / "plan.toml"), "--rig", str(out / "rig.toml")]
        program = Program("run", *words, "--lab", str(folder / "lab"))
        programs.append(program)
        for asked, answer in (("area clear?", "yes"), ("Hang ", "done")):
            program.hear(asked)
            program.say(answer)
        program.hear("Light the lamp now")
        bench.say("")
        bench.hear("lamp switched on")
        program.say("done")
        program.hear(f"{SIDE**2} points")
        yield bench, program
    finally:
        for one in reversed(programs):
            one.end()


def measure(is_quick: bool) -> list[Result]:
    """Read a map for a while; then, but not in a quick round, see how soon a lost port is back."""
    seconds, tries = (6.0, 0) if is_quick else (240.0, 6)
    # The wattmeter's port is pulled again and again, at no fixed phase of a paused run's looks.
    losses = [
        {
            "port": "power_meter",
            "lost_after_s": MAP_HAS_BEGUN_S + seconds + BETWEEN_LOSSES_S * number,
            "back_after_s": 3.0 + 1.7 * number,
        }
        for number in range(tries)
    ]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        faults = folder / "faults.toml"
        faults.write_text(tomli_w.dumps({"format": 1, "port_losses": losses}))
        with run_to_its_map(folder, "--instruments", str(faults), is_quick=is_quick) as programs:
            used = processor_in_an_hour(seconds, *programs)
            (path,) = (folder / "lab" / "runs").iterdir()
            back_s = [
                recovery(number, path / run_folder.EVENTS, *programs) for number in range(tries)
            ]
    hour = f"a map on the wire, {seconds:.0f} s scaled to an hour: of one core"
    if not back_s:
        return [Result(hour, used, 2.0, "%")]
    told = f"a lost port is back until the run goes on, {tries} tries"
    return [
        Result(hour, used, 2.0, "%"),
        Result(f"{told}: median", statistics.median(back_s), None, "s"),
        Result(f"{told}: longest", max(back_s), None, "s"),
    ]


def processor_in_an_hour(seconds: float, bench: Program, program: Program) -> float:
    """Return the share of one core in an hour that has one start and else goes on so. [%]"""
    start_s, begun_s = processor_s(program.child.pid), time.monotonic()
    while time.monotonic() - begun_s < seconds:
        program.listen(0.5)
        bench.listen(0.0)
    took_s = time.monotonic() - begun_s
    used_s = processor_s(program.child.pid) - start_s
    return 100.0 * (start_s + used_s / took_s * HOUR_S) / HOUR_S


def recovery(number: int, events: Path, bench: Program, program: Program) -> float:
    """Return the time from the return of a port until the pause is ended. [s]"""
    bench.hear("power_meter back, as")
    back_s = time.monotonic()
    while events.read_bytes().count(b"pause-ended") <= number:
        program.listen(0.02)
        if time.monotonic() > back_s + 60.0:
            raise TimeoutError(f"not back after a minute: {events.read_text()}")
    return time.monotonic() - back_s


if __name__ == "__main__":
    sys.exit(run(measure))
