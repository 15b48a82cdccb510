"""An instrument with a display: a person reads it off and types what it shows.

Tested with a desk in memory.
"""

from __future__ import annotations

import math

from drivers.clock import Clock
from drivers.errors import GarbledReply
from drivers.manual.desk import Desk, ReadOff
from drivers.manual.number import LEFT_OUT, typed_number
from drivers.manual.options import KeyedPowerMeterOptions, KeyedSensorOptions
from drivers.manual.served import ServedInstrument
from drivers.reading import Reading


class _Keyed(ServedInstrument):
    """What was typed, as a reading; the text is its raw reply.

    Parameters
    ----------
    options : KeyedSensorOptions or KeyedPowerMeterOptions
    desk : Desk
    clock : Clock
    device : str
    """

    _quantity: str

    def __init__(
        self,
        options: KeyedSensorOptions | KeyedPowerMeterOptions,
        desk: Desk,
        clock: Clock,
        device: str,
    ) -> None:
        super().__init__(desk, clock, device, options.serial_number)
        self._averaging_s = options.averaging_s

    def start(self) -> float:
        """Have the display read off. [s]"""
        return self._put(ReadOff(self._quantity))

    def poll(self) -> tuple[Reading, ...] | None:
        """Return what was typed, or None before it is there.

        Raises
        ------
        GarbledReply
            It is no number.
        """
        text = self._reply()
        if text is None:
            return None
        raw = text.encode()
        value = math.nan if text.strip() in LEFT_OUT else typed_number(text)
        if value is None:
            raise GarbledReply(
                self.device,
                f"{text!r} was typed, which is no number.",
                remedy="Type digits, with a decimal point or comma.",
                reply=raw,
            )
        start_s, end_s = self._window()
        return (
            Reading(
                quantity=self._quantity,
                value=value,
                window_start_s=start_s,
                window_end_s=end_s,
                raw=raw,
            ),
        )

    def _window(self) -> tuple[float, float]:
        raise NotImplementedError


class KeyedSensor(_Keyed):
    """A handheld light meter."""

    _quantity = "ppfd_umol_m2_s"

    def _window(self) -> tuple[float, float]:
        now_s = self._clock.elapsed_s()
        return now_s - self._averaging_s, now_s


class KeyedPowerMeter(_Keyed):
    """A wattmeter with a display.

    Over which time it averages is not known, so its readings have no window: they are of about
    the moment at which they were typed.
    """

    _quantity = "wall_power_w"

    def _window(self) -> tuple[float, float]:
        return math.nan, math.nan
