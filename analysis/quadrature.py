"""What a sum over the points of a grid cannot know about the field between them.

A sum over equal-area cells takes each cell for as bright as its centre. For a smooth field the sum
differs from the integral by h²/24 times the difference of the slopes at both ends, along every row
and every column (the Euler–Maclaurin formula); the slopes at the walls are extrapolated from the
three points next to them. That difference is not taken off the delivered flux, which is defined
as the sum: it stands in the budget. The variation of the field, which nobody can sum, is
corrected for it, and for the noise of the points, which adds to their scatter.

References
----------
.. [1] Euler–Maclaurin formula, midpoint form; any textbook of numerical analysis.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.grid import Grid

Floats = NDArray[np.floating[Any]]

DEFAULT: Final = 0.005
"""Standard uncertainty of a sum over a grid of another layout; common practice, no source."""
APPLIED_SHARE: Final = 0.6
"""Part of an estimated correction that holds: slopes at walls, taken from the points before them,
come out too steep on the virtual bench. Our own assumption."""
LEFT_SHARE: Final = 0.3
"""Part of it that is not known."""
LEAST: Final = 0.0005


@frozen(kw_only=True)
class Between:
    """What lies between the points of one map.

    Attributes
    ----------
    ends : float
        By how much the sum is too large for want of what the slopes at the walls tell, as far
        as they tell it; it has the same sign for all devices of a room. [fraction]
    rest : float
        Standard uncertainty of the sum as an integral beside that. [fraction]
    variation : float or None
        Coefficient of variation of the field between the points too, noise taken out; None if
        the mean is not above 0. [fraction]
    variation_left : float
        Standard uncertainty of that correction. [fraction of the coefficient]
    is_estimated : bool
        Whether the layout allows an estimate; otherwise `DEFAULT` stands.
    """

    ends: float
    rest: float
    variation: float | None
    variation_left: float
    is_estimated: bool


def between(grid: Grid, ppfd: Floats, noise: float) -> Between:
    """Estimate what a complete map does not show of its field.

    Parameters
    ----------
    ppfd : array, shape (n,)
        [µmol m⁻² s⁻¹]
    noise : float
        Standard deviation that every point has for itself. [fraction]
    """
    weights = grid.weights_m2
    area = float(weights.sum())
    sum_, squares = float(weights @ ppfd), float(weights @ ppfd**2)
    if not sum_ > 0:
        return Between(
            ends=0.0, rest=DEFAULT, variation=None, variation_left=0.0, is_estimated=False
        )
    noise_square = noise**2 * float((weights * (1 - weights / area)) @ ppfd**2)
    read = _variation(sum_, squares - noise_square, area)
    whole = len(grid) == grid.rows * grid.columns and min(grid.rows, grid.columns) >= 3
    if grid.layout != "cell-centres" or grid.shape != "rectangle" or not whole:
        left = DEFAULT / max(read, DEFAULT)
        return Between(
            ends=0.0, rest=DEFAULT, variation=read, variation_left=left, is_estimated=False
        )
    matrix = grid.to_matrix(ppfd)
    cell_m2 = float(weights[0])
    change = _ends(matrix) * cell_m2
    change_of_squares = _ends(matrix**2) * cell_m2
    ends = _variation(sum_ + change, squares - noise_square + change_of_squares, area)
    variation = read + APPLIED_SHARE * (ends - read)
    rough = _roughness(matrix, noise) / math.sqrt(len(grid))
    moved = abs(ends - read) / variation if variation > 0 else 0.0
    return Between(
        ends=-APPLIED_SHARE * change / sum_,
        rest=max(math.hypot(LEFT_SHARE * change / sum_, rough), LEAST),
        variation=variation,
        variation_left=max(math.hypot(LEFT_SHARE * moved, rough / max(variation, 0.01)), LEAST),
        is_estimated=True,
    )


def _variation(sum_: float, squares: float, area: float) -> float:
    mean = sum_ / area
    return math.sqrt(max(squares / area - mean**2, 0.0)) / mean


def _ends(matrix: Floats) -> float:
    """Integral less midpoint sum, in units of one cell."""
    total = 0.0
    for lines in (matrix, matrix.T):
        outward_first = 2 * lines[:, 0] - 3 * lines[:, 1] + lines[:, 2]
        outward_last = 2 * lines[:, -1] - 3 * lines[:, -2] + lines[:, -3]
        total += float((outward_first + outward_last).sum()) / 24.0
    return total


def _roughness(matrix: Floats, noise: float) -> float:
    """Relative scatter about a cubic through neighbours, beyond the noise of the points."""
    found = []
    for lines in (matrix, matrix.T):
        if lines.shape[1] >= 5:
            fourth = np.diff(lines, 4, axis=1)
            found.append((fourth / lines[:, 2:-2]) ** 2)
    if not found:
        return 0.0
    # The fourth difference of independent values has 70 times their variance.
    square = float(np.concatenate([one.ravel() for one in found]).mean()) / 70.0
    return math.sqrt(max(square - noise**2, 0.0))
