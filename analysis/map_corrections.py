"""The corrections of one map: carried out in their order, and recorded.

The order stands in `analysis.corrections`. Constant factors commute, so here they are gathered
into one; what is recorded is each by itself.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.corrections import Applied
from analysis.drift import Drift
from analysis.grid import Grid
from analysis.sensor_corrections import Geometry, Temperature

Floats = NDArray[np.floating[Any]]
Integers = NDArray[np.int64]


@frozen(kw_only=True, eq=False)
class MapCorrections:
    """What is done to the readings of one map beside drift.

    Attributes
    ----------
    dark : array, shape (n,)
        Dark reading of each point, 0 where there is none. [µmol m⁻² s⁻¹]
    stray : array, shape (n,), or None
        Stray light at each point, dark taken off; None where none was read. [µmol m⁻² s⁻¹]
    is_stray_stated : bool
        Whether the plan states it, as nobody read it in this run.
    constant : tuple of Applied
        Calibration and spectral factor of the light sensor.
    temperature : Temperature or None
    by_point : tuple of Applied
        Tilt and cosine response, factors in the order of the grid.
    geometry : Geometry or None
        For the height of the sensor.
    power : Applied or None
        Calibration of the power meter, which the power readings have already.
    nominal : tuple of Applied
        Scaling of light and of power to the nominal line voltage; empty without.
    """

    dark: Floats
    stray: Floats | None = None
    is_stray_stated: bool = False
    constant: tuple[Applied, ...] = ()
    temperature: Temperature | None = None
    by_point: tuple[Applied, ...] = ()
    geometry: Geometry | None = None
    power: Applied | None = None
    nominal: tuple[Applied, ...] = ()

    def lit(self, values: Floats, at: Integers, moments_s: Floats) -> Floats:
        """Correct readings of the light sensor for all that precedes drift.

        Parameters
        ----------
        values : array, shape (k,)
            As read. [µmol m⁻² s⁻¹]
        at : array of int, shape (k,)
            Points of the grid at which they were read; at −1, off the grid, the mean of dark and
            stray light is taken off, and there is no factor of place.
        moments_s : array, shape (k,)
            When they were read. [elapsed s]
        """
        lit = values - np.where(at >= 0, self.dark[at], self.dark.mean())
        if self.stray is not None:
            lit = lit - np.where(at >= 0, self.stray[at], self.stray.mean())
        if self.constant:
            lit = lit * math.prod(float(one.factor) for one in self.constant)
        if self.temperature is not None:
            lit = lit * self.temperature.factor(moments_s)
        for one in self.by_point:
            lit = lit * np.where(at >= 0, np.asarray(one.factor)[at], 1.0)
        return lit

    def after_drift(
        self, grid: Grid, mounting_height_mm: float | None, ppfd: Floats, remarks: list[str]
    ) -> tuple[Applied, ...]:
        """Return what follows drift, worked out from the map corrected for it."""
        height = None
        if self.geometry is not None:
            height = self.geometry.of_height(grid, mounting_height_mm, ppfd, remarks)
        return self.nominal if height is None else (height, *self.nominal)

    def record(
        self, moments_s: Floats, drift: Drift, after: tuple[Applied, ...]
    ) -> tuple[Applied, ...]:
        """List all that was applied to a map, in its order; light first, then power.

        Parameters
        ----------
        moments_s : array, shape (n,)
            When each point was read. [elapsed s]
        drift : Drift
            What was done about drift.
        after : tuple of Applied
            What `after_drift` gave.
        """
        found: list[Applied] = []
        stated = "plan: corrections.stray_umol_m2_s"
        for name, offset, source in (
            ("dark reading", self.dark, "readings of role dark"),
            (
                "stray light",
                self.stray,
                stated if self.is_stray_stated else "readings of role stray",
            ),
        ):
            if offset is not None and offset.any():
                found.append(
                    Applied(
                        name=name,
                        on="light",
                        offset=-offset,
                        source=source,
                        setting="subtracted",
                    )
                )
        found += self.constant
        if self.temperature is not None:
            found.append(self.temperature.applied(moments_s))
        found += self.by_point
        if drift.source != "none":
            found.append(
                Applied(
                    name="drift",
                    on="light",
                    factor=drift.factor,
                    source="reference point" if drift.source == "reference" else "monitor sensor",
                    setting="to the mean of each map",
                )
            )
        found += [one for one in after if one.on == "light"]
        if self.power is not None:
            found.append(self.power)
        return (*found, *(one for one in after if one.on == "power"))
