"""Options of the SCPI power analyser."""

from __future__ import annotations

from attrs import define

from drivers.ascii_line.codec import CodecError, compile_form
from drivers.line import SerialSettings
from drivers.options import PortOptions, choice, is_port, number, rows, switch, text, whole

# Names of the glossary that a power analyser can give.
QUANTITIES = (
    "wall_power_w",
    "line_voltage_v",
    "line_current_a",
    "power_factor",
    "line_frequency_hz",
)
#: What the name of a port that is reached through VISA begins with.
VISA = "visa:"
TERMINATORS = {"LF": b"\n", "CR LF": b"\r\n", "CR": b"\r"}


def _is_query(value: str) -> bool:
    """One message unit that asks for something; joining them is the driver's business."""
    return value.isascii() and value.isprintable() and "?" in value and ";" not in value


def _is_pattern(value: str) -> bool:
    try:
        compile_form(value)
    except CodecError:
        return False
    return bool(value)


@define(kw_only=True)
class QueryOptions:
    """How one quantity is asked for."""

    quantity: str = choice(*QUANTITIES, doc="What the reply holds.")
    query: str = text(
        doc="What is sent, as in the instrument's manual: the node of active power differs from "
        "one to the next. Rows with the same query share one reply.",
        check=_is_query,
        allowed="give one query with a question mark and without ';', e.g. \"MEAS:POW?\"",
    )
    field: int = whole(
        default=1,
        least=1,
        most=64,
        doc="Which of the comma-separated values of the reply it is, counted from 1.",
    )
    fields: int | None = whole(
        default=None,
        least=1,
        most=64,
        doc="How many values the reply holds, where it holds more than are asked for here. Any "
        "other number of values is a garbled reply: one wrong bit makes a comma of a point.",
    )
    scale: float = number(default=1.0, unit="1", doc="The value is the number times this.")
    pattern: str | None = text(
        default=None,
        doc="Regular expression that the number must match as a whole, as it is written in the "
        "reply. The protocol has no check sum: an instrument that always writes the same number "
        "of digits shows by it that one was lost or added.",
        check=_is_pattern,
        allowed="give a regular expression, e.g. '[+-]\\d\\.\\d{5}E[+-]\\d\\d', with no "
        "repeated group that itself repeats or branches",
    )
    agrees_within: float | None = number(
        default=None,
        unit="1",
        least=0.0,
        doc="Take a value only if the next one agrees with it so closely, in the unit of the "
        "quantity. Each is asked for twice then.",
    )


def _holds_wall_power_once(queries: list[QueryOptions]) -> bool:
    """Tolerate plain tables too: what is wrong inside one is that table's own fault."""
    names = [
        row.get("quantity") if isinstance(row, dict) else getattr(row, "quantity", None)
        for row in queries
    ]
    return "wall_power_w" in names and len(set(names)) == len(names)


@define(kw_only=True)
class ScpiPowerMeterOptions(PortOptions):
    """A power analyser that speaks SCPI, on a serial port, over TCP or over USB."""

    port: str = text(
        doc="Where it is connected: a serial port, whose name under /dev/serial/by-id/ survives "
        "replugging, tcp://host:number for a socket of the network, or for USB visa: and the "
        "name by which VISA knows the instrument (needs the extra 'usb').",
        check=lambda port: bool(port.removeprefix(VISA)) and is_port(port),
        allowed='give some text in quotes: a serial port, "tcp://192.168.0.20:5025", or '
        '"visa:USB0::0x1234::0x5678::SN-42::INSTR"',
    )
    baud: int = whole(
        default=9600, unit="Bd", least=300, most=1_000_000, doc="Rate of a serial port."
    )
    character_format: str = choice(
        "8N1",
        "7E1",
        "7O1",
        "8E1",
        "8O1",
        "8N2",
        default="8N1",
        doc="Data bits, parity, stop bits of a serial port.",
    )
    terminator: str = choice(
        *TERMINATORS,
        default="LF",
        doc="What ends a message, in both directions. With LF a CR before it is let pass.",
    )
    visa_library: str = text(
        default="",
        doc="For a port 'visa:…': which implementation PyVISA uses; empty is its own choice, "
        "'@py' the one in pure Python.",
        check=lambda value: True,
    )
    queries: list[QueryOptions] = rows(  # noqa: RUF009
        _holds_wall_power_once,
        allowed="give one [[power_meter.queries]] table for each quantity, each quantity once, "
        "wall_power_w among them",
        doc="What is asked: one table for each quantity.",
    )
    joined_queries: bool = switch(
        default=False,
        doc="Send all queries in one message, joined by ';'. Their values are then closer in "
        "time; not every instrument allows it.",
    )
    clear_on_connect: bool = switch(
        default=True,
        doc="Send *CLS before the first question: errors of an earlier session are forgotten.",
    )
    error_query: str = text(
        default="SYST:ERR?",
        doc="How the oldest error is asked for, after each reply; '' where there is none, and "
        "*IDN? is asked instead: a reply of another form between two values shows that none of "
        "them is an earlier one that came late.",
        check=lambda value: value == "" or _is_query(value),
        allowed="give one query, e.g. \"SYST:ERR?\", or '' for none",
    )
    averaging_s: float = number(
        default=1.0, unit="s", least=0.0, doc="Time over which the instrument averages."
    )
    lag_s: float = number(
        default=0.0, unit="s", least=0.0, doc="How far its values trail the mains."
    )
    reply_within_s: float = number(
        default=3.0,
        unit="s",
        above=0.0,
        doc="Time allowed to one reply, its measurement included, its transmission not.",
    )


def line_settings(options: ScpiPowerMeterOptions) -> SerialSettings:
    """Return the settings of the port."""
    return SerialSettings.from_text(options.baud, options.character_format)
