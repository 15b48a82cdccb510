"""What is wrong between the sections of a rig profile; `rig.profile.read_profile` calls it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from drivers.registry import KINDS
from drivers.simulated.scenario import ScenarioError
from drivers.simulated.script import bench_with_script, script_file
from rig import shared_ports
from rig.toml_faults import Fault

BENCH: Final = "bench:"


def faults(sections: Mapping[str, Any], folder: Path) -> Iterator[Fault]:
    """List what is wrong between the sections of a profile.

    Parameters
    ----------
    sections : mapping
        The sections that are sound in themselves, as objects.
    folder : Path
        Of the profile; names are counted from there.
    """
    yield from _bench_faults(sections, folder)
    yield from shared_ports.faults(_instruments(sections))
    yield from _by_hand_faults(_instruments(sections))


def _instruments(sections: Mapping[str, Any]) -> dict[str, Any]:
    return {name: item for name, item in sections.items() if hasattr(item, "options")}


def _bench_faults(sections: Mapping[str, Any], folder: Path) -> Iterator[Fault]:
    bench = sections.get("bench")
    for name, instrument in _instruments(sections).items():
        port = instrument.options.port
        if KINDS[instrument.kind].by_hand:
            continue
        if port.startswith(BENCH) and "bench" in sections and bench is None:
            yield Fault(
                (name, "port"),
                f"is {port!r}, on the virtual bench, but there is no section [bench]; add it "
                "with its scenario",
            )
        # An instrument may sit on the line of another one.
        if port.startswith(BENCH) and port.removeprefix(BENCH) not in _instruments(sections):
            yield Fault(
                (name, "port"), f"is {port!r}; the virtual bench has it at {BENCH + name!r}"
            )
        if bench is not None and not port.startswith(BENCH):
            yield Fault(
                (name, "port"),
                f"is {port!r}, but section [bench] says that this is the virtual bench; give "
                f'"{BENCH}{name}", or leave [bench] out. Real and virtual instruments have '
                "different clocks.",
            )
    if bench is not None:
        try:
            file = script_file(bench.scenario, folder)
        except ScenarioError as error:
            yield Fault(("bench", "scenario"), f"cannot be used: {error}")
            return
        if not file.is_file():
            yield Fault(
                ("bench", "scenario"),
                f"is {bench.scenario!r}, and {file} is not there; give a file, counted from the "
                "folder of the profile, or the name of a scenario",
            )
        elif bench.instruments is not None:
            try:
                bench_with_script(file, script_file(bench.instruments, folder))
            except ScenarioError as error:
                for fault in error.faults:
                    yield Fault(("bench", "instruments"), f"{bench.instruments}: {fault}")


def _by_hand_faults(fitted: Mapping[str, Any]) -> Iterator[Fault]:
    """Find displays that a person would have to read off while a stage moves by itself."""
    sensor = fitted.get("light_sensor")
    if sensor is not None and KINDS[sensor.kind].by_hand and "monitor_sensor" in fitted:
        yield Fault(
            ("monitor_sensor",),
            f"has to be read in the moments of the light sensor, and that is {sensor.kind!r}: a "
            "person reads it off, and nobody knows when; leave it out",
        )
    stage = fitted.get("stage")
    if stage is None or KINDS[stage.kind].by_hand:
        return
    for name, instrument in fitted.items():
        if KINDS[instrument.kind].by_hand:
            yield Fault(
                (name, "kind"),
                f"is {instrument.kind!r}, which a person reads off, but stage.kind is "
                f"{stage.kind!r}, which moves by itself; give an instrument on a port, or the "
                "stage 'manual'",
            )
