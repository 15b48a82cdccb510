"""Options of a lamp relay that is a coil of a Modbus device."""

from __future__ import annotations

from attrs import define

from drivers.modbus.options import ModbusOptions
from drivers.options import choice, whole
from drivers.relay_options import LampRelayOptions


@define(kw_only=True)
class CoilRelayOptions(LampRelayOptions, ModbusOptions):
    """A relay output of a Modbus device; the device watches the line and opens it on silence."""

    coil: int = whole(
        default=0,
        least=0,
        most=65535,
        doc="Which coil switches the lamp, counted from 0 as on the wire: a table that calls it "
        "00001 means 0.",
    )
    function: int = choice(
        5, 15, default=5, doc="Function code that writes it: 5 for one coil, 15 for several."
    )
    refresh: str = choice(
        "read",
        "write",
        default="read",
        doc="What keeps a closed relay closed: any request (read), or only a further writing of "
        "the coil (write).",
    )
