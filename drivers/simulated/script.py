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
from drivers.simulated.attach import PREFIX, SECTIONS, line_names, usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.fittings import FITTINGS
from drivers.simulated.instruments import Instruments
from drivers.simulated.scenario import Sag, packaged
from drivers.simulated.spec import ScenarioError, read_file, structure_faults


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
    scenario: Path, script: Path | None, *, device: str | None = None, evening: int = 1
) -> tuple[VirtualBench, Script]:
    """Build a bench and what it is told to go through; without a file, nothing unusual.

    Each evening, counted from 1, has mains and noise of its own.

    Raises
    ------
    ScenarioError
        With all that is wrong in one of the two files.
    """
    if script is None:
        bench = VirtualBench.from_scenario(scenario, device=device, evening=evening)
        return bench, Script(instruments=usual_instruments(bench))
    table = read_file(script)
    sags = script_from_table(table, str(script)).sags
    bench = VirtualBench.from_scenario(scenario, device=device, evening=evening, sags=sags)
    return bench, script_from_table(table, str(script), bench)


def script_from_table(
    table: Mapping[str, Any], source: str, bench: VirtualBench | None = None
) -> Script:
    """Make a script of the content of a file of instruments and faults.

    Parameters
    ----------
    table : mapping
    source : str
        What messages call the file.
    bench : VirtualBench, optional
        The bench that is to play it: what the file leaves out of the stage is then as suits
        its gantry, and each fault must be one that its instrument can play.

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
            faults += structure_faults(error, f"{source}: {key}")
        except TypeError:
            faults.append(f"{key} is not a list of tables; write [[{key}]]")
    if bench is not None and isinstance(content.get("stage", {}), Mapping):
        usual = attrs.asdict(usual_instruments(bench).stage)
        content["stage"] = {**usual, **content.get("stage", {})}
    try:
        instruments = Instruments.from_table(content, source)
    except ScenarioError as error:
        raise ScenarioError(source, [*error.faults, *faults]) from error
    if bench is not None:
        faults += _unplayable(instruments, bench, events.get("port_losses", ()))
    if faults:
        raise ScenarioError(source, faults)
    return Script(instruments=instruments, **events)


def _unplayable(
    instruments: Instruments, bench: VirtualBench, losses: tuple[PortLoss, ...]
) -> list[str]:
    faults = []
    for section in SECTIONS:
        data = getattr(instruments, section)
        if data is None:
            continue
        try:
            FITTINGS[type(data)].peer(data, section, bench, True)
        except ValueError as error:
            faults.append(f"{section}.faults: {error}")
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
