"""From a reading and its place to the row that is recorded."""

from __future__ import annotations

import math
from typing import Any, Final

from attrs import frozen

from analysis.quantities import MEASURED
from analysis.run_folder import ReadingRow
from drivers.clock import Stamp
from drivers.reading import Reading

#: The event that says that a person left a point out of a map, and why.
SKIPPED: Final = "point-skipped"


@frozen(kw_only=True)
class Place:
    """What a reading is taken for, and where. Empty where it does not apply."""

    role: str = "background"
    installation: int = 1
    grid_row: int | None = None
    grid_column: int | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    mounting_height_mm: float | None = None

    @property
    def words(self) -> str:
        """The point as a person counts it."""
        if self.grid_row is None or self.grid_column is None:
            return "no grid point"
        return f"row {self.grid_row + 1}, column {self.grid_column + 1}"


def reading_row(
    stamp: Stamp, instrument: str, reading: Reading, place: Place, sample: int | None
) -> ReadingRow:
    """Return the row of a reading; what the instrument could not say stays missing."""
    quantity = MEASURED[reading.quantity]
    low, high = quantity.plausible
    status = "ok" if low <= reading.value <= high else "implausible"
    return ReadingRow(
        elapsed_s=stamp.elapsed_s,
        utc=stamp.utc,
        window_start_s=_known(reading.window_start_s),
        window_end_s=_known(reading.window_end_s),
        instrument=instrument,
        quantity=reading.quantity,
        value=None if reading.is_missing else reading.value,
        unit=quantity.ucum,
        sample=sample,
        status="missing" if reading.is_missing else status,
        raw=reading.raw,
        **_cells(place),
    )


def _known(elapsed_s: float) -> float | None:
    return None if math.isnan(elapsed_s) else elapsed_s


def failed_row(
    stamp: Stamp, instrument: str, quantity: str, raw: bytes, place: Place
) -> ReadingRow:
    """Return the row of a try that gave nothing valid: no value, but what came in its stead."""
    return ReadingRow(
        elapsed_s=stamp.elapsed_s,
        utc=stamp.utc,
        window_start_s=None,
        window_end_s=None,
        instrument=instrument,
        quantity=quantity,
        value=None,
        unit=MEASURED[quantity].ucum,
        status="failed",
        raw=raw,
        **_cells(place),
    )


def _cells(place: Place) -> dict[str, Any]:
    return {
        "role": place.role,
        "installation": place.installation,
        "grid_row": place.grid_row,
        "grid_column": place.grid_column,
        "x_mm": place.x_mm,
        "y_mm": place.y_mm,
        "mounting_height_mm": place.mounting_height_mm,
    }
