"""``evenfall simulate``: the virtual bench on pseudo-terminals, until it is interrupted.

It stands in one terminal as the bench stands in the lab, lamp switch included; the run is made
from another, through real serial ports.
"""

from __future__ import annotations

import math
import os
import select
import shlex
import signal
import sys
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import Any, NoReturn

from drivers.clock import SystemClock
from drivers.simulated.attach import (
    bench_peers,
    line_settings,
    rig_text,
)
from drivers.simulated.bench import VirtualBench
from drivers.simulated.scenario import Device, ScenarioError, device_named
from drivers.simulated.script import Script, bench_with_script, script_file
from drivers.simulated.terminals import Terminals
from rig.new_file import render
from rig.plan import Plan
from rig.toml_faults import ConfigError
from rig.virtual_plan import suited_plan, unlike

DONE, STOPPED = 0, 130
_WRITTEN = "Written by 'evenfall simulate' for its own bench; change it as you like."

_REMARKS = """\
Written by 'evenfall simulate': the virtual bench on pseudo-terminals.
A pseudo-terminal carries bytes, and that a port is opened, closed or gone; it knows no parity,
no break and no baud rate. Hence 8N1 for a sensor that has 7E1 on a real bus, and no break.
The bench itself keeps to the baud rates given here.
"""


class _Ended(Exception):
    """The system asked us to go."""


class Keyboard:
    """Lines typed in this terminal; nothing any more once the input has ended."""

    def __init__(self) -> None:
        self._fd: int | None = None
        if sys.stdin is not None and not sys.stdin.closed:
            self._fd = sys.stdin.fileno()

    def fileno(self) -> int | None:
        """Return the descriptor to wait on."""
        return self._fd

    def readable(self) -> bool:
        """Say whether something was typed."""
        return self._fd is not None and bool(select.select([self._fd], [], [], 0.0)[0])

    def lines(self) -> int:
        """Return how many lines were ended since the last call."""
        if self._fd is None or not self.readable():
            return 0
        try:
            typed = os.read(self._fd, 1024)
        except OSError:  # A terminal that has gone away.
            typed = b""
        if not typed:
            self._fd = None
        return typed.count(b"\n")


def simulate(
    scenario: str,
    *,
    device: str | None,
    mounting_height_mm: float | None,
    out: Path,
    light_after_s: float | None,
    instruments: str | None = None,
) -> int:
    """Open a virtual bench on pseudo-terminals and stay until interrupted.

    Parameters
    ----------
    scenario : str
        Name of a scenario of ours, or a TOML file.
    device : str or None
        Which of its devices hangs there; default as the scenario says.
    mounting_height_mm : float or None
        How high; default as the scenario says. [mm]
    out : Path
        Folder for ``rig.toml``, ``plan.toml`` and, in ``ports/``, a name for each port.
    light_after_s : float or None
        Light the lamp by itself after this time, as where nobody is there to do it. [s]
    instruments : str or None
        Name of a file of ours, or a TOML file: the instruments, their scripted faults, lost
        ports and mains dips.

    Returns
    -------
    int
        130 after Ctrl-C, 0 when the system ended it.

    Raises
    ------
    ConfigError
        No such scenario, device or height; no place for the folder; or another bench is open
        in the same one.
    OSError
        The folder cannot be written.
    """
    bench, script = _bench(scenario, device, mounting_height_mm, instruments)
    height_mm = mounting_height_mm or bench.scenario.mounting_height_mm
    hung = device_named(bench.scenario, device or bench.scenario.device or bench.devices[0])
    try:
        with _ended_by_the_system():
            _stay(bench, script, scenario, hung, height_mm, out, light_after_s)
    except KeyboardInterrupt:
        print("\nThe bench is closed.", flush=True)
        return STOPPED
    except _Ended:
        return DONE


def _stay(
    bench: VirtualBench,
    script: Script,
    scenario: str,
    device: Device,
    height_mm: float,
    out: Path,
    light_after_s: float | None,
) -> NoReturn:
    """Open the ports, say what was opened, and serve until a signal comes."""
    instruments = script.instruments
    settings = line_settings(instruments, plain=True)
    clock = SystemClock()

    def tell(section: str, port: str | None) -> None:
        _rename(out / "ports" / section, port)
        what = "lost" if port is None else f"back, as {port}"
        print(f"{clock.elapsed_s():8.1f} s  port of {section} {what}", flush=True)

    with (
        Terminals(
            bench_peers(bench, instruments, carries_breaks=False),
            {section: line.seconds_per_byte for section, line in settings.items()},
            clock,
            script.port_losses,
            tell,
        ) as terminals,
        _named_ports(terminals.ports, out / "ports") as ports,
    ):
        rig = rig_text(
            instruments, name=f"virtual bench, {scenario}", ports=ports, remarks=_REMARKS
        )
        suited = suited_plan(bench.scenario, device, height_mm)
        profile, note = _rig_written(out, rig, ports)
        notes = [note, _plan_written(out / "plan.toml", suited)]
        print(f"{device.name} hangs {height_mm:g} mm above the plane. The bench is open:")
        for section, port in ports.items():
            print(f"  {section:15} {port}  ({settings[section].baud} baud)")
        print("\n".join(notes))
        command = ["evenfall", "run", str(out / "plan.toml"), "--rig", str(profile)]
        print(
            f"\nIn another terminal:\n  {shlex.join(command)}\n\n"
            "Enter switches the lamp on and off; Ctrl-C closes the bench. The lamp is off.",
            flush=True,
        )
        _attend(bench, terminals, clock, light_after_s)


def _attend(
    bench: VirtualBench, terminals: Terminals, clock: SystemClock, light_after_s: float | None
) -> NoReturn:
    """Serve the ports, and the lamp switch beside them, for ever."""
    keyboard = Keyboard()
    light_at_s = math.inf if light_after_s is None else clock.elapsed_s() + light_after_s
    is_on = False
    while True:
        terminals.serve(min(light_at_s, clock.elapsed_s() + 3600.0), watching=[keyboard])
        turns = keyboard.lines()
        if clock.elapsed_s() >= light_at_s:
            light_at_s = math.inf
            turns += not is_on
        for _ in range(turns):
            is_on = not is_on
            bench.switch_lamp(is_on, clock.elapsed_s())
            print(
                f"{clock.elapsed_s():8.1f} s  lamp switched {'on' if is_on else 'off'}", flush=True
            )


def _bench(
    scenario: str, device: str | None, height_mm: float | None, instruments: str | None
) -> tuple[VirtualBench, Script]:
    try:
        file = script_file(scenario, Path())
        told = None if instruments is None else script_file(instruments, Path())
        bench, script = bench_with_script(file, told, device=device)
    except ScenarioError as error:
        raise ConfigError(error.source, error.faults) from error
    if height_mm is not None:
        if not 0.0 < height_mm <= 5000.0:
            raise ConfigError(
                "--mounting-height-mm",
                [f"is {height_mm!r}; give a number of millimetres above 0 and up to 5000"],
            )
        try:
            bench.hang(device or bench.scenario.device or bench.devices[0], height_mm)
        except ValueError as error:
            raise ConfigError("--mounting-height-mm", [f"is {height_mm!r}: {error}"]) from error
    return bench, script


def _plan_written(path: Path, suited: Mapping[str, Any]) -> str:
    """Write the plan unless one is there; say then whether that one fits this bench."""
    if not path.exists():
        return _written(path, render(suited, Plan, ["A test plan.", _WRITTEN]))
    try:
        held = tomllib.loads(path.read_text(encoding="utf-8"))
    except ValueError as error:
        return f"{path} is there already and is kept. It is no TOML file: {error}."
    differences = ", ".join(unlike(held, suited))
    told = f"does not fit this bench: {differences}" if differences else "fits this bench"
    return f"{path} is there already and is kept. It {told}."


def _rig_written(folder: Path, text: str, ports: Mapping[str, str]) -> tuple[Path, str]:
    """Write the profile of these ports, under another name if there is one for something else."""
    path = folder / "rig.toml"
    if path.exists():
        held = path.read_text(encoding="utf-8", errors="replace")
        if not all(port in held for port in ports.values()):
            other = folder / "rig-on-ports.toml"
            note = f"{path} is there already, for another bench, and is kept."
            return other, f"{note}\n{_written(other, text)}"
    return path, _written(path, text)


def _written(path: Path, text: str) -> str:
    """Write a file unless it is there; return what to tell the person."""
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        if path.read_text(encoding="utf-8") == text:
            return f"{path} is there already, the same."
        return f"{path} is there already and is kept. It differs from what suits this bench."
    return f"{path} written."


@contextmanager
def _named_ports(ports: Mapping[str, str], folder: Path) -> Iterator[dict[str, str]]:
    """Give each port a lasting name in a folder; take the names away in the end."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        where = f"--out {folder.parent}"
        problem = f"cannot be made a folder: {error.strerror}. Give another place."
        raise ConfigError(where, [problem]) from None
    made: list[Path] = []
    ours = set(ports.values())
    try:
        for section, port in ports.items():
            link = folder.resolve() / section
            if link.is_symlink() and (not link.exists() or os.readlink(link) in ours):
                link.unlink()  # Left behind by a bench that was killed.
            try:
                link.symlink_to(port)
            except FileExistsError:
                raise ConfigError(
                    str(link),
                    [
                        "is there already: another bench may be open in this folder. Close it, "
                        "give another --out, or remove the file"
                    ],
                ) from None
            made.append(link)
        yield {link.name: str(link) for link in made}
    finally:
        for link in made:
            link.unlink(missing_ok=True)
        with suppress(OSError):  # Somebody else's file is in it.
            folder.rmdir()


def _rename(link: Path, port: str | None) -> None:
    """Let a lasting name go with its port, or come back for the device that the port now is."""
    link.unlink(missing_ok=True)
    if port is not None:
        link.symlink_to(port)


@contextmanager
def _ended_by_the_system() -> Iterator[None]:
    """Turn the signals that end a program into an exception, so that all is put away."""

    def end(_number: int, _frame: FrameType | None) -> None:
        for number in signals:  # Once is enough: what follows is putting away.
            signal.signal(number, signal.SIG_IGN)
        raise _Ended

    signals = (signal.SIGTERM, signal.SIGHUP)
    before = {number: signal.signal(number, end) for number in signals}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
