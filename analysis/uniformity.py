"""How evenly the light falls: the usual figures, all weighted by area.

All are fractions in code and per cent in print. They hold for the grid they were read at: a
coarser grid finds a higher minimum, so figures of different grids are not comparable.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from attrs import asdict, frozen
from numpy.typing import ArrayLike, NDArray

from analysis.efficacy import weighted_points

Floats = NDArray[np.floating[Any]]

LOW_QUARTER: Final = 0.25
NEAR: Final = 1e-12
"""Rounding must not push a value off a limit that it stands on."""


@frozen(kw_only=True)
class Uniformity:
    """Uniformity figures of one map.

    Attributes
    ----------
    mean, minimum, maximum : float
        Area-weighted mean, lowest and highest value. [unit of the values]
    min_to_mean, min_to_max, max_to_mean : float
        Ratios of these. [unitless]
    coefficient_of_variation : float
        Population standard deviation over the mean. [unitless]
    christiansen : float
        Christiansen uniformity coefficient, 1 − mean absolute deviation ÷ mean. [unitless]
    low_quarter : float
        Mean of the darkest quarter of the area ÷ mean. [unitless]
    share_within_10pct, share_within_20pct : float
        Share of the area within ±10 % and ±20 % of the mean, the limits included. [unitless]
    share_above_target : float or None
        Share of the area at or above the target; None without one. [unitless]
    """

    mean: float
    minimum: float
    maximum: float
    min_to_mean: float
    min_to_max: float
    max_to_mean: float
    coefficient_of_variation: float
    christiansen: float
    low_quarter: float
    share_within_10pct: float
    share_within_20pct: float
    share_above_target: float | None

    def to_dict(self) -> dict[str, float | None]:
        """Return plain values for JSON."""
        return asdict(self)


def uniformity(
    values: ArrayLike, weights_m2: ArrayLike, *, target: float | None = None
) -> Uniformity:
    """Compute the uniformity figures of a complete map.

    Parameters
    ----------
    values : array, shape (n,)
        PPFD of each point. [µmol m⁻² s⁻¹]
    weights_m2 : array, shape (n,)
        Area that each point stands for; a point of weight 0 is left out. [m²]
    target : float, optional
        PPFD that the crop needs. [µmol m⁻² s⁻¹]

    Raises
    ------
    IncompleteGridError
        A value is NaN: the lowest of the values that happen to be there is not the minimum.
    ValueError
        Lengths differ, a weight is negative, all are 0, or the mean is not above 0.

    Notes
    -----
    The darkest quarter is a quarter of the *area*: the point at its border is shared in
    proportion. Rules that count whole points give another value where a quarter of the
    points is not a whole number.

    References
    ----------
    .. [1] J. E. Christiansen, Irrigation by Sprinkling, Univ. California Agr. Exp. Sta.
       Bulletin 670, 1942 (uniformity coefficient).
    .. [2] EN 12464-1 and EN 12193 for minimum-to-mean and minimum-to-maximum; naming from
       memory.
    """
    points, weights = weighted_points(values, weights_m2)
    points, weights = points[weights > 0], weights[weights > 0]
    share = weights / weights.sum()
    mean = float(share @ points)
    if not mean > 0:
        raise ValueError(f"the mean is {mean:g}; uniformity needs one above 0")
    lowest, highest = float(points.min()), float(points.max())
    off = points - mean
    relative = np.abs(off) / mean
    return Uniformity(
        mean=mean,
        minimum=lowest,
        maximum=highest,
        min_to_mean=lowest / mean,
        min_to_max=lowest / highest,
        max_to_mean=highest / mean,
        coefficient_of_variation=float(np.sqrt(share @ off**2)) / mean,
        christiansen=1 - float(share @ relative),
        low_quarter=_mean_of_lowest(points, share, LOW_QUARTER) / mean,
        share_within_10pct=float(share[relative <= 0.10 + NEAR].sum()),
        share_within_20pct=float(share[relative <= 0.20 + NEAR].sum()),
        share_above_target=None if target is None else float(share[points >= target].sum()),
    )


def uniformity_of_draws(
    draws: ArrayLike, weights_m2: ArrayLike, *, target: float | None = None
) -> dict[str, Floats]:
    """Compute the ratios and shares of `uniformity` for many maps of one grid at once.

    Parameters
    ----------
    draws : array, shape (d, n)
        PPFD of each point in each map. [µmol m⁻² s⁻¹]
    weights_m2, target
        See `uniformity`.

    Returns
    -------
    dict of str to array, shape (d,)
        Attribute of `Uniformity` → its value in each map; no share above target without one, and
        no coefficient of variation, which noise would raise.
    """
    weights = np.asarray(weights_m2, dtype=float)
    points = np.asarray(draws, dtype=float)[:, weights > 0]
    share = weights[weights > 0] / weights.sum()
    mean = points @ share
    if np.ptp(share) < 1e-12 * share[0]:
        # Whose share it is does not matter then, and sorting alone is quick.
        ranked, of_rank = np.sort(points, axis=1), share[None, :]
    else:
        order = np.argsort(points, axis=1)
        ranked, of_rank = np.take_along_axis(points, order, axis=1), share[order]
    before = np.cumsum(of_rank, axis=1) - of_rank
    taken = np.clip(LOW_QUARTER - before, 0.0, of_rank)
    lowest, highest = ranked[:, 0], ranked[:, -1]
    relative = np.abs(points - mean[:, None]) / mean[:, None]
    found = {
        "minimum": lowest,
        "maximum": highest,
        "min_to_mean": lowest / mean,
        "min_to_max": lowest / highest,
        "max_to_mean": highest / mean,
        "christiansen": 1 - relative @ share,
        "low_quarter": (taken * ranked).sum(axis=1) / taken.sum(axis=1) / mean,
        "share_within_10pct": (relative <= 0.10 + NEAR) @ share,
        "share_within_20pct": (relative <= 0.20 + NEAR) @ share,
    }
    if target is not None:
        found["share_above_target"] = (points >= target) @ share
    return found


def _mean_of_lowest(points: Floats, share: Floats, part: float) -> float:
    order = np.argsort(points, kind="stable")
    before = np.concatenate(([0.0], np.cumsum(share[order])[:-1]))
    taken = np.clip(part - before, 0.0, share[order])
    return float(taken @ points[order]) / float(taken.sum())
