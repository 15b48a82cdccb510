"""How much light arrives on the plane, and how much for each joule from the wall."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.floating[Any]]

SECONDS_PER_HOUR = 3600.0
UMOL_PER_MOL = 1e6


class IncompleteGridError(ValueError):
    """A total was asked of a grid with holes."""


def weighted_points(values: ArrayLike, weights_m2: ArrayLike) -> tuple[Floats, Floats]:
    """Check values and areas that are to be summed, and return them as arrays.

    Raises
    ------
    IncompleteGridError
        A value of a point with an area is NaN.
    ValueError
        Lengths differ, an area is negative or not a number, or all are 0.
    """
    points = np.asarray(values, dtype=float).ravel()
    weights = np.asarray(weights_m2, dtype=float).ravel()
    if points.shape != weights.shape:
        raise ValueError(f"{len(points)} values for {len(weights)} areas; give one for each point")
    if not (weights >= 0).all() or not weights.sum() > 0:
        raise ValueError("areas must be 0 or more for every point and above 0 in all")
    missing = int((np.isnan(points) & (weights > 0)).sum())
    if missing:
        raise IncompleteGridError(
            f"{missing} of {int((weights > 0).sum())} points have no value; a total over a grid "
            "with holes is not a total"
        )
    # A point of no area (an extra reading) may be empty without harm to a sum.
    return np.where(weights > 0, points, 0.0), weights


def delivered_flux(ppfd: ArrayLike, weights_m2: ArrayLike) -> float:
    """Photons that reach the measurement plane in a second: Σ area × PPFD.

    Incident light is counted, so light that walls and floor send back is in it and the sum
    can exceed what one pass delivers. It is not the flux of the lamp.

    Parameters
    ----------
    ppfd : array, shape (n,)
        PPFD of each point, dark reading subtracted. [µmol m⁻² s⁻¹]
    weights_m2 : array, shape (n,)
        Area that each point stands for. [m²]

    Returns
    -------
    float
        Delivered flux. [µmol s⁻¹]

    Raises
    ------
    IncompleteGridError
        If any point is NaN: a total over a grid with holes is not a total.
    """
    points, weights = weighted_points(ppfd, weights_m2)
    return float(weights @ points)


def plane_efficacy(ppfd: ArrayLike, weights_m2: ArrayLike, wall_power_w: ArrayLike) -> float:
    """Photons that reach the plane per joule from the wall: Σ area × PPFD ÷ wall power.

    Each point is divided by the wall power of its own moments, so a lamp whose light and
    power wander together gives the same answer as a steady one.

    Parameters
    ----------
    ppfd : array, shape (n,)
        PPFD of each point as read, dark reading subtracted. [µmol m⁻² s⁻¹]
    weights_m2 : array, shape (n,)
        Area that each point stands for. [m²]
    wall_power_w : array, shape (n,), or float
        Mean wall power over the reading windows of each point. [W]

    Returns
    -------
    float
        Plane efficacy. [µmol J⁻¹]

    Raises
    ------
    IncompleteGridError
        If any PPFD or wall power is NaN.
    ValueError
        A wall power that is not above 0.

    References
    ----------
    .. [1] ANSI/ASABE S640, quantities and units of optical radiation for plants (from
       memory). Photosynthetic photon efficacy there counts all light of a fixture; plane
       efficacy counts what lands on the plane, and is not comparable with it.
    """
    points, weights = weighted_points(ppfd, weights_m2)
    power = np.broadcast_to(np.asarray(wall_power_w, dtype=float), points.shape)
    read = weights > 0
    if np.isnan(power[read]).any():
        raise IncompleteGridError(
            f"{int(np.isnan(power[read]).sum())} of {int(read.sum())} points have no wall power "
            "of the same moments"
        )
    if not (power[read] > 0).all():
        raise ValueError(
            f"wall power must be above 0 W at every point, found {power[read].min():g}"
        )
    return float((weights[read] * points[read] / power[read]).sum())


def daily_light_integral(ppfd: float, photoperiod_h: float) -> float:
    """Photons on a square metre in one day.

    Parameters
    ----------
    ppfd : float
        Mean PPFD while the lamp is on. [µmol m⁻² s⁻¹]
    photoperiod_h : float
        Hours of light in a day, 0 to 24. [h]

    Returns
    -------
    float
        Daily light integral. [mol m⁻² d⁻¹]

    Raises
    ------
    ValueError
        A photoperiod outside 0 to 24 h.
    """
    if not 0 <= photoperiod_h <= 24 or math.isnan(photoperiod_h):
        raise ValueError(f"a photoperiod of {photoperiod_h!r} h; a day has 0 to 24")
    return ppfd * photoperiod_h * SECONDS_PER_HOUR / UMOL_PER_MOL
