"""Options of a thermometer that prints lines."""

from __future__ import annotations

from attrs import define

from drivers.ascii_line.options import AsciiLineOptions
from drivers.options import PortOptions, number, span
from drivers.thermometer_options import ThermometerOptions


@define(kw_only=True)
class AsciiThermometerOptions(ThermometerOptions, AsciiLineOptions, PortOptions):
    """A thermometer that prints a number as a line of text."""

    scale: float = number(
        default=1.0, unit="°C", above=0.0, doc="Temperature for one unit of the printed number."
    )
    plausible: tuple[float, float] = span(
        default=(-40.0, 400.0), unit="°C", doc="Least and greatest temperature that can be true."
    )
    agrees_within: float | None = number(
        default=None,
        unit="°C",
        least=0.0,
        doc="Take a value only if the next one agrees with it so closely.",
    )
