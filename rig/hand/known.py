"""What is known of the points so far, to hold a typed number against."""

from __future__ import annotations

import math

import numpy as np
from attrs import define, field

from analysis.grid import Grid
from drivers.manual.number import typed_number
from rig.hand import plausibility
from rig.hand.plausibility import Doubt
from rig.rows import Place

#: Wall power while a lamp warms up is asked about only where a digit must be wrong (our figure).
FAR_WARMING = 3.0


@define(kw_only=True)
class Known:
    """Readings of one run, the newest last.

    Attributes
    ----------
    grid : Grid
    rated_w : float
        Power of the lamp. [W]
    """

    grid: Grid
    rated_w: float
    _light: dict[int, float] = field(factory=dict, init=False)
    _references: list[float] = field(factory=list, init=False)
    _dark: list[float] = field(factory=list, init=False)
    _power: list[float] = field(factory=list, init=False)
    _texts: list[str] = field(factory=list, init=False)

    def begin_map(self, means: np.ndarray) -> None:
        """Take up a map, with what was read of its points before. [µmol m⁻² s⁻¹]"""
        self._light = {int(i): float(means[i]) for i in np.flatnonzero(np.isfinite(means))}
        self._references, self._texts = [], []

    @property
    def visits(self) -> int:
        """How often the reference point was visited in this map."""
        return len(self._references)

    def read(self, role: str, index: int, value: float) -> None:
        """Take note of what a point reads. [µmol m⁻² s⁻¹]"""
        if math.isnan(value):
            return
        if role == "grid":
            self._light[index] = value
        elif role == "reference":
            self._references.append(value)
        elif role == "dark":
            self._dark.append(value)

    def forget_reference(self) -> None:
        """Forget the newest reading of the reference point, as far as there is one."""
        self._references = self._references[:-1]

    def typed(self, role: str, text: str, *, is_power: bool) -> None:
        """Take note of what was typed, and stands."""
        if is_power:
            self._power.append(float(typed_number(text) or 0.0))
        elif role == "grid":
            self._texts.append(text)

    def doubt(
        self, text: str, value: float, place: Place, index: int, *, is_power: bool
    ) -> Doubt | None:
        """Return the question that a typed number raises here; None if it can well be meant."""
        near, far = self._near(place.role, index, is_power)
        is_rated = is_power and place.role == "warm-up"
        told = f"W at a lamp rated {self.rated_w:.10g} W" if is_rated else ""
        found = plausibility.doubt(text, value, near, far=far, told=told)
        if found is None and place.role == "grid" and not is_power:
            found = plausibility.held(text, self._texts)
        return found

    def far_off(self) -> list[int]:
        """Return the points that are far from those beside them, now that all are read."""
        return [
            index
            for index, value in self._light.items()
            if plausibility.is_far(value, self._beside(index), plausibility.FAR_LIGHT)
        ]

    def _near(self, role: str, index: int, is_power: bool) -> tuple[list[float], float]:
        """Return what a number is held against, and how far off it may be."""
        if is_power:
            if role == "warm-up":
                return [self.rated_w], FAR_WARMING
            return self._power[-1:], plausibility.FAR_POWER
        if role == "dark":
            return self._dark, plausibility.FAR_LIGHT
        if role == "reference":
            return self._references[-1:], plausibility.FAR_REFERENCE
        if role != "grid":
            return [], plausibility.FAR_LIGHT
        if beside := self._beside(index):
            return beside, plausibility.FAR_LIGHT
        elsewhere = list(self._light.values())[-1:] or self._references[-1:]
        return elsewhere, plausibility.FAR_ELSEWHERE

    def _beside(self, index: int) -> list[float]:
        """Return what was read at the points beside one."""
        grid = self.grid
        steps = np.maximum(
            np.abs(grid.row - grid.row[index]), np.abs(grid.column - grid.column[index])
        )
        return [self._light[int(i)] for i in np.flatnonzero(steps == 1) if i in self._light]
