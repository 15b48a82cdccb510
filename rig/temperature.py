"""The temperature that is watched beside the run, and what is too much of it."""

from __future__ import annotations

from typing import Any, Final

from drivers.reading import Reading
from rig import faults
from rig.attendant import Attendant
from rig.beside import Beside
from rig.rows import Place

#: So many measurements without a value in a row, and what is watched is watched no more.
MISSING_ALLOWED: Final = 3


class Temperature:
    """Reads the thermometer every few seconds, records it, and stops the run above its limit.

    Parameters
    ----------
    attendant : Attendant
        Serves the thermometer in its loop from now on.
    options : object
        Of the thermometer, from the rig profile: ``every_s``, ``highest_c`` and ``place``.
    """

    def __init__(self, attendant: Attendant, options: Any) -> None:
        self._attendant = attendant
        self._options = options
        self._missing = 0
        thermometer = attendant.instruments.thermometer
        assert thermometer is not None
        attendant.attend(
            Beside(
                name="thermometer",
                clock=attendant.clock,
                instrument=thermometer,
                take=self._take,
                complain=lambda fault, place, tries: attendant.log.failed(
                    "thermometer", fault, place, tries
                ),
                interval_s=options.every_s,
                due_s=attendant.clock.elapsed_s(),
            )
        )

    def _take(self, readings: tuple[Reading, ...], place: Place, sample: int | None) -> None:
        self._attendant.log.readings("thermometer", readings, place, sample)
        highest = self._options.highest_c
        for reading in readings:
            self._missing = self._missing + 1 if reading.is_missing else 0
            where = f"thermometer ({self._options.place})"
            if highest is not None and reading.value > highest:
                raise faults.stop_for(
                    faults.Hazard(
                        f"{where}: {reading.value:.1f} °C, allowed up to {highest:g} °C "
                        "(thermometer.highest_c). Switch the lamp off, let it cool, find the cause."
                    ),
                    1,
                )
            if highest is not None and self._missing >= MISSING_ALLOWED:
                raise faults.stop_for(
                    faults.Hazard(
                        f"{where}: no value in {self._missing} measurements in a row, so its limit "
                        f"of {highest:g} °C is not watched. Check the probe and its cable."
                    ),
                    1,
                )
