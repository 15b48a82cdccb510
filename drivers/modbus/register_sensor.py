"""An instrument on Modbus that measures one quantity: a quantum sensor, for one.

Tested with: the virtual bench and pymodbus's own serial and network servers only.
"""

from __future__ import annotations

from drivers.bus import Bus
from drivers.clock import Clock
from drivers.line import Line
from drivers.modbus import registers
from drivers.modbus.device import ModbusDevice
from drivers.modbus.options import OneNumberOptions
from drivers.reading import Reading
from drivers.talk import Conversation


class RegisterSensor(ModbusDevice[OneNumberOptions]):
    """One quantity, read from one place in the registers.

    Parameters
    ----------
    quantity : str
        What it measures, as the glossary names it.
    options : OneNumberOptions
        From the rig profile.
    line : Line or Bus
        The adapter to the bus, or its share of one.
    clock : Clock
        Deadlines and time stamps.
    device : str
        What messages call it, e.g. ``"light sensor"``.
    """

    def __init__(
        self, quantity: str, options: OneNumberOptions, line: Line | Bus, clock: Clock, device: str
    ) -> None:
        super().__init__(options, line, clock, device)
        self._quantity = quantity
        self._request = registers.Request(
            options.function, options.register, registers.width(options), ()
        )

    def _least(self) -> tuple[registers.Request, ...]:
        return (self._request,)

    def _measure(self) -> Conversation[tuple[Reading, ...]]:
        options = self._options
        answer = yield from self._read(self._request)
        window_end_s = answer.sent_s - options.lag_s
        return (
            Reading(
                quantity=self._quantity,
                value=registers.decode(options, self._request, answer.words),
                window_start_s=window_end_s - options.averaging_s,
                window_end_s=window_end_s,
                raw=answer.frame,
            ),
        )

    def _identify(self) -> Conversation[str]:
        return (yield from self._identify_by(self._request))
