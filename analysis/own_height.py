"""Each device at its own best height: what choosing the highest of several figures does.

The height at which a device read highest is chosen from figures that are not exact, and the highest
of several such figures tends to lie above what is true of it. So the choice is repeated inside the
Monte Carlo (`analysis.monte_carlo`): in each draw every height of every device gets a plane
efficacy that may have been true, hangings included, and each device its best height anew.

**Bias.** The figure chosen is too high by nothing at all if one height is clearly the best, and by
most if all heights that cannot be told from it are equally good; that largest bias is the mean of
the highest of their drawn deviations. The truth lies between: half of the largest bias is taken off
each device, and a rectangle of that half to both sides is left as a term of the ratio.

**Spread.** By how much the variance of the ratio of the drawn bests exceeds that of the ratio at
the heights chosen is a term too.

A size that was measured with few degrees of freedom is drawn with long tails, which may have no
variance. So spreads are taken from 95 % intervals of the draws, heights count as told apart where
that of their difference does not reach, and drawn deviations beyond it are counted as its end.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.budget import CONFIDENCE, NORMAL_REACH
from analysis.digits import fixed, percent
from analysis.effects import Effect
from analysis.monte_carlo import DRAWS, SEED, draw_together
from analysis.plane_results import ENOUGH_INSTALLATIONS
from analysis.results import MapSummary

Floats = NDArray[np.floating[Any]]
Heights = Sequence[Sequence[MapSummary]]
"""For each height of a device its usable maps, one for each hanging."""

NAME: Final = "choice of the best height"
SOURCE: Final = "drawn: the choice repeated"
_UPPER: Final = (1 + CONFIDENCE) / 2
CHUNK: Final = 1000
LEAST_DRAWN: Final = 0.01
"""Of the figure read: a long tail is cut off above nothing at all."""
LEAST_TOLD: Final = 0.001
"""Bias below which there is nothing to be said. [fraction]"""


@frozen(kw_only=True, eq=False)
class OwnHeights:
    """What drawing says of each device's best height.

    Attributes
    ----------
    names : tuple of str
    biases : tuple of float
        Largest bias of each device's highest figure. [fraction]
    told : tuple of str
        A sentence for each device whose best height is in doubt, empty for the others.
    is_choice : bool
        Whether any device was measured at more than one height.
    best, chosen : array, shape (devices, draws)
        Natural logarithm of the plane efficacy at the best height of each draw, and at the height
        that was chosen.
    """

    names: tuple[str, ...]
    biases: tuple[float, ...]
    told: tuple[str, ...]
    is_choice: bool
    best: Floats
    chosen: Floats

    def effect(self, a: int, b: int) -> Effect | None:
        """Return what the choice does to the ratio b ÷ a; None if it does nothing."""
        further = (
            float(_half_width(self.best[b] - self.best[a])) ** 2
            - float(_half_width(self.chosen[b] - self.chosen[a])) ** 2
        ) / NORMAL_REACH**2
        half = [self.biases[at] / 2 for at in (a, b)]
        standard = math.sqrt(max(further, 0.0) + (half[0] ** 2 + half[1] ** 2) / 3)
        if not standard > 0:
            return None
        remark = " ".join(self.told[at] for at in (a, b) if self.told[at])
        if max(half) > LEAST_TOLD / 2:
            remark += (
                " The highest of several figures tends to be too high: "
                + " and ".join(
                    f"{percent(one)} is taken off {self.names[at]}"
                    for at, one in zip((a, b), half, strict=True)
                    if one > 0
                )
                + ", and as much to both sides is in the ± figures."
            )
        return Effect(
            name=NAME, change=half[1] - half[0], standard=standard, source=SOURCE,
            remark=remark.strip(),
        )  # fmt: skip


def own_heights(
    devices: Sequence[tuple[str, Heights]], *, draws: int = DRAWS, seed: int = SEED
) -> OwnHeights:
    """Repeat the choice of each device's best height inside the Monte Carlo.

    Parameters
    ----------
    devices : sequence of (str, heights)
        Name, and for each height its usable maps, one for each hanging.
    draws, seed : int
        See `analysis.monte_carlo.draw_together`.
    """
    is_choice = any(len(heights) > 1 for _, heights in devices)
    drawn = _drawn(devices, draws if is_choice else 1, seed)
    best, chosen, biases, told = [], [], [], []
    for (name, heights), efficacies in zip(devices, drawn, strict=True):
        read = np.log([np.mean(_read(maps)) for maps in heights])
        first = int(np.argmax(read))
        reach = _half_width(efficacies - efficacies[first])
        rivals = np.flatnonzero(read[first] - read <= reach)
        away = efficacies[rivals] - read[rivals, None]
        # What acts on all of them alike leaves the choice as it is.
        highest = away.max(axis=0) - away.mean(axis=0)
        biases.append(float(np.minimum(highest, np.quantile(highest, _UPPER)).mean()))
        best.append(efficacies.max(axis=0))
        chosen.append(efficacies[first])
        told.append(_told(name, heights, first, efficacies))
    return OwnHeights(
        names=tuple(name for name, _ in devices),
        biases=tuple(biases),
        told=tuple(told),
        is_choice=is_choice,
        best=np.array(best),
        chosen=np.array(chosen),
    )


def _half_width(drawn: Floats) -> Floats:
    """Half-width of the 95 % interval of draws, which run along the last axis."""
    low, high = np.quantile(drawn, [1 - _UPPER, _UPPER], axis=-1)
    return np.asarray((high - low) / 2)


def _told(name: str, heights: Heights, first: int, efficacies: Floats) -> str:
    share = np.bincount(efficacies.argmax(axis=0), minlength=len(heights)) / efficacies.shape[1]
    others = [at for at in np.argsort(-share, kind="stable") if at != first and share[at] >= 0.05]
    if not others:
        return ""

    def at_height(at: int) -> str:
        return f"{heights[at][0].mounting_height_mm:g} mm ({fixed(100 * share[at], 0)} %)"

    return (
        f"The best height of {name} is not sure: in draws of what may be true it is "
        f"{', '.join(at_height(at) for at in [first, *others])}."
    )


def _drawn(devices: Sequence[tuple[str, Heights]], draws: int, seed: int) -> list[Floats]:
    """Natural logarithm of the plane efficacy of each device, shape (heights, draws)."""
    maps = [one for _, heights in devices for at_height in heights for one in at_height]
    budgets = [one.budget for one in maps if one.budget is not None]
    parts: list[list[Floats]] = [[] for _ in maps]
    for chunk in draw_together(budgets, draws=draws, seed=seed, chunk=CHUNK):
        for part, one in zip(parts, chunk, strict=True):
            part.append(np.asarray(one.plane_efficacy_umol_j))
    values = iter([np.concatenate(part) for part in parts])
    random = np.random.Generator(np.random.SFC64(seed + 1))
    found = []
    for _, heights in devices:
        # Heights that were measured in one hanging share what that hanging did.
        hangings = {one.installation for at_height in heights for one in at_height}
        hung = {at: random.standard_normal(draws) for at in sorted(hangings)}
        rows = []
        for at_height in heights:
            spread = _spread(at_height)
            drawn = [next(values) * (1 + spread * hung[one.installation]) for one in at_height]
            least = LEAST_DRAWN * float(np.mean(_read(at_height)))
            rows.append(np.log(np.maximum(np.mean(drawn, axis=0), least)))
        found.append(np.array(rows))
    return found


def _spread(maps: Sequence[MapSummary]) -> float:
    """Relative standard deviation of one hanging: measured from three on, else as declared."""
    if len(maps) >= ENOUGH_INSTALLATIONS:
        return float(np.std(_read(maps), ddof=1) / np.mean(_read(maps)))
    budget = maps[0].budget
    return 0.0 if budget is None else budget.reinstallation


def _read(maps: Sequence[MapSummary]) -> Floats:
    return np.array([one.stated_efficacy_umol_j for one in maps], dtype=float)
