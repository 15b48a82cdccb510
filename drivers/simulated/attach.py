"""Wire the instruments of a virtual bench to lines, and write the rig profile that fits them.

A line has the name of the section whose instrument it was laid for; others may sit on it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drivers.clock import VirtualClock
from drivers.line import SerialSettings
from drivers.memory_line import MemoryLine
from drivers.simulated.bench import LIGHT_SENSOR, MONITOR_SENSOR, VirtualBench
from drivers.simulated.fittings import FITTINGS, Site, toml_lines
from drivers.simulated.instruments import GcodeStage, Instruments
from drivers.simulated.peer import BenchPeer
from drivers.simulated.shared_wire import SharedWire

POWER_METER = "power_meter"
STAGE = "stage"
#: The sections of a rig profile that the bench has an instrument for.
SECTIONS = (LIGHT_SENSOR, POWER_METER, STAGE, MONITOR_SENSOR, "lamp_relay", "thermometer")
#: What the ports of the bench in this process are called: this, and the name of the line.
PREFIX = "bench:"


def usual_instruments(bench: VirtualBench) -> Instruments:
    """Return instruments that suit a bench: the controller knows the travel of its gantry."""
    gantry = bench.scenario.gantry
    return Instruments(
        stage=GcodeStage(
            travel_x_mm=_pair(gantry.travel_x_mm),
            travel_y_mm=_pair(gantry.travel_y_mm),
            travel_z_mm=_pair(gantry.travel_z_mm) if gantry.travel_z_mm else None,
            speed_mm_s=gantry.top_speed_mm_s,
            acceleration_mm_s2=gantry.acceleration_mm_s2,
        )
    )


def line_names(instruments: Instruments) -> dict[str, str]:
    """Return the name of the line that each instrument sits on, by its section.

    Raises
    ------
    ValueError
        An instrument was put on a line that was not laid: of no section, or of one whose own
        instrument sits elsewhere.
    """
    fitted = _fitted(instruments)
    names = {section: data.line or section for section, data in fitted.items()}
    for section, name in names.items():
        if names.get(name) != name:
            raise ValueError(
                f"{section}.line is {name!r}; give the section of an instrument that sits on a "
                f"line of its own: {', '.join(n for n in names if names[n] == n)}"
            )
    return names


def bench_peers(
    bench: VirtualBench, instruments: Instruments, *, carries_breaks: bool
) -> dict[str, BenchPeer]:
    """Return the far end of each line, by the name of the line.

    Parameters
    ----------
    bench : VirtualBench
    instruments : Instruments
    carries_breaks : bool
        Whether the lines can show a break.
    """
    on_line: dict[str, list[BenchPeer]] = {}
    names = line_names(instruments)
    for section, data in _fitted(instruments).items():
        peer = FITTINGS[type(data)].peer(data, section, bench, carries_breaks)
        on_line.setdefault(names[section], []).append(peer)
    return {
        name: peers[0] if len(peers) == 1 else SharedWire(peers) for name, peers in on_line.items()
    }


def line_settings(instruments: Instruments, *, plain: bool = False) -> dict[str, SerialSettings]:
    """Return the settings of each line, by its name: those of the instrument it was laid for.

    `plain` puts all of them at eight bits without parity, which is all that a
    pseudo-terminal knows.
    """
    names = line_names(instruments)
    return {
        section: FITTINGS[type(data)].settings(data, plain)
        for section, data in _fitted(instruments).items()
        if names[section] == section
    }


def attach(
    bench: VirtualBench, clock: VirtualClock, instruments: Instruments | None = None
) -> dict[str, MemoryLine]:
    """Wire a bench to lines in memory; return them by the port names of a rig profile.

    Parameters
    ----------
    bench : VirtualBench
    clock : VirtualClock
        Carries the bytes and is the bench's time.
    instruments : Instruments, optional
        Default: those that suit the bench.

    Returns
    -------
    dict of str to MemoryLine
        ``"bench:light_sensor"``, ``"bench:power_meter"``, ``"bench:stage"`` and
        ``"bench:monitor_sensor"``, as far as each has a line of its own.
    """
    instruments = instruments or usual_instruments(bench)
    settings = line_settings(instruments)
    lines = {}
    for name, peer in bench_peers(bench, instruments, carries_breaks=True).items():
        port = PREFIX + name
        peer.opened(clock.elapsed_s())
        lines[port] = MemoryLine(port, settings[name], clock, peer)
    return lines


def rig_text(
    instruments: Instruments,
    *,
    name: str,
    scenario: str | None = None,
    ports: Mapping[str, str] | None = None,
    remarks: str = "",
) -> str:
    """Write the rig profile of a bench.

    Parameters
    ----------
    instruments : Instruments
        What stands on the bench.
    name : str
        Name of the rig.
    scenario : str, optional
        Name or file of the scenario, for the bench in the process of the run.
    ports : mapping of str to str, optional
        Port of each line, for a bench on pseudo-terminals. Default: the bench in the process
        of the run.
    remarks : str
        Lines of comment at the head.

    Returns
    -------
    str
        Content of a ``rig.toml``.
    """
    names = line_names(instruments)
    settings = line_settings(instruments, plain=ports is not None)
    parts = [f"# {line}".rstrip() for line in remarks.splitlines()]
    parts += toml_lines(format=1, name=name)
    if scenario is not None:
        parts += ["", "[bench]", *toml_lines(scenario=scenario)]
    for section, data in _fitted(instruments).items():
        line = names[section]
        site = Site(
            section=section,
            port=PREFIX + line if ports is None else ports[line],
            settings=settings[line],
            carries_breaks=ports is None,
        )
        parts += ["", f"[{section}]", *FITTINGS[type(data)].profile(data, site)]
    return "\n".join(parts) + "\n"


def _fitted(instruments: Instruments) -> dict[str, Any]:
    fitted = {section: getattr(instruments, section) for section in SECTIONS}
    return {section: data for section, data in fitted.items() if data is not None}


def _pair(limits: tuple[float, ...]) -> tuple[float, float]:
    lowest, highest = limits
    return lowest, highest
