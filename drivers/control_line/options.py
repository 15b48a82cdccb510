"""Options of a lamp relay on a control line of a serial port."""

from __future__ import annotations

from attrs import define

from drivers.line import SerialSettings
from drivers.options import choice, number, text
from drivers.relay_options import LampRelayOptions


@define(kw_only=True)
class ControlLineRelayOptions(LampRelayOptions):
    """A retriggerable timer relay: closed while the line is up, as long as the line blinks.

    A level alone must not hold it: the line of a program that was killed, or of a computer that
    hangs, stays as it is. Nor may a short rise close it: many systems raise both lines for a
    moment when a port is opened.
    """

    port: str = text(
        check=lambda value: bool(value) and not value.startswith("tcp:"),
        allowed="give a serial port; a network port has no control lines",
        doc="The serial port. It serves the relay alone.",
    )
    control_line: str = choice("rts", "dtr", default="rts", doc="The line that closes it.")
    read_back: str = choice(
        "none",
        "cts",
        "dsr",
        "dcd",
        default="none",
        doc="The line that an auxiliary contact of the relay raises while it is closed.",
    )
    settle_s: float = number(
        default=0.5,
        unit="s",
        above=0.0,
        most=5.0,
        doc="Time from a change of the line to the read-back: longer than the relay's own delays.",
    )
    pulse_s: float = number(
        default=0.02,
        unit="s",
        above=0.0,
        most=1.0,
        doc="Length of the drop that refreshes a closed relay: shorter than its release delay.",
    )


def line_settings(options: ControlLineRelayOptions) -> SerialSettings:
    """Return the settings of the port: no bytes are sent, and no line is raised on opening."""
    return SerialSettings(baud=9600, control_lines="down")
