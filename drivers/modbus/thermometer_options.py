"""Options of a thermometer on Modbus."""

from __future__ import annotations

from attrs import define

from drivers.modbus.options import OneNumberOptions
from drivers.options import number
from drivers.thermometer_options import ThermometerOptions


@define(kw_only=True)
class ModbusThermometerOptions(ThermometerOptions, OneNumberOptions):
    """A thermometer on Modbus: one number in its registers."""

    scale: float = number(
        default=1.0, unit="°C", doc="What one step of the number means: 0.1 for tenths."
    )
