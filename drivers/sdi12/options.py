"""Options of instruments on SDI-12."""

from __future__ import annotations

from attrs import define

from drivers.line import SerialSettings
from drivers.options import LightSensorOptions, choice, number, rows, switch, text, whole
from drivers.sdi12 import codec

#: Held a little longer than the standard's least, so that no rounding makes them short. [s]
USUAL_BREAK_S = 0.0123
USUAL_MARKING_S = 0.00843


@define(kw_only=True, slots=False)
class Sdi12Options:
    """What every instrument on SDI-12 has, whatever it measures.

    To be mixed into the options of a role.
    """

    address: str = text(
        default="0",
        doc="Its address on the bus.",
        check=lambda value: len(value) == 1 and value in codec.ADDRESSES,
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
    command: str = choice(
        "auto",
        "M",
        "C",
        "R",
        default="auto",
        doc="How it is made to measure. M: aM!, it calls when it is ready, and the bus is its own "
        "until then. C: aC!, others on the bus are spoken to meanwhile; standard from 1.2 on. "
        "R: aR0!, it measures all the time and gives its newest value. auto: C where another "
        "instrument has the same port, M where not.",
    )
    crc: bool = switch(default=False, doc="Ask for a check sum (aMC!); standard from 1.3 on.")
    measurement: int = whole(
        default=0, least=0, most=9, doc="0 for the command aM!, 1 to 9 for aM1! to aM9!."
    )
    value_number: int = whole(
        default=1, least=1, most=99, doc="Which of the returned values is the one wanted."
    )
    no_value_codes: tuple[float, ...] = rows(
        lambda values: all(isinstance(v, int | float) for v in values),
        default=(),
        allowed="give a list of numbers, e.g. [-9999.0]",
        doc="Values by which this sensor says that it has none.",
    )
    send_break: bool = switch(
        default=True,
        doc="Wake the sensor by a break. False where the adapter does so itself.",
    )
    break_s: float = number(
        default=USUAL_BREAK_S,
        unit="s",
        least=codec.BREAK_S,
        doc="Length of a break; the standard's least is 0.012 s, and some sensors want more.",
    )
    marking_s: float = number(
        default=USUAL_MARKING_S,
        unit="s",
        least=codec.MARKING_S,
        doc="Silence before a command; the standard's least is 0.00833 s, and a sensor that "
        "wakes slowly wants up to 0.1 s.",
    )
    reply_within_s: float = number(
        default=0.3,
        unit="s",
        above=0.0,
        doc="Time allowed to the first byte of a reply; the standard says 0.015 s, but an "
        "adapter may hand it over much later.",
    )
    pause_within_s: float = number(
        default=0.1,
        unit="s",
        least=0.00166,
        doc="Longest pause inside a reply; the standard says 0.00166 s, but adapters hand over "
        "characters in lumps.",
    )
    longest_wait_s: float = number(
        default=60.0,
        unit="s",
        above=0.0,
        doc="A sensor that announces a longer measurement was misheard.",
    )
    fetch_after_s: float = number(
        default=0.0,
        unit="s",
        least=0.0,
        doc="Time added to the announced one, for a sensor that is late by its own clock.",
    )


@define(kw_only=True)
class QuantumSensorOptions(LightSensorOptions, Sdi12Options):
    """A quantum sensor on SDI-12."""

    scale: float = number(
        default=1.0,
        unit="µmol m⁻² s⁻¹",
        above=0.0,
        doc="PPFD for one unit of the returned value.",
    )


def line_settings(options: Sdi12Options) -> SerialSettings:
    """Return the settings of the port."""
    return SerialSettings.from_text(options.baud, options.character_format)
