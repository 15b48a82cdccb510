"""Were the instruments within their calibration when the run was made?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any, Final

MEASURING: Final = ("light_sensor", "monitor_sensor", "power_meter", "thermometer")
"""Instruments the readings of which stand in a result."""


def is_overdue(due: Any, begun_utc: str) -> bool:
    """Tell whether a calibration was due before the day on which a run began.

    Parameters
    ----------
    due : str or None
        Day, ``"2026-01-31"``; what is no day is no overdue calibration.
    begun_utc : str
        ISO 8601; its first ten characters count.
    """
    try:
        return date.fromisoformat(str(due)) < date.fromisoformat(begun_utc[:10])
    except ValueError:
        return False


def overdue(instruments: Sequence[Mapping[str, Any]], begun_utc: str) -> tuple[str, ...]:
    """Say of each measuring instrument whose calibration had passed that it had."""
    return tuple(
        f"The calibration of the {spoken} was due on {item['calibration_due']}, before the run."
        for spoken, item in _measuring(instruments)
        if is_overdue(item.get("calibration_due"), begun_utc)
    )


def undated(instruments: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    """Say of each measuring instrument that states no day of calibration that it does not."""
    return tuple(
        f"When the {spoken} was last calibrated is not stated."
        for spoken, item in _measuring(instruments)
        if not item.get("calibrated_on")
    )


def _measuring(
    instruments: Sequence[Mapping[str, Any]],
) -> Iterator[tuple[str, Mapping[str, Any]]]:
    for item in instruments:
        name = str(item.get("name") or "")
        if name in MEASURING:
            yield name.replace("_", " "), item
