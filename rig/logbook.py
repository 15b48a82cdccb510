"""What happens on the bench, written down: times as the run folder counts them.

Everything recorded passes through here. A run that is resumed goes on in the elapsed time of its
folder, across the gap, whatever the clock of this program counts from.
"""

from __future__ import annotations

import math
from typing import Final

from attrs import define, evolve

from analysis.quantities import MEASURED
from analysis.run_folder import EventRow
from drivers.clock import Clock, Stamp
from drivers.errors import DriverError
from drivers.reading import Reading
from rig.recorder import Recorder
from rig.rows import Place, failed_row, reading_row

#: An fsync is due before a row has waited a full second for it. [s]
ACKNOWLEDGE_AFTER_S: Final = 0.8
#: What each measuring instrument owes whenever it is asked.
_DUE: Final = {
    "light_sensor": "ppfd_umol_m2_s",
    "monitor_sensor": "ppfd_umol_m2_s",
    "power_meter": "wall_power_w",
    "thermometer": "temperature_c",
}


@define(kw_only=True, eq=False)
class Logbook:
    """Stamps rows and hands them to the recorder.

    Attributes
    ----------
    clock : Clock
    recorder : Recorder
    ahead_s : float
        Elapsed time of the folder less that of the clock; 0 for a new run. [s]
    saturated_umol_m2_s : float
        A light reading from here on is the end of the sensor's range, and is marked.
    """

    clock: Clock
    recorder: Recorder
    ahead_s: float = 0.0
    saturated_umol_m2_s: float = math.inf

    def event(self, event: str, subject: str = "", detail: str = "") -> None:
        """Write down that something happened."""
        now = self._stamp()
        self.recorder.event(
            EventRow(
                elapsed_s=now.elapsed_s, utc=now.utc, event=event, subject=subject, detail=detail
            )
        )

    def readings(
        self, name: str, readings: tuple[Reading, ...], place: Place, sample: int | None
    ) -> None:
        """Write readings down."""
        now = self._stamp()
        for reading in readings:
            own = evolve(
                reading,
                window_start_s=reading.window_start_s + self.ahead_s,
                window_end_s=reading.window_end_s + self.ahead_s,
            )
            row = reading_row(now, name, own, place, sample)
            if self._is_saturated(name, reading):
                row = evolve(row, status="implausible")
            self.recorder.reading(row)

    def failed(self, name: str, fault: DriverError, place: Place, tries: int) -> None:
        """Write down a try that gave nothing valid: an event, and a row where a value was due."""
        self.event("retry" if tries > 1 else "fault", name, str(fault))
        if name in _DUE:
            row = failed_row(self._stamp(), name, _DUE[name], fault.reply, place)
            self.recorder.reading(row)

    def is_plausible(self, name: str, reading: Reading) -> bool:
        """Say whether a reading can be true."""
        low, high = MEASURED[reading.quantity].plausible
        return low <= reading.value <= high and not self._is_saturated(name, reading)

    def _is_saturated(self, name: str, reading: Reading) -> bool:
        return name == "light_sensor" and reading.value >= self.saturated_umol_m2_s

    def acknowledge(self) -> None:
        """Return once everything written so far is on the disk."""
        self.recorder.acknowledge()

    @property
    def acknowledge_due_s(self) -> float:
        """When, by the clock, the oldest row must be on the disk; infinity if all are. [s]"""
        oldest_s = self.recorder.oldest_unacknowledged_s
        return math.inf if oldest_s is None else oldest_s - self.ahead_s + ACKNOWLEDGE_AFTER_S

    def _stamp(self) -> Stamp:
        now = self.clock.stamp()
        return Stamp(now.utc, now.elapsed_s + self.ahead_s)
