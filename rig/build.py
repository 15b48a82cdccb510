"""From a rig profile to instruments and a clock, ready for a run.

A profile with a ``[bench]`` section gets the virtual bench in this process and the virtual
clock; any other gets the computer's clock and real ports. Nothing here moves or lights
anything.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from attrs import define, field

from drivers.clock import Clock, SystemClock, VirtualClock
from drivers.line import Line
from drivers.registry import KINDS
from drivers.simulated.bench import VirtualBench
from rig.attendant import Instruments
from rig.profile import Profile

#: What messages call the instrument of each section.
TITLES = {
    "light_sensor": "light sensor",
    "monitor_sensor": "monitor sensor",
    "power_meter": "wattmeter",
    "stage": "stage",
}


@define(kw_only=True)
class Bench:
    """The instruments of one profile, and the clock they share.

    `virtual` is the bench behind them where there is no real one.
    """

    clock: Clock
    instruments: Instruments
    virtual: VirtualBench | None = field(default=None)

    def close(self) -> None:
        """Release every port."""
        for instrument in self.instruments.all().values():
            instrument.close()


def build(profile: Profile, device_name: str) -> Bench:
    """Open the ports of a profile.

    Raises
    ------
    PortLost
        A port is not there, busy, or not ours to open; what was open is closed again.
    """
    virtual = None
    lines: dict[str, Line] = {}
    clock: Clock
    if profile.scenario is None:
        clock = SystemClock()
    else:
        from drivers.simulated.attach import attach

        clock = VirtualClock()
        virtual = VirtualBench.from_scenario(profile.scenario, device=device_name)
        lines = dict(attach(virtual, clock))
    made: dict[str, Any] = {}
    try:
        for section, entry in profile.instruments.items():
            kind = KINDS[entry.kind]
            line = lines.get(entry.options.port) or _open(entry, clock)
            title = f"{TITLES[section]}, {entry.options.port}"
            made[section] = kind.make(entry.options, line, clock, title)
    except BaseException:
        for instrument in made.values():
            instrument.close()
        raise
    return Bench(clock=clock, instruments=Instruments(**made), virtual=virtual)


def _open(entry: Any, clock: Clock) -> Line:
    from drivers.serial_line import SerialLine

    return SerialLine(entry.options.port, KINDS[entry.kind].line_settings(entry.options), clock)


