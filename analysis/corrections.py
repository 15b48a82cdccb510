"""Corrections: what is done to a reading between the file and the result, in which order.

Each is optional, recorded, and reversible; the readings in the folder are never touched, and
`MapSummary.ppfd_raw` stays as read. Instrument facts come from the rig profile, requests from
the section ``[corrections]`` of the plan. This table is the one place where the order stands:

Below ``sensor.`` stands for the profile's ``light_sensor_calibration.``, ``meter.`` for its
``power_meter_calibration.``, ``plan.`` for the plan's ``corrections.``.

===  ====================  =========================================  ===========================
no.  light                 where its figures come from                its uncertainty
===  ====================  =========================================  ===========================
1    dark reading          rows of role ``dark``                      scatter of the rows
2    stray light           rows of role ``stray``, less dark; or      not counted
                           ``plan.stray_umol_m2_s``
3    sensor calibration    ``sensor.factor``                          ``sensor.uncertainty_percent``
4    spectral factor       ``plan.spectral``: the row of              of that row, or
                           ``sensor.spectral_factors`` for the kind   ``plan.spectral_uncertainty_``
                           of lamp, or three curves                   ``percent``
5    sensor temperature    ``sensor.temperature_…`` and a             not stated
                           thermometer at the sensor or the plane
6    sensor tilt           ``sensor.tilt_…``, ``plan.direct_share``   not stated
7    cosine response       ``sensor.cosine_…``,                       not stated
                           ``plan.direct_share``
8    drift                 `analysis.drift`                           see there
9    sensor height         ``sensor.height_mm``,                      not stated
                           ``plan.direct_share``
10   nominal line voltage  ``plan.line_voltage``, fitted              of the fitted exponent
===  ====================  =========================================  ===========================

===  ====================  =========================================  ===========================
no.  wall power            where its figures come from                its uncertainty
===  ====================  =========================================  ===========================
1    power meter           ``meter.factor``, ``meter.offset_w``       ``meter.uncertainty_percent``
2    nominal line voltage  as for light                               of the fitted exponent
===  ====================  =========================================  ===========================

Every ``uncertainty_percent`` is expanded (k = 2), as certificates state it; `Applied.uncertainty`
is the standard uncertainty, a fraction. The warm-up is judged on readings as they came, since
that is what the run went by. Synchronous plane efficacy has all but drift (8).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.floating[Any]]

LIGHT_ORDER: Final = (
    "dark reading",
    "stray light",
    "sensor calibration",
    "spectral factor",
    "sensor temperature",
    "sensor tilt",
    "cosine response",
    "drift",
    "sensor height",
    "nominal line voltage",
)
POWER_ORDER: Final = ("power meter", "nominal line voltage")


@frozen(kw_only=True, eq=False)
class Applied:
    """One correction as it was applied to one map: ``corrected = value × factor + offset``.

    Attributes
    ----------
    name : str
        One of `LIGHT_ORDER` or `POWER_ORDER`.
    on : str
        ``"light"`` or ``"power"``.
    factor : float or array, shape (n,)
        For all points, or for each; never 0. [unitless]
    offset : float or array, shape (n,)
        Added after that. [µmol m⁻² s⁻¹ or W]
    source : str
        Where the figures come from, in words.
    setting : str
        What two runs must have in common to be corrected alike.
    uncertainty : float or None
        Relative standard uncertainty of the factor; None where it is not stated. [fraction]
    mark : str
        What has to stand beside every number that it changed; mostly empty.
    """

    name: str
    on: str
    factor: float | Floats = 1.0
    offset: float | Floats = 0.0
    source: str
    setting: str
    uncertainty: float | None = None
    mark: str = ""


def apply(values: ArrayLike, corrections: Iterable[Applied], on: str = "light") -> Floats:
    """Correct readings of one map.

    Parameters
    ----------
    values : array, shape (n,)
        As read. [µmol m⁻² s⁻¹ or W]
    corrections : iterable of Applied
        In the order in which they were applied; those on something else are passed over.
    on : str
        ``"light"`` or ``"power"``.
    """
    corrected = np.array(values, dtype=float)
    for one in corrections:
        if one.on == on:
            corrected = corrected * one.factor + one.offset
    return corrected


def undo(values: ArrayLike, corrections: Iterable[Applied], on: str = "light") -> Floats:
    """Take corrections off again; the inverse of `apply`, to rounding."""
    read = np.array(values, dtype=float)
    for one in reversed(tuple(corrections)):
        if one.on == on:
            read = (read - one.offset) / one.factor
    return read
