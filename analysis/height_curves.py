"""The light against mounting height, with what is not known of it: arrays in, curves out.

Between measured planes each cell is interpolated by itself, the logarithm of its PPFD against the
logarithm of the height, by a piecewise cubic that keeps the shape of the data (Fritsch and
Carlson: no bump and no dip that is not in them). The logarithms are taken because light far from
a source falls as a power of the distance, which is then a straight line and comes out exactly;
because an interpolated PPFD can never be negative; and because the errors of light are relative.
Nothing is said beyond the lowest and the highest plane.

What interpolation can miss is a term of its own. Between two planes at ln heights s₁ and s₂ a
field of curvature c strays from a straight line by c (s − s₁)(s₂ − s) / 2. Under a Lambertian
point source the curvature of ln E against ln h is −8 h² r² / (h² + r²)², between 0 right below
and −2 where r = h; light that walls send back bends it the other way, by at most 1. So with two
planes the curvature is taken as unknown within ± 2. With three or more it is measured: each inner
plane is left out in turn and foretold from the others, and the largest miss (that of 95 % of the
cells) gives the curvature. It acts on all cells together and, by half as much, against each other
from the darkest to the brightest cell, for the corners bend unlike the cells below the lamp.

References
----------
.. [1] F. N. Fritsch and R. E. Carlson, Monotone Piecewise Cubic Interpolation, SIAM J. Numer.
   Anal. 17 (1980) 238 (from memory); scipy.interpolate.PchipInterpolator.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from analysis.grid import Grid
from analysis.peak_between import neighbours, peak_between

Floats = NDArray[np.floating[Any]]

DECLARED_CURVATURE: Final = 2.0
"""Of ln PPFD against ln height, ±, while it is not measured; derived above."""
STEPS: Final = 40
"""Heights at which the curves are worked out, besides the planes."""
FAINTEST: Final = 1e-3
"""Cells darker than this share of the brightest of their plane are held there: no logarithm."""
CHUNK: Final = 256
"""Draws at a time; sets the memory."""


@frozen(kw_only=True, eq=False)
class Plane:
    """What is known of the light at one measured height.

    Attributes
    ----------
    mounting_height_mm : float
        [mm]
    ppfd : array, shape (n,)
        Complete. [µmol m⁻² s⁻¹]
    ppfd_draws : array, shape (d, n)
        As it may be in truth. Draws of one number belong together in all planes.
        [µmol m⁻² s⁻¹]
    flux_draws : array, shape (d,)
        Delivered flux of the same draws, what lies between the cells included. [µmol s⁻¹]
    plane_efficacy_umol_j : float or None
        [µmol J⁻¹]
    efficacy_draws : array, shape (d,), or None
        [µmol J⁻¹]
    """

    mounting_height_mm: float
    ppfd: Floats
    ppfd_draws: Floats
    flux_draws: Floats
    plane_efficacy_umol_j: float | None
    efficacy_draws: Floats | None


@frozen(kw_only=True, eq=False)
class Curve:
    """One quantity against height.

    Attributes
    ----------
    value : array, shape (m,)
        From the maps as they are; peak and min/mean freed of what the noise of the points adds.
    draws : array, shape (d, m)
        As it may be in truth.
    """

    value: Floats
    draws: Floats

    def quantile(self, probability: float) -> Floats:
        """Quantile of the draws at each height, shape (m,); between two of them a straight line."""
        place = probability * (len(self.draws) - 1)
        below = int(place)
        low, high = self._ranked[:, below], self._ranked[:, min(below + 1, len(self.draws) - 1)]
        return np.asarray(low + (high - low) * (place - below))

    @cached_property
    def _ranked(self) -> Floats:
        """The draws at each height in rising order, shape (m, d): put in order once for all."""
        return np.sort(self.draws.T, axis=1)


@frozen(kw_only=True, eq=False)
class Curves:
    """All quantities against height, from the lowest to the highest plane.

    Attributes
    ----------
    heights_mm : array, shape (m,)
        Rising; every plane is among them. [mm]
    planes_mm : array, shape (k,)
        Heights that were measured. [mm]
    flux, mean, peak, min_to_mean : Curve
        Delivered flux [µmol s⁻¹], mean and peak PPFD [µmol m⁻² s⁻¹], minimum-to-mean [1]. The
        peak counts what may lie between the points.
    efficacy : Curve or None
        Plane efficacy. [µmol J⁻¹]
    ppfd : array, shape (m, n)
        The cells as interpolated. [µmol m⁻² s⁻¹]
    peak_missed : tuple of array, each shape (m,)
        Least and most that the grid misses of the peak, over its highest cell. [fraction]
    knows_between : bool
        Whether the points form rows and columns, so that the peak between them is known of.
    curvature : float
        What is allowed for between planes, ±. [1]
    curvature_is_declared : bool
        Whether that is declared, for want of a third plane.
    """

    heights_mm: Floats
    planes_mm: Floats
    flux: Curve
    mean: Curve
    peak: Curve
    min_to_mean: Curve
    efficacy: Curve | None
    ppfd: Floats
    peak_missed: tuple[Floats, Floats]
    knows_between: bool
    curvature: float
    curvature_is_declared: bool


def height_curves(grid: Grid, planes: Sequence[Plane], *, seed: int) -> Curves:
    """Interpolate between planes and carry the draws along.

    Parameters
    ----------
    grid : Grid
        Of all planes.
    planes : sequence of Plane
        One or more, by rising height, of equally many draws. A single plane gives its own values.
    seed : int
        For what interpolation and the grid leave open.

    Raises
    ------
    ValueError
        No plane, or heights that do not rise.
    """
    planes_mm = np.array([plane.mounting_height_mm for plane in planes])
    if len(planes) == 0 or not (planes_mm > 0).all() or not (np.diff(planes_mm) > 0).all():
        raise ValueError(f"heights of the planes are {planes_mm.tolist()}; they must rise")
    heights_mm = np.unique(
        np.concatenate([planes_mm, np.linspace(planes_mm[0], planes_mm[-1], STEPS + 1)])
    )
    ln_planes, ln_heights = np.log(planes_mm), np.log(heights_mm)
    central = np.stack([_logarithm(plane.ppfd) for plane in planes])
    curvature, is_declared = _curvature(ln_planes, central)
    strays = _Strays.of(ln_planes, ln_heights, central, curvature)
    beside = neighbours(grid)
    share = grid.weights_m2 / grid.area_m2
    counted = share > 0

    ln_ppfd = interpolate(ln_planes, central, ln_heights)
    least, most, _ = peak_between(beside, ln_ppfd)
    ppfd = np.exp(ln_ppfd)
    mean = ppfd @ share
    of_points = ppfd.max(axis=-1)
    lit = np.stack([plane.ppfd @ share for plane in planes])
    per_joule = [plane.plane_efficacy_umol_j for plane in planes]
    drawn_efficacy = [one.efficacy_draws for one in planes if one.efficacy_draws is not None]

    random = np.random.Generator(np.random.SFC64(seed))
    draws = len(planes[0].flux_draws)
    size = (draws, len(heights_mm))
    means, peaks, floors = (np.empty(size) for _ in range(3))
    for start in range(0, draws, CHUNK):
        part = slice(start, min(start + CHUNK, draws))
        cells = np.stack([_logarithm(plane.ppfd_draws[part]) for plane in planes])
        drawn = interpolate(ln_planes, cells, ln_heights)
        strays.add_to(drawn, random)
        low, high, _ = peak_between(beside, drawn)
        peaks[part] = np.exp(low + random.random(low.shape[1]) * (high - low)).T
        np.exp(drawn, out=drawn)
        means[part] = (drawn @ share).T
        floors[part] = drawn[..., counted].min(axis=-1).T
    lit_draws = np.stack([plane.ppfd_draws @ share for plane in planes], axis=1)
    flux_draws = np.stack([plane.flux_draws for plane in planes], axis=1)
    # What no cell shows, such as the light between them, goes along with the sum over the cells.
    means_and_rest = means * _between(ln_planes, flux_draws / lit_draws, ln_heights)
    efficacy = None
    if len(drawn_efficacy) == len(planes):
        ratio = np.array(per_joule, dtype=float) / lit
        efficacy = Curve(
            value=mean * _between(ln_planes, ratio[None], ln_heights)[0],
            draws=means
            * _between(ln_planes, np.stack(drawn_efficacy, axis=1) / lit_draws, ln_heights),
        )
    return Curves(
        heights_mm=heights_mm,
        planes_mm=planes_mm,
        flux=Curve(value=mean * grid.area_m2, draws=means_and_rest),
        mean=Curve(value=mean, draws=means_and_rest / grid.area_m2),
        peak=_turned(np.exp((least + most) / 2), peaks),
        min_to_mean=_turned(ppfd[:, counted].min(axis=-1) / mean, floors / means),
        efficacy=efficacy,
        ppfd=ppfd,
        peak_missed=(np.exp(least) / of_points - 1, np.exp(most) / of_points - 1),
        knows_between=beside is not None,
        curvature=curvature,
        curvature_is_declared=is_declared,
    )


def _turned(read: Floats, draws: Floats) -> Curve:
    """Turn what drawing does to an extreme of noisy cells round its read value.

    The lowest of many noisy cells reads low and the highest reads high; drawing noise once more
    does the same again, so value and draws are freed of it, as in `analysis.uncertainty`.
    """
    return Curve(value=2 * read - draws.mean(axis=0), draws=np.maximum(2 * read - draws, 0.0))


def interpolate(ln_planes: Floats, ln_ppfd: Floats, ln_heights: Floats) -> Floats:
    """Interpolate ln PPFD against ln height, each cell by itself.

    Parameters
    ----------
    ln_planes : array, shape (k,)
    ln_ppfd : array, shape (k, …)
    ln_heights : array, shape (m,)
        None of them beyond the planes.

    Returns
    -------
    array, shape (m, …)
        Exact at the planes.

    Raises
    ------
    ValueError
        A height lies beyond the planes.
    """
    nil = 1e-12
    if ln_heights.min() < ln_planes[0] - nil or ln_heights.max() > ln_planes[-1] + nil:
        raise ValueError("nothing is known beyond the lowest and the highest plane measured")
    if len(ln_planes) == 1:
        return np.repeat(ln_ppfd, len(ln_heights), axis=0)
    flat = PchipInterpolator(ln_planes, ln_ppfd.reshape(len(ln_planes), -1))
    found = flat(np.clip(ln_heights, ln_planes[0], ln_planes[-1]))
    return np.asarray(found).reshape(len(ln_heights), *ln_ppfd.shape[1:])


def allowance(curves: Curves, height_mm: float) -> float:
    """What is allowed for interpolation at a height, ±; 0 at the planes. [fraction]"""
    ln_planes, at = np.log(curves.planes_mm), np.log(height_mm)
    before, after = ln_planes[ln_planes <= at], ln_planes[ln_planes >= at]
    if len(before) == 0 or len(after) == 0:
        return 0.0
    return float(np.expm1(curves.curvature * (at - before[-1]) * (after[0] - at) / 2))


def _logarithm(ppfd: Floats) -> Floats:
    return np.log(np.maximum(ppfd, FAINTEST * ppfd.max(axis=-1, keepdims=True)))


def _between(ln_planes: Floats, values: Floats, ln_heights: Floats) -> Floats:
    """Straight lines between planes, for each draw: values (d, k) to (d, m)."""
    if len(ln_planes) == 1:
        return np.repeat(values, len(ln_heights), axis=1)
    gap = np.clip(np.searchsorted(ln_planes, ln_heights, side="right") - 1, 0, len(ln_planes) - 2)
    later = (ln_heights - ln_planes[gap]) / (ln_planes[gap + 1] - ln_planes[gap])
    return np.asarray(values[:, gap] * (1 - later) + values[:, gap + 1] * later)


def _curvature(ln_planes: Floats, central: Floats) -> tuple[float, bool]:
    """Curvature to allow for between planes, and whether it is declared."""
    found = []
    for out in range(1, len(ln_planes) - 1):
        kept = np.arange(len(ln_planes)) != out
        foretold = interpolate(ln_planes[kept], central[kept], ln_planes[out : out + 1])[0]
        before, after = ln_planes[out] - ln_planes[out - 1], ln_planes[out + 1] - ln_planes[out]
        miss = float(np.quantile(np.abs(central[out] - foretold), 0.95))
        found.append(2 * miss / float(before * after))
    if not found:
        return DECLARED_CURVATURE, True
    return max(found), False


@frozen(kw_only=True, eq=False)
class _Strays:
    """How the field may stray from its interpolation, gap by gap between planes.

    Attributes
    ----------
    gap : array of int, shape (m,)
        Between which planes each height lies.
    bow : array, shape (m,)
        Departure for the whole curvature; 0 at the planes. [1]
    contrast : array, shape (k − 1, n)
        From −1 for the darkest to 1 for the brightest cell of each gap.
    """

    gap: NDArray[np.int64]
    bow: Floats
    contrast: Floats

    @classmethod
    def of(
        cls, ln_planes: Floats, ln_heights: Floats, central: Floats, curvature: float
    ) -> _Strays:
        last = max(len(ln_planes) - 2, 0)
        gap = np.clip(np.searchsorted(ln_planes, ln_heights, side="right") - 1, 0, last)
        if len(ln_planes) == 1:
            return cls(gap=gap, bow=np.zeros(len(ln_heights)), contrast=np.zeros_like(central))
        bow = (ln_heights - ln_planes[gap]) * (ln_planes[gap + 1] - ln_heights) / 2
        middle = (central[:-1] + central[1:]) / 2
        low, high = middle.min(axis=1, keepdims=True), middle.max(axis=1, keepdims=True)
        span = np.where(high > low, high - low, np.inf)
        contrast = np.where(high > low, 2 * (middle - low) / span - 1, 0.0)
        return cls(gap=gap, bow=curvature * np.maximum(bow, 0.0), contrast=contrast)

    def add_to(self, drawn: Floats, random: np.random.Generator) -> None:
        """Add one draw of it to ln PPFD, shape (m, d, n), in place."""
        together, apart = random.uniform(-1.0, 1.0, (2, len(self.contrast), drawn.shape[1]))
        for at, (gap, bow) in enumerate(zip(self.gap, self.bow, strict=True)):
            if bow > 0:
                drawn[at] += bow * together[gap][:, None]
                drawn[at] += 0.5 * bow * apart[gap][:, None] * self.contrast[gap]
