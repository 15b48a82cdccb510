"""Options of the SDI-12 quantum sensor."""

from __future__ import annotations

from attrs import define

from drivers.line import SerialSettings
from drivers.options import LightSensorOptions, choice, number, rows, switch, text, whole


@define(kw_only=True)
class QuantumSensorOptions(LightSensorOptions):
    """A quantum sensor on SDI-12."""

    address: str = text(
        default="0",
        doc="Its address on the bus.",
        check=lambda value: len(value) == 1 and value.isascii() and value.isalnum(),
        allowed="give one letter or digit in quotes, e.g. '0'",
    )
    baud: int = choice(
        1200,
        9600,
        19200,
        38400,
        57600,
        115200,
        default=1200,
        doc="1200 on the bus itself; an adapter may want another rate.",
    )
    character_format: str = choice(
        "7E1",
        "8N1",
        default="7E1",
        doc="7E1 on the bus itself; 8N1 for many adapters and for pseudo-terminals.",
    )
    send_break: bool = switch(
        default=True,
        doc="Wake the sensor by a break. False where the adapter does so itself.",
    )
    crc: bool = switch(default=False, doc="Ask for a check sum (aMC!); standard from 1.3 on.")
    measurement: int = whole(
        default=0, least=0, most=9, doc="0 for the command aM!, 1 to 9 for aM1! to aM9!."
    )
    value_number: int = whole(
        default=1, least=1, most=99, doc="Which of the returned values is the PPFD."
    )
    scale: float = number(
        default=1.0,
        unit="µmol m⁻² s⁻¹",
        above=0.0,
        doc="PPFD for one unit of the returned value.",
    )
    no_value_codes: tuple[float, ...] = rows(
        lambda values: all(isinstance(v, int | float) for v in values),
        default=(),
        allowed="give a list of numbers, e.g. [-9999.0]",
        doc="Values by which this sensor says that it has none.",
    )
    reply_within_s: float = number(
        default=0.3,
        unit="s",
        above=0.0,
        doc="Time allowed to the first byte of a reply; the standard says 0.015 s.",
    )


def line_settings(options: QuantumSensorOptions) -> SerialSettings:
    """Return the settings of the port."""
    return SerialSettings.from_text(options.baud, options.character_format)
