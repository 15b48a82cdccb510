"""What a virtual bench is told to go through: its instruments, lost ports and mains dips.

One file of TOML. The tables of the instruments, with their scripted faults, are those of
`drivers.simulated.instruments`; these come beside them::

    format = 1
    [[light_sensor.faults]]
    kind = "garble"
    at_exchange = 12
    [[port_losses]]
    port = "light_sensor"
    lost_after_s = 40.0
    back_after_s = 5.0
    [[mains_dips]]
    at_s = 90.0
    depth = 0.4
    duration_s = 0.1

``scenarios/faults-example.toml`` shows every kind of fault.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import attrs
import cattrs
from attrs import field, frozen
from attrs.validators import ge, gt, le

from drivers.clock import VirtualClock
from drivers.memory_line import MemoryLine
from drivers.simulated import gcode_peer, modbus_peer, scpi_peer, sdi12_peer
from drivers.simulated.attach import PREFIX, SECTIONS, line_names, usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.instruments import (
    GcodeStage,
    Instruments,
    ModbusMeter,
    ModbusSensor,
    Sdi12Sensor,
)
from drivers.simulated.peer import unknown_kinds
from drivers.simulated.scenario import Sag, packaged
from drivers.simulated.scpi_meter import ScpiMeter
from drivers.simulated.spec import ScenarioError, read_file

#: The kinds of fault that each make plays beside those that can befall any reply.
OWN_KINDS = {
    Sdi12Sensor: sdi12_peer.OWN_KINDS,
    ModbusMeter: modbus_peer.OWN_KINDS,
    ModbusSensor: modbus_peer.OWN_KINDS,
    ScpiMeter: scpi_peer.OWN_KINDS,
    GcodeStage: gcode_peer.OWN_KINDS,
}


@frozen(kw_only=True)
class PortLoss:
    """A plug that is pulled, and perhaps put in again.

    Attributes
    ----------
    port : str
        Section of the instrument whose line it is.
    lost_after_s : float
        Counted from when the port was first opened. [s]
    back_after_s : float
        From then until the device is there again, as another one: ``inf`` for never. On
        pseudo-terminals it gets another device file; its lasting name in ``ports/`` comes
        back with it. In process it stays away, since nobody opens it anew. [s]
    """

    port: str
    lost_after_s: float = field(validator=ge(0.0))
    back_after_s: float = field(default=math.inf, validator=ge(0.0))


@frozen(kw_only=True)
class MainsDip:
    """A sag of the line voltage, beside those of the scenario.

    Attributes
    ----------
    at_s : float
        Counted from when the bench was opened. [s]
    depth : float
        Share of the voltage that goes missing; 1 is an interruption.
    duration_s : float
        [s]
    """

    at_s: float = field(validator=ge(0.0))
    depth: float = field(validator=[gt(0.0), le(1.0)])
    duration_s: float = field(validator=gt(0.0))


@frozen(kw_only=True)
class Script:
    """All that one file says."""

    instruments: Instruments = field(factory=Instruments)
    port_losses: tuple[PortLoss, ...] = ()
    mains_dips: tuple[MainsDip, ...] = ()

    @property
    def sags(self) -> tuple[Sag, ...]:
        """The dips as a scenario has them."""
        return tuple(Sag(**attrs.asdict(dip)) for dip in self.mains_dips)

    def pull_plugs(self, lines: Mapping[str, MemoryLine], clock: VirtualClock) -> None:
        """See to it that the lines of a bench in this process are lost when they should be."""
        for loss in self.port_losses:
            line = lines[PREFIX + loss.port]
            clock.call_at(clock.elapsed_s() + loss.lost_after_s, line.unplug)


def script_file(name: str, folder: Path) -> Path:
    """Return the file meant: one that comes with the program, or a TOML file in `folder`."""
    return folder / name if name.endswith(".toml") else packaged(name)


def bench_with_script(
    scenario: Path, script: Path | None, *, device: str | None = None
) -> tuple[VirtualBench, Script]:
    """Build a bench and what it is told to go through; without a file, nothing unusual.

    Raises
    ------
    ScenarioError
        With all that is wrong in one of the two files.
    """
    sags = () if script is None else read_script(script).sags
    bench = VirtualBench.from_scenario(scenario, device=device, sags=sags)
    usual = usual_instruments(bench)
    return bench, Script(instruments=usual) if script is None else read_script(script, usual)


def read_script(path: Path, usual: Instruments | None = None) -> Script:
    """Read a file of instruments and faults.

    Parameters
    ----------
    path : Path
    usual : Instruments, optional
        Those that suit the bench: what the file leaves out of the stage is as there.

    Raises
    ------
    ScenarioError
        The file cannot be read, or with all that is wrong in it.
    """
    return script_from_table(read_file(path), str(path), usual)


def script_from_table(
    table: Mapping[str, Any], source: str, usual: Instruments | None = None
) -> Script:
    """Make a script of the content of a file.

    Raises
    ------
    ScenarioError
        With all that is wrong with it.
    """
    content = dict(table)
    faults: list[str] = []
    events: dict[str, Any] = {}
    for key, kind in (("port_losses", PortLoss), ("mains_dips", MainsDip)):
        try:
            converter = cattrs.Converter(forbid_extra_keys=True)
            many: Any = tuple[kind, ...]  # type: ignore[valid-type]
            events[key] = converter.structure(content.pop(key, []), many)
        except cattrs.BaseValidationError as error:
            faults += cattrs.transform_error(error, path=f"{source}: {key}")
        except TypeError:
            faults.append(f"{key} is not a list of tables; write [[{key}]]")
    if usual is not None and isinstance(content.get("stage", {}), Mapping):
        content["stage"] = {**attrs.asdict(usual.stage), **content.get("stage", {})}
    try:
        instruments = Instruments.from_table(content, source)
    except ScenarioError as error:
        raise ScenarioError(source, [*error.faults, *faults]) from error
    faults += _unplayable(instruments, events.get("port_losses", ()))
    if faults:
        raise ScenarioError(source, faults)
    return Script(instruments=instruments, **events)


def _unplayable(instruments: Instruments, losses: tuple[PortLoss, ...]) -> list[str]:
    faults = []
    for section in SECTIONS:
        data = getattr(instruments, section)
        told = unknown_kinds(data.faults, OWN_KINDS[type(data)])
        faults += [f"{section}.faults: {text}" for text in told]
    try:
        names = line_names(instruments)
    except ValueError as error:
        return [*faults, str(error)]
    lines = sorted(set(names.values()))
    faults += [
        f"port_losses: port is {loss.port!r}; give one of {', '.join(lines)}"
        for loss in losses
        if loss.port not in lines
    ]
    return faults
