"""The trend of a whole map: a bell under the lamp, and low powers of x and y.

In log PPFD, and fitted by weighted least squares:

- a bell, −m · log(1 + q) with q = (x − x₀)²/sₓ² + (y − y₀)²/s_y², which is exact for a point
  source of any cosine power at any height, and beside it a second bell 1.5 times as wide, for
  extended sources and for those that throw more light aside than down;
- low powers of x and y, for walls, tilts and sources beside the middle. Those beyond the second
  are powers of one coordinate alone, so they follow a wall but no feature two points wide.

Coordinates are in halves of the map's extent, 0 in its middle.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

FULL_TREND_POINTS: Final = 45
"""From here on the third and fourth powers join the trend."""
SIXTH_POWER_POINTS: Final = 70
"""From here on the sixth powers do, for mirror-like walls with points right beside them."""
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


@frozen(kw_only=True, eq=False)
class TrendFit:
    """A trend that was fitted.

    Attributes
    ----------
    value : array, shape (n,)
        The trend at each point.
    slope : array, shape (2, n)
        Its slopes along x and y.
    columns, factors : array, shape (n, p) and (p, n)
        Their product makes the value from readings that differ little from those fitted.
    """

    value: Floats
    slope: Floats
    columns: Floats
    factors: Floats


class Trend:
    """The trend of one map: powers of x and y, and a bell whose middle and widths are searched."""

    def __init__(self, X: Floats, Y: Floats, Z: Floats) -> None:
        self.X, self.Y, self.Z = X, Y, Z
        full = len(X) >= FULL_TREND_POINTS
        self.ratios = RATIOS if full else RATIOS[:1]
        self.least_depth = LEAST_DEPTH if full else -np.inf
        self.distrust = DISTRUST if full else DISTRUST_OF_SMALL
        self.powers, self.powers_x, self.powers_y = _powers(X, Y, _order(len(X)))
        self._latest: tuple[Floats, tuple[Floats, Floats, Floats]] | None = None

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
        # Asked again and again for the same weights.
        if self._latest is None or not np.array_equal(self._latest[0], weight):
            self._latest = weight, self._find_beside_powers(weight)
        return self._latest[1]

    def _find_beside_powers(self, weight: Floats) -> tuple[Floats, Floats, Floats]:
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

    def at(self, bell: Floats, weight: Floats) -> TrendFit:
        """Solve the linear part for this bell and these weights."""
        value, by_number, bell_x, bell_y = _bell(self.X, self.Y, bell, self.ratios)
        root, basis, target = self._beside_powers(weight)
        own = value * root[:, None]
        depth = self._depth(own - basis @ (basis.T @ own), target)
        powers = self.powers * root[:, None]
        rest = self.Z * root - own @ depth
        factors = np.append(np.linalg.lstsq(powers, rest, rcond=1e-10)[0], depth)
        columns = np.column_stack([self.powers, value])
        lean = np.column_stack([columns, (by_number @ depth).T])
        slope_x = np.column_stack([self.powers_x, bell_x]) @ factors
        slope_y = np.column_stack([self.powers_y, bell_y]) @ factors
        return TrendFit(
            value=columns @ factors,
            slope=np.stack([slope_x, slope_y]),
            columns=lean,
            factors=np.linalg.pinv(lean * root[:, None], rcond=1e-7) * root,
        )


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
