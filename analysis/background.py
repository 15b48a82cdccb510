"""The smooth light that a map would show without hot or cold spots.

Used by `analysis.hot_spots`. The background of a point is a local quadratic in log PPFD through
its neighbours, the point itself left out. A quadratic alone is not enough: under a source that
hangs 0.3 m above points 0.13 m apart, the peak of a perfectly smooth cos⁴ field stands 15 %
above the quadratic through its neighbours. So the local quadratic is laid through what is left
of log PPFD after a **trend** of the whole map is taken off (`analysis.light_trend`), and the
trend is put back.

**Suspects.** A hot facet spans several points, and the neighbours that share it would lift its
background. Every block of up to 2 × 2 points is therefore tried as a step of its own in the
trend; the one that explains most is set aside, and the search repeats while a block stands out.
Suspects count in no background, neither their own nor their neighbours'. Being a suspect is no
verdict: the threshold of `analysis.hot_spots` decides on suspects and others alike.

**Uncertainty of the fit.** All steps are linear in log PPFD (the bell about its optimum), so the
random part follows from the coefficients. Systematic parts join it: what the excesses of the map
scatter beyond their random part, for a field that the shape above cannot follow; a share of what
the trend adds to the local quadratic, since a peak that the neighbours do not show rests on the
shape alone; and a share of what setting suspects aside did to the bell. That is why a facet right
under a low lamp is harder to tell from the lamp than one at the rim, and a facet whose border
falls between points harder than one that covers them.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.light_trend import Trend, TrendFit

Floats = NDArray[np.floating[Any]]
Booleans = NDArray[np.bool_]

LEAST_POINTS: Final = 20
"""Below this the trend would take up everything, spots included."""
NEIGHBOURS: Final = 24
"""Points in a local fit: a 5 × 5 square without its middle, one-sided at edges."""
LARGEST_BLOCK: Final = 2
"""Points along the side of a block. A larger feature is set aside piece by piece; larger blocks
could take the top of a low lamp's bell for a step."""
SUSPECT_SIGMAS: Final = 5.0
MISFIT_WEIGHT: Final = 2.0
"""A block stands out by 5 standard deviations of the noise. Where the trend fits the rest of the
map worse than that, it takes √2 times as many of the misfit, which is no chance scatter."""
SUSPECT_STEP: Final = 0.025
"""Least step of a block that is set aside; half of the least excess that is ever reported."""
LEAST_ROOM: Final = 0.1
"""Share of a step that the trend cannot follow; a block with less could hide in it anyway."""
MOST_SUSPECTS: Final = 0.125
"""Share of the points that may be set aside."""
LEAST_INDEPENDENCE: Final = 0.15
"""A point whose own reading makes up more than 1 minus this of its trend is not judged."""
MAD_TO_SIGMA: Final = 1.482602218506
DISTRUST_OF_SHIFT: Final = 0.35
"""Share of what the bell does to the background when suspects no longer count in it."""


@frozen(kw_only=True, eq=False)
class Background:
    """What each point would read without a spot of its own; NaN where it cannot be said.

    Attributes
    ----------
    log_excess : array, shape (n,)
        log of reading over background.
    log_sd : array, shape (n,)
        Standard uncertainty of that, from the readings, their places and the fit.
    """

    log_excess: Floats
    log_sd: Floats


def smooth_background(
    x: Floats,
    y: Floats,
    places: Floats,
    log_ppfd: Floats,
    *,
    repeatability: Floats,
    position_sd: float,
) -> Background:
    """Estimate the background of every point, and how well it is known.

    Parameters
    ----------
    x, y : array, shape (n,)
        Places of the measured points; any unit of length.
    places : array, shape (n, 2)
        The same in steps of the grid, from which neighbours and blocks are told.
    log_ppfd : array, shape (n,)
        Natural log of PPFD; no NaN.
    repeatability : array, shape (n,)
        Relative standard deviation of each reading.
    position_sd : float
        Standard deviation of a place along each axis, in the unit of `x`.
    """
    half = max(np.ptp(x), np.ptp(y)) / 2
    X, Y = (x - (x.min() + x.max()) / 2) / half, (y - (y.min() + y.max()) / 2) / half
    position = position_sd / half
    trend_of = Trend(X, Y, log_ppfd)
    blocks = _blocks(places)
    bell = trend_of.first_bell(1 / repeatability**2)
    slope = trend_of.at(bell, 1 / repeatability**2).slope
    sd = np.hypot(repeatability, position * np.hypot(*slope))
    # The level top of the bell is the best known place, and would otherwise bind it to itself.
    sd = np.maximum(sd, np.median(sd))
    first_bell = bell
    trend, keep = _set_suspects_aside(trend_of, bell, sd, blocks)
    rest = log_ppfd - trend.value
    shift = trend.value - trend_of.at(first_bell, keep / sd**2).value

    order = _neighbour_order(places)
    left_out, local_slope = _leave_one_out(X, Y, order, keep, sd)
    sd = np.hypot(repeatability, position * np.hypot(*(trend.slope + local_slope @ rest)))
    departure = np.eye(len(x)) - left_out
    operator = departure - (departure @ trend.columns) @ trend.factors
    own = np.diagonal(operator).copy()
    own[own < LEAST_INDEPENDENCE] = np.nan
    excess = departure @ rest / own
    shares = (operator / own[:, None]) ** 2
    random = shares @ sd**2
    # A misfit is carried into the backgrounds as if it were further noise of the readings.
    spread = shares.sum(axis=1)
    misfit = spread * _misfit(excess, random, spread, order, keep)
    # What the trend adds to the quadratic rests on its shape, which is trusted to a share only;
    # and so does what setting suspects aside did to that shape.
    bent = trend_of.distrust * (departure @ trend.value)
    shifted = DISTRUST_OF_SHIFT * (departure @ shift)
    systematic = misfit + bent**2 + shifted**2
    return Background(log_excess=excess, log_sd=np.sqrt(random + systematic))


def _neighbour_order(places: Floats) -> NDArray[np.int64]:
    """Order all other points by distance from each: shape (n, n − 1), squares before corners."""
    step = np.abs(places[:, None, :] - places[None, :, :])
    distance = step.max(axis=2) + 1e-3 * np.hypot(step[..., 0], step[..., 1])
    np.fill_diagonal(distance, -1.0)
    return np.argsort(distance, axis=1, kind="stable")[:, 1:]


def _blocks(places: Floats) -> NDArray[np.int64]:
    """Every block of up to `LARGEST_BLOCK` points along each side.

    Shape (m, k): indices of the points of each block, filled up with n, one beyond the last.
    """
    ahead = np.rint(places[None, :, :] - places[:, None, :])
    within = [(ahead >= 0) & (ahead < side) for side in range(1, LARGEST_BLOCK + 1)]
    inside = np.stack([over[..., 0] & down[..., 1] for over in within for down in within])
    inside = inside.reshape(-1, len(places))
    most = int(inside.sum(axis=1).max())
    first = np.argsort(~inside, axis=1, kind="stable")[:, :most]
    return np.where(np.take_along_axis(inside, first, axis=1), first, len(places))


def _sums(values: Floats, blocks: NDArray[np.int64]) -> Floats:
    """Add up values (…, n) over the points of each block: shape (…, m)."""
    padded = np.concatenate([values, np.zeros((*values.shape[:-1], 1))], axis=-1)
    return padded[..., blocks].sum(axis=-1)


def _set_suspects_aside(
    trend_of: Trend, bell: Floats, sd: Floats, blocks: NDArray[np.int64]
) -> tuple[TrendFit, Booleans]:
    """Find the blocks of points that stand out; return the trend without them, and what is kept."""
    keep = np.ones(len(sd), dtype=bool)
    while True:
        weight = keep / sd**2
        trend = trend_of.at(bell, weight)
        rest = trend_of.Z - trend.value
        # A step d beside the trend H has the size d'Wr / d'W(1 - H)d.
        whole = _sums(weight, blocks)
        followed = _sums(trend.columns.T * weight, blocks) * _sums(trend.factors, blocks)
        room = whole - followed.sum(axis=0)
        pull = _sums(weight * rest, blocks)
        size = np.divide(pull, room, out=np.zeros_like(pull), where=room > LEAST_ROOM * whole)
        drop = size**2 * np.maximum(room, 0.0)
        free = max(1.0, keep.sum() - float((trend.columns * trend.factors.T).sum()))
        remains = np.maximum(weight @ rest**2 - drop, 0.0) / free
        sigmas = np.sqrt(drop / (1 + MISFIT_WEIGHT * np.maximum(remains - 1, 0.0)))
        sigmas[np.abs(size) < SUSPECT_STEP] = 0.0
        best = int(np.argmax(sigmas))
        left = np.append(keep, False)
        left[blocks[best]] = False
        left = left[:-1]
        if sigmas[best] < SUSPECT_SIGMAS or (~left).mean() > MOST_SUSPECTS:
            return trend, keep
        keep = left
        bell = trend_of.fit_bell(bell, keep / sd**2)[1]


def _leave_one_out(
    X: Floats, Y: Floats, order: NDArray[np.int64], keep: Booleans, sd: Floats
) -> tuple[Floats, Floats]:
    """Local quadratics: the matrix of the value at each point, and of its slopes (2, n, n)."""
    n = len(X)
    count = min(NEIGHBOURS, int(keep.sum()) - 1)
    ranked = keep[order]
    first = np.argsort(~ranked, axis=1, kind="stable")[:, :count]
    near = np.take_along_axis(order, first, axis=1)
    dx, dy = X[near] - X[:, None], Y[near] - Y[:, None]
    reach = np.maximum(np.abs(dx), np.abs(dy)).max(axis=1)[:, None]
    dx, dy = dx / reach, dy / reach
    root = 1 / sd[near]
    columns = np.stack([np.ones_like(dx), dx, dy, dx * dx, dx * dy, dy * dy], axis=2)
    left, size, right = np.linalg.svd(columns * root[..., None], full_matrices=False)
    # Neighbours on too few lines hold no quadratic: the point is not judged.
    poor = size[:, -1] < 1e-6 * size[:, 0]
    inverse = np.swapaxes(right, 1, 2) / np.where(poor[:, None], np.inf, size)[:, None, :]
    inverse = inverse @ np.swapaxes(left, 1, 2) * root[:, None, :]
    value, slope = np.zeros((n, n)), np.zeros((2, n, n))
    rows = np.arange(n)[:, None]
    value[rows, near] = inverse[:, 0]
    value[poor] = np.nan
    slope[0][rows, near] = inverse[:, 1] / reach
    slope[1][rows, near] = inverse[:, 2] / reach
    return value, slope


def _misfit(
    excess: Floats, random: Floats, spread: Floats, order: NDArray[np.int64], keep: Booleans
) -> Floats:
    """Variance of readings that would explain what the excesses scatter beyond their random part.

    The larger of two: from the mean square over the whole map, and robustly from the points
    around.
    """
    sound = keep & np.isfinite(excess)
    if not sound.any():
        return np.full(len(excess), np.nan)
    whole = ((excess[sound] ** 2 - random[sound]) / spread[sound]).mean()
    beyond = np.where(sound, ((MAD_TO_SIGMA * excess) ** 2 - random) / spread, np.nan)
    around = np.sort(beyond[order[:, :NEIGHBOURS]], axis=1)  # NaN comes last
    count = np.isfinite(around).sum(axis=1)
    middle = np.maximum(count - 1, 0)
    rows = np.arange(len(excess))
    median = (around[rows, middle // 2] + around[rows, (middle + 1) // 2]) / 2
    return np.maximum(np.fmax(median, whole), 0.0)
