"""The smooth light that a map would show without hot or cold spots.

Used by `analysis.hot_spots`. The background of a point is a local quadratic in log PPFD through
its neighbours, the point itself left out. A quadratic alone is not enough: under a source that
hangs 0.3 m above points 0.13 m apart, the peak of a perfectly smooth cos⁴ field stands 15 %
above the quadratic through its neighbours. So the local quadratic is laid through what is left
of log PPFD after a **trend** of the whole map is taken off, and the trend is put back:

- a bell, −m · log(1 + q) with q = (x − x₀)²/sₓ² + (y − y₀)²/s_y², which is exact for a point
  source of any cosine power at any height, and beside it a second bell 1.5 times as wide, for
  extended sources and for those that throw more light aside than down;
- low powers of x and y, for walls, tilts and sources beside the middle. They stop at the
  fourth power, so they cannot follow a feature two points wide.

**Suspects.** A hot facet spans several points, and the neighbours that share it would lift its
background. Every block of up to 3 × 3 points is therefore tried as a step of its own in the
trend; the one that explains most is set aside, and the search repeats while a block stands out.
Suspects count in no background, neither their own nor their neighbours'. Being a suspect is no
verdict: the threshold of `analysis.hot_spots` decides on suspects and others alike.

**Uncertainty of the fit.** All steps are linear in log PPFD (the bell about its optimum), so the
random part follows from the coefficients. Two systematic parts join it: what the excesses of
the points around scatter beyond their random part, for a field that the shape above cannot
follow; and a share of what the trend adds to the local quadratic, since a peak that the
neighbours do not show rests on the shape alone. That is why a facet right under a low lamp is
harder to tell from the lamp than one at the rim.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Booleans = NDArray[np.bool_]

LEAST_POINTS: Final = 20
"""Below this the trend would take up everything, spots included."""
FULL_TREND_POINTS: Final = 45
"""From here on the third and fourth powers join the trend."""
SIXTH_POWER_POINTS: Final = 70
"""From here on the sixth powers do, for mirror-like walls with points right beside them."""
NEIGHBOURS: Final = 24
"""Points in a local fit: a 5 × 5 square without its middle, one-sided at edges."""
LARGEST_BLOCK: Final = 3
"""Points along the side of a block; a facet two steps wide can take in three points."""
SUSPECT_SIGMAS: Final = 5.0
MISFIT_WEIGHT: Final = 4.0
"""A block stands out by 5 standard deviations of the noise, but where the trend fits the rest of
the map worse than that it takes twice as many of the misfit, which is no chance scatter."""
SUSPECT_STEP: Final = 0.025
"""Least step of a block that is set aside; half of the least excess that is ever reported."""
LEAST_ROOM: Final = 0.1
"""Share of a step that the trend cannot follow; a block with less could hide in it anyway."""
MOST_SUSPECTS: Final = 0.125
"""Share of the points that may be set aside."""
LEAST_INDEPENDENCE: Final = 0.15
"""A point whose own reading makes up more than 1 minus this of its trend is not judged."""
MAD_TO_SIGMA: Final = 1.482602218506
BELL_STARTS: Final = (0.5, 1.0)
BELL_LOW: Final = np.array([-1.4, -1.4, np.log(0.36), np.log(0.36)])
BELL_HIGH: Final = np.array([1.4, 1.4, np.log(5.0), np.log(5.0)])
"""Middle of the bell and logs of its widths: starts and range, in halves of the map's extent."""
RATIOS: Final = np.array([1.0, 1.5])
"""Widths of the bells as multiples of the first."""
LEAST_DEPTH: Final = 1.0
"""Least m of both bells together. Direct light of a cosⁿ source has (n + 3) / 2, light sent back
by walls makes it shallower; a narrow bell of less depth would be a facet."""
BELL_STEPS: Final = 25
DISTRUST: Final = 0.1
DISTRUST_OF_SMALL: Final = 0.25
"""Share of what the trend adds to the quadratic that is taken as its uncertainty; maps of few
points cannot tell whether the shape holds."""
DISTRUST_OF_SHIFT: Final = 0.35
"""The same of what a change of the bell does, once suspects no longer count in it."""


@frozen(kw_only=True, eq=False)
class Background:
    """What each point would read without a spot of its own; NaN where it cannot be said.

    Attributes
    ----------
    log_excess : array, shape (n,)
        log of reading over background.
    log_sd : array, shape (n,)
        Standard uncertainty of that, from the readings, their places and the fit.
    is_suspect : array of bool, shape (n,)
        Points that count in no background.
    """

    log_excess: Floats
    log_sd: Floats
    is_suspect: Booleans


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
    trend_of = _Trend(X, Y, log_ppfd)
    blocks = _blocks(places)
    bell = trend_of.first_bell(1 / repeatability**2)
    _, _, slope = trend_of.at(bell, 1 / repeatability**2)
    sd = np.hypot(repeatability, position * np.hypot(*slope))
    first_bell = bell
    bell, keep = _set_suspects_aside(trend_of, bell, sd, blocks)
    trend, hat, slope = trend_of.at(bell, keep / sd**2)
    moved = trend - trend_of.at(first_bell, keep / sd**2)[0]

    order = _neighbour_order(places)
    left_out, local_slope = _leave_one_out(X, Y, order, keep, sd)
    slope = slope + local_slope @ (log_ppfd - trend)
    sd = np.hypot(repeatability, position * np.hypot(*slope))
    identity = np.eye(len(x))
    operator = (identity - left_out) @ (identity - hat)
    own = np.diagonal(operator).copy()
    own[own < LEAST_INDEPENDENCE] = np.nan
    excess = (identity - left_out) @ (log_ppfd - trend) / own
    random = (operator / own[:, None]) ** 2 @ sd**2
    misfit = _misfit(excess, random, order, keep)
    # What the trend adds to the quadratic rests on its shape, which is trusted to a share only;
    # and so does what setting suspects aside did to that shape.
    bent = trend_of.distrust * ((identity - left_out) @ trend)
    shifted = DISTRUST_OF_SHIFT * ((identity - left_out) @ moved)
    systematic = misfit + bent**2 + shifted**2
    return Background(log_excess=excess, log_sd=np.sqrt(random + systematic), is_suspect=~keep)


class _Trend:
    """The trend of one map: powers of x and y, and a bell whose middle and widths are searched."""

    def __init__(self, X: Floats, Y: Floats, Z: Floats) -> None:
        self.X, self.Y, self.Z = X, Y, Z
        full = len(X) >= FULL_TREND_POINTS
        self.ratios = RATIOS if full else RATIOS[:1]
        self.least_depth = LEAST_DEPTH if full else -np.inf
        self.distrust = DISTRUST if full else DISTRUST_OF_SMALL
        self.powers, self.powers_x, self.powers_y = _powers(X, Y, _order(len(X)))

    def first_bell(self, weight: Floats) -> Floats:
        """Search from a narrow and from a wide bell in the middle; shape (4,)."""
        fits = [
            self.fit_bell(np.array([0.0, 0.0, np.log(wide), np.log(wide)]), weight)
            for wide in BELL_STARTS
        ]
        return min(fits, key=lambda fit: fit[0])[1]

    def fit_bell(self, start: Floats, weight: Floats) -> tuple[float, Floats]:
        """Find middle and widths by damped Gauss-Newton steps, the linear part solved anew.

        Returns the weighted sum of squares and the bell, shape (4,).
        """
        root, basis, target = self._beside_powers(weight)

        def solve(bell: Floats) -> tuple[float, Floats, Floats]:
            value, by_number, _, _ = _bell(self.X, self.Y, bell, self.ratios)
            own = value * root[:, None]
            own = own - basis @ (basis.T @ own)
            depth = self._depth(own, target)
            rest = target - own @ depth
            lean = (by_number @ depth).T * root[:, None]
            lean = lean - basis @ (basis.T @ lean)
            free = own[:, 1:] if depth[0] == -self.least_depth else own
            lean = lean - free @ np.linalg.lstsq(free, lean, rcond=1e-8)[0]
            return float(rest @ rest), rest, lean

        bell, damping = start, 1e-2
        cost, rest, lean = solve(bell)
        for _ in range(BELL_STEPS):
            normal = lean.T @ lean
            stiff = np.diag(normal) + 1e-9 * np.trace(normal) + 1e-12
            step = np.linalg.solve(normal + damping * np.diag(stiff), lean.T @ rest)
            trial = np.clip(bell + np.clip(step, -0.4, 0.4), BELL_LOW, BELL_HIGH)
            moved = float(np.abs(trial - bell).max())
            if moved < 1e-4:
                break
            trial_cost, trial_rest, trial_lean = solve(trial)
            if trial_cost <= cost:
                gained = cost - trial_cost
                bell, cost, rest, lean = trial, trial_cost, trial_rest, trial_lean
                damping /= 4
                if gained <= 1e-4 * cost:
                    break
            else:
                damping *= 6
        return cost, bell

    def _beside_powers(self, weight: Floats) -> tuple[Floats, Floats, Floats]:
        """Roots of the weights, a basis of the weighted powers, the map less its part in them."""
        root = np.sqrt(weight)
        left, size, _ = np.linalg.svd(self.powers * root[:, None], full_matrices=False)
        basis = left[:, size > 1e-9 * size[0]]  # few rows or columns hold few powers
        target = self.Z * root
        return root, basis, target - basis @ (basis.T @ target)

    def _depth(self, own: Floats, target: Floats) -> Floats:
        """Depths of the bells by least squares, in all no shallower than a real one."""
        depth = np.linalg.lstsq(own, target, rcond=1e-8)[0]
        if depth[0] > -self.least_depth:
            depth[0] = -self.least_depth
            rest = target - own[:, 0] * depth[0]
            depth[1:] = np.linalg.lstsq(own[:, 1:], rest, rcond=1e-8)[0]
        return depth

    def at(self, bell: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
        """Trend (n,), the matrix (n, n) that makes it from the readings, its slopes (2, n)."""
        value, by_number, bell_x, bell_y = _bell(self.X, self.Y, bell, self.ratios)
        root, basis, target = self._beside_powers(weight)
        own = value * root[:, None]
        depth = self._depth(own - basis @ (basis.T @ own), target)
        powers = self.powers * root[:, None]
        rest = self.Z * root - own @ depth
        factors = np.append(np.linalg.lstsq(powers, rest, rcond=1e-10)[0], depth)
        columns = np.column_stack([self.powers, value])
        lean = np.column_stack([columns, (by_number @ depth).T])
        hat = lean @ np.linalg.pinv(lean * root[:, None], rcond=1e-7) * root
        slope_x = np.column_stack([self.powers_x, bell_x]) @ factors
        slope_y = np.column_stack([self.powers_y, bell_y]) @ factors
        return columns @ factors, hat, np.stack([slope_x, slope_y])


def _neighbour_order(places: Floats) -> NDArray[np.int64]:
    """Order all other points by distance from each: shape (n, n − 1), squares before corners."""
    step = np.abs(places[:, None, :] - places[None, :, :])
    distance = step.max(axis=2) + 1e-3 * np.hypot(step[..., 0], step[..., 1])
    np.fill_diagonal(distance, -1.0)
    return np.argsort(distance, axis=1, kind="stable")[:, 1:]


def _blocks(places: Floats) -> Floats:
    """Every block of up to `LARGEST_BLOCK` points along each side: shape (n, m), ones in it."""
    ahead = np.rint(places[None, :, :] - places[:, None, :])
    within = [(ahead >= 0) & (ahead < side) for side in range(1, LARGEST_BLOCK + 1)]
    blocks = np.stack([over[..., 0] & down[..., 1] for over in within for down in within])
    return blocks.reshape(-1, len(places)).T.astype(float)


def _order(points: int) -> int:
    """Highest power in the trend of a map of so many points."""
    if points >= SIXTH_POWER_POINTS:
        return 6
    return 4 if points >= FULL_TREND_POINTS else 2


def _powers(X: Floats, Y: Floats, order: int) -> tuple[Floats, Floats, Floats]:
    """Columns of the polynomial part, and their slopes along x and along y."""
    one, nil = np.ones_like(X), np.zeros_like(X)
    value = [one, X, Y, X * X, X * Y, Y * Y]
    along_x = [nil, one, nil, 2 * X, Y, nil]
    along_y = [nil, nil, one, nil, X, 2 * Y]
    if order >= 4:
        value += [X**3, Y**3, X**4, Y**4, (X * Y) ** 2]
        along_x += [3 * X**2, nil, 4 * X**3, nil, 2 * X * Y**2]
        along_y += [nil, 3 * Y**2, nil, 4 * Y**3, 2 * X**2 * Y]
    if order >= 6:
        value += [X**6, Y**6]
        along_x += [6 * X**5, nil]
        along_y += [nil, 6 * Y**5]
    return np.column_stack(value), np.column_stack(along_x), np.column_stack(along_y)


def _bell(
    X: Floats, Y: Floats, bell: Floats, ratios: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """The bell log(1 + q), and for each ratio what a wider bell on the same middle takes off it.

    Returns the columns (n, k), their derivatives by the four numbers of the bell (4, n, k), and
    their slopes along x and y (n, k).
    """
    wide_x, wide_y = np.exp(bell[2:])
    u, v = ((X - bell[0]) / wide_x)[:, None], ((Y - bell[1]) / wide_y)[:, None]
    over = 2 / (ratios**2 + u * u + v * v)
    value = np.log1p((u * u + v * v) / ratios**2)
    by_number = np.stack([-u * over / wide_x, -v * over / wide_y, -u * u * over, -v * v * over])
    along_x, along_y = u * over / wide_x, v * over / wide_y
    for part in (value, by_number, along_x, along_y):
        part[..., 1:] = part[..., :1] - part[..., 1:]
    return value, by_number, along_x, along_y


def _set_suspects_aside(
    trend_of: _Trend, bell: Floats, sd: Floats, blocks: Floats
) -> tuple[Floats, Booleans]:
    """Find the blocks of points that stand out from the trend; return bell and what is kept."""
    keep = np.ones(len(sd), dtype=bool)
    while True:
        weight = keep / sd**2
        trend, hat, _ = trend_of.at(bell, weight)
        rest = trend_of.Z - trend
        # A step d beside the trend H has the size d'Wr / d'W(1 - H)d.
        steps = blocks * keep[:, None]
        weighted = steps * weight[:, None]
        room = (weighted * (steps - hat @ steps)).sum(axis=0)
        possible = room > LEAST_ROOM * weighted.sum(axis=0)
        pull = rest @ weighted
        size = np.divide(pull, room, out=np.zeros_like(pull), where=possible)
        drop = size**2 * np.maximum(room, 0.0)
        free = max(1.0, keep.sum() - np.trace(hat))
        remains = np.maximum(weight @ rest**2 - drop, 0.0) / free
        sigmas = np.sqrt(drop / (1 + MISFIT_WEIGHT * np.maximum(remains - 1, 0.0)))
        sigmas[np.abs(size) < SUSPECT_STEP] = 0.0
        best = int(np.argmax(sigmas))
        left = keep & (blocks[:, best] == 0)
        if sigmas[best] < SUSPECT_SIGMAS or (~left).mean() > MOST_SUSPECTS:
            return bell, keep
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


def _misfit(excess: Floats, random: Floats, order: NDArray[np.int64], keep: Booleans) -> Floats:
    """Variance of the excess that the random part does not explain.

    The larger of two: the mean square over the whole map, and a robust one of the points around.
    """
    sound = keep & np.isfinite(excess)
    if not sound.any():
        return np.full(len(excess), np.nan)
    whole = (excess[sound] ** 2 - random[sound]).mean()
    beyond = np.where(sound, (MAD_TO_SIGMA * excess) ** 2 - random, np.nan)
    around = beyond[order[:, :NEIGHBOURS]]
    around[np.isnan(around).all(axis=1)] = whole
    return np.maximum(np.maximum(np.nanmedian(around, axis=1), whole), 0.0)
