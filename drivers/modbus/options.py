"""Options of instruments on Modbus."""

from __future__ import annotations

from attrs import define

from drivers.line import SerialSettings
from drivers.options import (
    TCP,
    LightSensorOptions,
    PortOptions,
    choice,
    number,
    rows,
    whole,
)

# Names of the glossary that a power meter can give.
QUANTITIES = (
    "wall_power_w",
    "line_voltage_v",
    "line_current_a",
    "power_factor",
    "line_frequency_hz",
)
TYPES = ("float32", "int16", "uint16", "int32", "uint32")


# Without slots where a class is to be combined with others that have them.
@define(kw_only=True, slots=False)
class ModbusOptions(PortOptions):
    """What every instrument on Modbus declares about its bus."""

    address: int = whole(
        default=1,
        least=1,
        most=255,
        doc="Its address: 1 to 247 on a serial bus; on Modbus TCP 255 is the device itself.",
    )
    baud: int = whole(default=9600, unit="Bd", least=300, most=1_000_000, doc="Rate of the bus.")
    character_format: str = choice(
        "8N1",
        "8E1",
        "8O1",
        "8N2",
        default="8N1",
        doc="Data bits, parity, stop bits. The standard asks for 8E1; many meters come as 8N1.",
    )
    framing: str = choice(
        "by-port",
        "rtu",
        "tcp",
        default="by-port",
        doc="How messages are framed: Modbus TCP on a port tcp://…, else RTU. A device server "
        "that passes a serial bus through unchanged is tcp://… with rtu.",
    )
    reply_within_s: float = number(
        default=0.5, unit="s", above=0.0, doc="Time allowed to the first byte of a reply."
    )

    @property
    def is_tcp(self) -> bool:
        """Whether messages are framed as Modbus TCP has it."""
        return self.framing == "tcp" or (self.framing == "by-port" and self.port.startswith(TCP))


@define(kw_only=True, slots=False)
class NumberOptions:
    """Where one number stands in the registers, and how it is written."""

    register: int = whole(
        least=0,
        most=65535,
        doc="Address of its first register, counted from 0 as on the wire: a table that calls "
        "holding register 40041 or input register 30041 means 40.",
    )
    type: str = choice(*TYPES, default="float32", doc="How the number is written.")
    scale: float = number(default=1.0, unit="1", doc="The value is the number times this.")
    function: int = choice(
        3, 4, default=3, doc="Function code: 3 reads holding registers, 4 input registers."
    )
    word_order: str = choice(
        "big",
        "little",
        default="big",
        doc="Whether the high or the low 16 bits of a 32-bit number stand first.",
    )
    no_value_codes: tuple[float, ...] = rows(
        lambda values: all(isinstance(v, int | float) and not isinstance(v, bool) for v in values),
        default=(),
        allowed="give a list of numbers, e.g. [-32768]",
        doc="Numbers, before scaling, by which the instrument says that it has none.",
    )


@define(kw_only=True)
class RegisterOptions(NumberOptions):
    """Where one quantity stands in the meter's registers."""

    quantity: str = choice(*QUANTITIES, doc="What the register holds.")


def _holds_wall_power_once(registers: list[RegisterOptions]) -> bool:
    """Tolerate plain tables too: what is wrong inside one is that table's own fault."""
    names = [
        row.get("quantity") if isinstance(row, dict) else getattr(row, "quantity", None)
        for row in registers
    ]
    return "wall_power_w" in names and len(set(names)) == len(names)


@define(kw_only=True)
class MeterOptions(ModbusOptions):
    """What every power meter on Modbus declares about its reading."""

    averaging_s: float = number(
        default=1.0, unit="s", least=0.0, doc="Time over which the meter averages."
    )
    lag_s: float = number(
        default=0.0, unit="s", least=0.0, doc="How far the registers trail the mains."
    )


@define(kw_only=True)
class PowerMeterOptions(MeterOptions):
    """A power meter on Modbus, by a register map."""

    registers: list[RegisterOptions] = rows(  # noqa: RUF009
        _holds_wall_power_once,
        allowed="give one [[power_meter.registers]] table for each quantity, each quantity once, "
        "wall_power_w among them",
        doc="The register map: one table for each quantity.",
    )
    bridged_registers: int = whole(
        default=8,
        least=0,
        most=120,
        doc="Quantities that lie no more than so many registers apart are read in one request. "
        "0 for a meter that refuses to read registers it does not use.",
    )


@define(kw_only=True)
class SunSpecMeterOptions(MeterOptions):
    """A power meter with the open SunSpec register models, which say themselves where all is."""

    base: int | str = choice(
        "find",
        40000,
        0,
        50000,
        default="find",
        doc="Register at which its marker stands; found by trying the three that are usual.",
    )


@define(kw_only=True, slots=False)
class OneNumberOptions(NumberOptions, ModbusOptions):
    """An instrument on Modbus that measures one quantity."""

    averaging_s: float = number(
        default=1.0, unit="s", least=0.0, doc="Time over which one reading averages."
    )
    lag_s: float = number(
        default=0.0, unit="s", least=0.0, doc="Time constant: how far the reading trails."
    )


@define(kw_only=True)
class QuantumSensorOptions(LightSensorOptions, OneNumberOptions):
    """A quantum sensor on Modbus: one number in its registers."""

    scale: float = number(
        default=1.0, unit="µmol m⁻² s⁻¹", doc="What one step of the number means."
    )


def line_settings(options: ModbusOptions) -> SerialSettings:
    """Return the settings of the port."""
    return SerialSettings.from_text(options.baud, options.character_format)
