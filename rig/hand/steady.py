"""When a value holds still after somebody has let go of the sensor."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

#: In the dark no value holds still by a share of itself; this much is still enough (our figure).
LEAST_UMOL_M2_S: Final = 1.0


def steady_for_s(moments_s: Sequence[float], values: Sequence[float], *, percent: float) -> float:
    """Return how long a value has held still by its last readings. [s]

    Parameters
    ----------
    moments_s : sequence of float
        When each reading came, rising. [s]
    values : sequence of float
        [µmol m⁻² s⁻¹]
    percent : float
        The readings lie within this share of their mean, highest to lowest. [%]
    """
    held_s = 0.0
    lowest = highest = values[-1] if values else 0.0
    for count, (moment_s, value) in enumerate(
        zip(reversed(moments_s), reversed(values), strict=True), start=1
    ):
        lowest, highest = min(lowest, value), max(highest, value)
        mean = sum(values[-count:]) / count
        if not highest - lowest <= max(percent / 100.0 * abs(mean), LEAST_UMOL_M2_S):
            break
        held_s = moments_s[-1] - moment_s
    return held_s
