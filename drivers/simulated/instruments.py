"""The instruments of the virtual bench as data: who they are, how fast, how they misbehave.

One table for each instrument, as in this file of TOML; what is left out keeps its default::

    format = 1
    [light_sensor]
    address = "0"
    measuring_s = 0.9
    [[light_sensor.faults]]
    kind = "drop"
    at_exchange = 12
    [power_meter]
    baud = 19200
    [stage]
    travel_x_mm = [0.0, 1200.0]
    [monitor_sensor]
    speaks = "modbus"
    line = "power_meter"
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

import cattrs
from attrs import evolve, field, frozen
from attrs.validators import ge, gt, in_, le, matches_re

from drivers.simulated.ascii_printer import AsciiPrinter, AsciiThermometer
from drivers.simulated.lamp_relay import BlinkedRelay, CoilRelay
from drivers.simulated.modbus_makes import (
    ModbusMeter,
    ModbusSensor,
    ModbusThermometer,
    SunSpecMeter,
)
from drivers.simulated.peer import Fault
from drivers.simulated.scpi_meter import ScpiMeter
from drivers.simulated.spec import ScenarioError, structure_faults

FORMAT = 1


@frozen(kw_only=True)
class Sdi12Sensor:
    """The sensor as data.

    Attributes
    ----------
    address : str
        One of 0-9, A-Z, a-z.
    vendor, model, version, serial : str
        What ``aI!`` says: at most 8, 6, 3 and 13 characters.
    measuring_s : float
        From the end of ``aM!`` until the value is there; 0 for a sensor that has it at
        once and sends no service request. [s]
    averaging_s : float
        Length of the window that the value is the mean of; it ends when the value is
        there. [s]
    lag_s, step_umol_m2_s, noise_umol_m2_s : float
        What its data sheet states of its time constant, step and noise. They go into the
        profile only; what the sensor really gets wrong is the bench's affair.
        [s, µmol m⁻² s⁻¹]
    reply_delay_s : float
        From the end of a command to the first start bit of the reply; the standard wants
        8.33 to 15 ms. [s]
    decimals : int
        Digits after the point in the reply.
    other_values : tuple of float
        What follows the PPFD among the values of a measurement.
    values_per_page : int
        How many values one data command gives.
    verification : tuple of float
        What ``aV!`` gives.
    measures_continuously : bool
        Whether ``aR0!`` gives a value.
    keeps_address : bool
        Whether it disobeys ``aAb!``.
    line : str
        Section of the instrument whose line it sits on; its own where empty.
    faults : tuple of Fault
    """

    address: str = field(default="0", validator=matches_re(r"[0-9A-Za-z]"))
    vendor: str = field(default="VIRTUAL", validator=matches_re(r"[ -~]{1,8}"))
    model: str = field(default="QUANT1", validator=matches_re(r"[ -~]{1,6}"))
    version: str = field(default="100", validator=matches_re(r"[ -~]{1,3}"))
    serial: str = field(default="SIM-0001", validator=matches_re(r"[ -~]{0,13}"))
    measuring_s: float = field(default=0.9, validator=ge(0.0))
    averaging_s: float = field(default=0.8, validator=ge(0.0))
    lag_s: float = field(default=0.15, validator=ge(0.0))
    step_umol_m2_s: float = field(default=0.1, validator=gt(0.0))
    noise_umol_m2_s: float = field(default=1.0, validator=ge(0.0))
    reply_delay_s: float = field(default=0.009, validator=ge(0.0))
    decimals: int = field(default=1, validator=ge(0))
    other_values: tuple[float, ...] = ()
    values_per_page: int = field(default=6, validator=ge(1))
    verification: tuple[float, ...] = ()
    measures_continuously: bool = False
    keeps_address: bool = False
    line: str = ""
    faults: tuple[Fault, ...] = ()


@frozen(kw_only=True)
class GcodeStage:
    """The controller as data.

    Attributes
    ----------
    dialect : str
        ``"status-report"`` or ``"position-report"``, as in `drivers.gcode.dialect`.
    baud : int
        Rate of the port. [1/s]
    banner, version : str
        What it greets with in the first dialect, and who it says it is.
    idle_delay_ms : int
        Its setting after what time motors at rest are switched off; 255 for never. [ms]
    boot_s : float
        From a restart to the banner; it is deaf meanwhile. [s]
    restarts_on_open : bool
        Whether opening the port restarts it, as many USB boards do.
    reply_delay_s : float
        From the end of a line, or of a motion, to the reply. [s]
    travel_x_mm, travel_y_mm, travel_z_mm : tuple of float
        Soft limits in stage coordinates; no z where there is no height axis. [mm]
    x_at_origin_mm, y_at_origin_mm : float
        Stage coordinates of the corner of the plane. [mm]
    speed_mm_s, acceleration_mm_s2 : float
        Rapid speed, and the acceleration it declares. [mm/s, mm/s²]
    queue_length : int
        Moves that are accepted ahead.
    line : str
        Section of the instrument whose line it sits on; its own where empty.
    faults : tuple of Fault
    """

    baud: int = field(default=115_200, validator=gt(0))
    dialect: str = field(
        default="status-report", validator=in_(("status-report", "position-report"))
    )
    idle_delay_ms: int = field(default=255, validator=[ge(0), le(255)])
    banner: str = "Motion 1.1 ['$' for help]"
    version: str = "1.1.20260101:virtual bench"
    boot_s: float = field(default=0.8, validator=ge(0.0))
    restarts_on_open: bool = True
    reply_delay_s: float = field(default=0.001, validator=ge(0.0))
    travel_x_mm: tuple[float, float] = (0.0, 1200.0)
    travel_y_mm: tuple[float, float] = (0.0, 1200.0)
    travel_z_mm: tuple[float, float] | None = (250.0, 900.0)
    x_at_origin_mm: float = 0.0
    y_at_origin_mm: float = 0.0
    speed_mm_s: float = field(default=100.0, validator=gt(0.0))
    acceleration_mm_s2: float = field(default=500.0, validator=gt(0.0))
    queue_length: int = field(default=15, validator=ge(1))
    line: str = ""
    faults: tuple[Fault, ...] = ()


LightSensor = Sdi12Sensor | ModbusSensor | AsciiPrinter
PowerMeter = ModbusMeter | SunSpecMeter | ScpiMeter
Thermometer = ModbusThermometer | AsciiThermometer
LampRelay = CoilRelay | BlinkedRelay
#: What a table writes as ``speaks``, by the choices that a section has; the first is the default.
SPEAKS: dict[Any, dict[str, type]] = {
    LightSensor: {"sdi-12": Sdi12Sensor, "modbus": ModbusSensor, "ascii-line": AsciiPrinter},
    PowerMeter: {"modbus": ModbusMeter, "sunspec": SunSpecMeter, "scpi": ScpiMeter},
    Thermometer | None: {"modbus": ModbusThermometer, "ascii-line": AsciiThermometer},
    LampRelay | None: {"modbus": CoilRelay, "control-line": BlinkedRelay},
}


@frozen(kw_only=True)
class Instruments:
    """All that stands on the bench, by the names that a rig profile has for its sections."""

    light_sensor: LightSensor = field(factory=Sdi12Sensor)
    power_meter: PowerMeter = field(factory=ModbusMeter)
    stage: GcodeStage = field(factory=GcodeStage)
    monitor_sensor: LightSensor = field(factory=lambda: Sdi12Sensor(serial="SIM-0002"))
    lamp_relay: LampRelay | None = None
    thermometer: Thermometer | None = None

    @classmethod
    def from_table(cls, table: Mapping[str, Any], source: str = "the instruments") -> Instruments:
        """Read the instruments from a table.

        Raises
        ------
        ScenarioError
            With all faults of the table, each with its path.
        """
        content = dict(table)
        given = content.pop("format", FORMAT)
        if given != FORMAT:
            raise ScenarioError(
                source, [f"format is {given!r}; this program reads format {FORMAT}"]
            )
        converter = cattrs.Converter(forbid_extra_keys=True)
        for choices in SPEAKS:
            converter.register_structure_hook(choices, partial(_as_it_speaks, converter))
        try:
            return converter.structure(content, cls)
        except cattrs.ClassValidationError as error:
            raise ScenarioError(source, structure_faults(error, source)) from error

    def with_faults(self, **faults: Sequence[Fault]) -> Instruments:
        """Return the same instruments with scripted faults, given by section."""
        changed = {
            section: evolve(getattr(self, section), faults=tuple(given))
            for section, given in faults.items()
        }
        return evolve(self, **changed)


def _as_it_speaks(converter: cattrs.Converter, raw: Any, choices: Any) -> Any:
    """Structure an instrument that comes in several makes as the one that ``speaks`` names."""
    makes = SPEAKS[choices]
    table = dict(raw)
    speaks = table.pop("speaks", next(iter(makes)))
    if speaks not in makes:
        raise ValueError(f"speaks is {speaks!r}; give one of {', '.join(map(repr, makes))}")
    return converter.structure(table, makes[speaks])
