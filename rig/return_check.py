"""Back at the first height at the end: does it still read as in its map?"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.grid import Grid
from rig.attendant import Attendant
from rig.points import Points, spread_points
from rig.progress import RunProgress

#: The event that has the result.
RETURN_CHECK: Final = "return-check"
#: So many points are read again.
POINTS: Final = 5


def read_again(
    grid: Grid,
    attendant: Attendant,
    progress: RunProgress,
    points: Points,
    means: np.ndarray,
) -> None:
    """Read a few points of a map again and write down how far they are off.

    Parameters
    ----------
    grid : Grid
    attendant : Attendant
    progress : RunProgress
    points : Points
        At the stay of that map, the lamp stable.
    means : array, shape (n,)
        What the points of the map read. [µmol m⁻² s⁻¹]
    """
    few = spread_points(grid, POINTS)
    height = f"{points.stay.mounting_height_mm:g} mm"
    progress.phase("Return check", f"{len(few)} points at {height}")
    attendant.power_goes_to(points.place("background"))
    now = [float(np.mean(points.visit(i, points.place("quick-look", i)))) for i in few]
    change = 100.0 * (np.mean(now) / np.mean(means[few]) - 1.0)
    words = f"{len(few)} points at {height} read {change:+.2f} % of what they did in its map"
    attendant.log.event(RETURN_CHECK, "", words)
    attendant.log.acknowledge()
    progress.phase("", words)
