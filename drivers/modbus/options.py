"""Options of the Modbus RTU power meter."""

from __future__ import annotations

from attrs import define

from drivers.line import SerialSettings
from drivers.options import PortOptions, choice, number, rows, whole

# Names of the glossary that a power meter can give.
QUANTITIES = (
    "wall_power_w",
    "line_voltage_v",
    "line_current_a",
    "power_factor",
    "line_frequency_hz",
)
TYPES = ("float32", "int16", "uint16", "int32", "uint32")


@define(kw_only=True)
class RegisterOptions:
    """Where one quantity stands in the meter's registers."""

    quantity: str = choice(*QUANTITIES, doc="What the register holds.")
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


def _holds_wall_power_once(registers: list[RegisterOptions]) -> bool:
    """Tolerate plain tables too: what is wrong inside one is that table's own fault."""
    names = [
        row.get("quantity") if isinstance(row, dict) else getattr(row, "quantity", None)
        for row in registers
    ]
    return "wall_power_w" in names and len(set(names)) == len(names)


@define(kw_only=True)
class PowerMeterOptions(PortOptions):
    """A power meter on Modbus RTU."""

    address: int = whole(default=1, least=1, most=247, doc="Its address on the bus.")
    baud: int = whole(default=9600, unit="Bd", least=300, most=1_000_000, doc="Rate of the bus.")
    character_format: str = choice(
        "8N1",
        "8E1",
        "8O1",
        "8N2",
        default="8N1",
        doc="Data bits, parity, stop bits. The standard asks for 8E1; many meters come as 8N1.",
    )
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
    averaging_s: float = number(
        default=1.0, unit="s", least=0.0, doc="Time over which the meter averages."
    )
    lag_s: float = number(
        default=0.0, unit="s", least=0.0, doc="How far the registers trail the mains."
    )
    reply_within_s: float = number(
        default=0.5, unit="s", above=0.0, doc="Time allowed to the first byte of a reply."
    )


def line_settings(options: PowerMeterOptions) -> SerialSettings:
    """Return the settings of the port."""
    return SerialSettings.from_text(options.baud, options.character_format)
