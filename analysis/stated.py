"""The figures of a map as they are stated, each with its ±: one place for report and terminal.

± reaches from the stated value to the farther end of its 95 % interval.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from analysis.budget import NORMAL_REACH
from analysis.results import MapSummary
from analysis.uncertainty import Interval


class Stated(NamedTuple):
    """A figure, None where it is not stated, and its ±, None where there is none to state."""

    value: float | None
    reach: float | None = None

    def times(self, factor: float) -> Stated:
        """Return it in another unit."""
        return Stated(
            None if self.value is None else factor * self.value,
            None if self.reach is None else factor * self.reach,
        )


def of_flux(map_: MapSummary, name: str) -> Stated:
    """A multiple of the delivered flux, an attribute of the map: as sure as that."""
    held = map_.uncertainty
    return _relative(
        getattr(map_, name),
        None if held is None else held.delivered_flux_umol_s.relative_half_width,
    )


def of_efficacy(map_: MapSummary, name: str = "stated_efficacy_umol_j") -> Stated:
    """The plane efficacy, by the name of the attribute that holds it. [µmol J⁻¹]"""
    held = None if map_.uncertainty is None else map_.uncertainty.plane_efficacy_umol_j
    return _relative(getattr(map_, name), None if held is None else held.relative_half_width)


def of_wall_power(map_: MapSummary) -> Stated:
    """Mean wall power of the map. [W]"""
    held = map_.uncertainty
    return _relative(map_.mean_wall_power_w, None if held is None else held.wall_power)


def of_points(map_: MapSummary, name: str) -> Stated:
    """A figure of evenness, an attribute of `analysis.uniformity.Uniformity`."""
    if map_.uniformity is None:
        return Stated(None)
    held = map_.uncertainty
    return _within(
        getattr(map_.uniformity, name), None if held is None else held.at_points.get(name)
    )


def of_cells(map_: MapSummary) -> tuple[float, float] | None:
    """Least and greatest relative half-width of the 95 % interval of a single point. [fraction]"""
    if map_.budget is None:
        return None
    sizes = np.array([one.light for one in map_.budget.influences])
    reach = NORMAL_REACH * np.sqrt((sizes**2).sum(axis=0))[map_.budget.weights_m2 > 0]
    return float(reach.min()), float(reach.max())


def of_deficit(map_: MapSummary, name: str) -> Stated:
    """How far corners or edges lie below the mean, by the attribute that holds it. [fraction]"""
    held = map_.uncertainty
    return _within(getattr(map_, name), None if held is None else getattr(held, name))


def of_variation(map_: MapSummary) -> Stated:
    """Coefficient of variation of the points; its ± takes in the field between them. [fraction]"""
    if map_.uniformity is None:
        return Stated(None)
    held = map_.uncertainty
    return _within(
        map_.uniformity.coefficient_of_variation,
        None if held is None else held.coefficient_of_variation,
    )


def _relative(value: float | None, reach: float | None) -> Stated:
    if value is None or not math.isfinite(value):
        return Stated(None)
    return Stated(value, None if reach is None else reach * abs(value))


def _within(value: float | None, interval: Interval | None) -> Stated:
    if value is None or not math.isfinite(value) or interval is None:
        return Stated(value)
    return Stated(value, max(abs(value - interval.low), abs(interval.high - value)))
