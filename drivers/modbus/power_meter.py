"""The power meter on Modbus: what it reads stands in the register map of the profile.

Tested with: the virtual bench and pymodbus's own serial and network servers only.
"""

from __future__ import annotations

from drivers.bus import Bus
from drivers.clock import Clock
from drivers.line import Line
from drivers.modbus import registers
from drivers.modbus.device import ModbusDevice
from drivers.modbus.options import PowerMeterOptions
from drivers.reading import Reading
from drivers.talk import Conversation


class PowerMeter(ModbusDevice[PowerMeterOptions]):
    """Wall power, and voltage, current, power factor, frequency where the map has them.

    Parameters
    ----------
    options : PowerMeterOptions
        From the rig profile.
    line : Line or Bus
        The adapter to the bus, or its share of one.
    clock : Clock
        Deadlines and time stamps.
    device : str
        What messages call the meter, e.g. ``"power meter"``.
    """

    def __init__(
        self, options: PowerMeterOptions, line: Line | Bus, clock: Clock, device: str
    ) -> None:
        super().__init__(options, line, clock, device)
        self._requests = registers.plan_requests(options.registers, options.bridged_registers)

    def _least(self) -> tuple[registers.Request, ...]:
        return self._requests

    def _measure(self) -> Conversation[tuple[Reading, ...]]:
        readings: list[Reading] = []
        for request in self._requests:
            answer = yield from self._read(request)
            window_end_s = answer.sent_s - self._options.lag_s
            readings += (
                Reading(
                    quantity=row.quantity,
                    value=registers.decode(row, request, answer.words),
                    window_start_s=window_end_s - self._options.averaging_s,
                    window_end_s=window_end_s,
                    raw=answer.frame,
                )
                for row in request.rows
            )
        return tuple(readings)

    def _refused_advice(self, request: registers.Request) -> str:
        advice = super()._refused_advice(request)
        if sum(map(registers.width, request.rows)) < request.count:
            advice = advice.removesuffix(".")
            advice += "; for a meter that refuses unused registers set 'bridged_registers' to 0."
        return advice

    def _identify(self) -> Conversation[str]:
        return (yield from self._identify_by(self._requests[0]))
