"""What is done to the readings of the light sensor, from the facts of its calibration.

The light that a point gets is thought of as two parts: a share that comes straight from the
device, taken as a point at its mounting height, and the rest, which comes from everywhere alike.
That is crude under a wide hood hung low, so nothing of it is done unless the plan states the
share (``corrections.direct_share``). On the virtual bench a stated share of 0.5 or of 0.7 leaves
less than a sixth of the cosine error in the delivered flux (`tests/rig`): good for a sensor that
is known to be bad, no gain for one that is within 1 %.

With the sensor's axis **n**, the direction **s** to the device, θ between **s** and the vertical
and θ′ between **s** and **n**, direct share d, and cosine response f:

    reading ÷ true = d · f(θ′) · cos θ′ / cos θ + (1 − d) · f_diffuse

where f_diffuse = ∫ f sin 2θ dθ over 0 to 90°. The part that is left with f = 1 is tilt, the rest
cosine response.

A diffuser that stands h above the plane, under a device H above the plane, reads on each ray what
arrives further out on the plane: E_plane(r) = E_read(r · (H − h)/H) · ((H − h)/H)², whatever the
device's distribution, r counted from the point below it. Of the light that does not come
straight, height changes nothing here.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.corrections import Applied
from analysis.digits import fixed
from analysis.grid import Grid

Floats = NDArray[np.floating[Any]]


@frozen(kw_only=True, eq=False)
class Temperature:
    """How a sensor follows its temperature.

    Attributes
    ----------
    coefficient : float
        Relative change of the reading for 1 K. [K⁻¹]
    reference_c : float
        Temperature of the calibration. [°C]
    elapsed_s, temperature_c : array, shape (k,)
        What was logged, rising in time, k ≥ 1. [s; °C]
    """

    coefficient: float
    reference_c: float
    elapsed_s: Floats
    temperature_c: Floats

    def factor(self, moments_s: Floats) -> Floats:
        """Factor at given moments: straight lines between logged values, held beyond; NaN → 1."""
        at_c = np.interp(moments_s, self.elapsed_s, self.temperature_c)
        factor = 1 / (1 + self.coefficient * (at_c - self.reference_c))
        return np.where(np.isfinite(moments_s), factor, 1.0)

    def applied(self, moments_s: Floats) -> Applied:
        """Record it as applied to readings of these moments."""
        return Applied(
            name="sensor temperature",
            on="light",
            factor=self.factor(moments_s),
            source="profile; temperature as logged",
            setting=f"{100 * self.coefficient:g} % for 1 K from {self.reference_c:g} °C",
        )


@frozen(kw_only=True, eq=False)
class Geometry:
    """Where the direct light comes from, and how the sensor stands in it.

    Attributes
    ----------
    direct_share : float
        Share of the light that comes straight from the device. [fraction]
    x_mm, y_mm : float
        Point of the plane below it. [mm]
    height_mm : float
        Diffuser above the plane. [mm]
    tilt_deg : (float, float)
        Lean of the axis towards larger x and y. [°]
    angle_deg, response : array, shape (k,)
        Cosine response; both empty where it is not known.
    """

    direct_share: float
    x_mm: float
    y_mm: float
    height_mm: float
    tilt_deg: tuple[float, float]
    angle_deg: Floats
    response: Floats

    @property
    def is_tilted(self) -> bool:
        """Whether the sensor leans."""
        return self.tilt_deg != (0.0, 0.0)

    @property
    def _source(self) -> str:
        return f"profile; {fixed(100 * self.direct_share, 0)} % of the light direct (plan)"

    def by_point(
        self, grid: Grid, mounting_height_mm: float | None, remarks: list[str]
    ) -> tuple[Applied, ...]:
        """Work out tilt and cosine response for each point; what cannot be done is remarked."""
        if not self.is_tilted and not len(self.angle_deg):
            return ()
        above_mm = _above(mounting_height_mm, self.height_mm)
        if above_mm is None:
            remarks.append(
                "Tilt and cosine response of the sensor are not corrected: the mounting height is "
                "not stated, or not above the diffuser."
            )
            return ()
        east, north = self.x_mm - grid.x_mm, self.y_mm - grid.y_mm
        far_mm = np.sqrt(east**2 + north**2 + above_mm**2)
        lean_x, lean_y = (math.tan(math.radians(angle)) for angle in self.tilt_deg)
        upright = above_mm / far_mm
        leaning = (east * lean_x + north * lean_y + above_mm) / (
            far_mm * math.sqrt(1 + lean_x**2 + lean_y**2)
        )
        if not (leaning > 0).all():
            remarks.append(
                "Tilt and cosine response of the sensor are not corrected: by its tilt the device "
                "would stand below its horizon at some points."
            )
            return ()
        found = []
        tilted = self.direct_share * leaning / upright + 1 - self.direct_share
        if self.is_tilted:
            found.append(
                Applied(
                    name="sensor tilt",
                    on="light",
                    factor=1 / tilted,
                    source=self._source,
                    setting=f"{self.tilt_deg[0]:g}° to x, {self.tilt_deg[1]:g}° to y, "
                    f"direct share {self.direct_share:g}",
                )
            )
        if len(self.angle_deg):
            incidence_deg = np.degrees(np.arccos(np.minimum(leaning, 1.0)))
            if incidence_deg.max() > self.angle_deg[-1]:
                remarks.append(
                    f"Light reaches the sensor at up to {fixed(incidence_deg.max(), 0)}°, and its "
                    f"cosine response is known up to {self.angle_deg[-1]:g}°; the last value is "
                    "held."
                )
            direct = np.interp(incidence_deg, self.angle_deg, self.response) * leaning / upright
            read = self.direct_share * direct + (1 - self.direct_share) * self.diffuse_response
            pairs = zip(self.angle_deg, self.response, strict=True)
            listed = ", ".join(f"{value:g} at {angle:g}°" for angle, value in pairs)
            found.append(
                Applied(
                    name="cosine response",
                    on="light",
                    factor=tilted / read,
                    source=self._source,
                    setting=f"{listed}, direct share {self.direct_share:g}",
                )
            )
        return tuple(found)

    @property
    def diffuse_response(self) -> float:
        """Reading over true value under light that comes from everywhere alike."""
        theta = np.linspace(0, np.pi / 2, 2001)
        response = np.interp(np.degrees(theta), self.angle_deg, self.response)
        return float(np.trapezoid(response * np.sin(2 * theta), theta))

    def of_height(
        self, grid: Grid, mounting_height_mm: float | None, ppfd: Floats, remarks: list[str]
    ) -> Applied | None:
        """Work out what the height of the diffuser costs at each point, from the map itself."""
        if self.height_mm == 0:
            return None
        above_mm = _above(mounting_height_mm, self.height_mm)
        surface = None if above_mm is None else _surface(grid, ppfd)
        if above_mm is None or surface is None:
            remarks.append(
                f"The height of the sensor, {self.height_mm:g} mm above the plane, is not "
                "corrected: it takes a mounting height above it, and a whole map of rows and "
                "columns with light at every point."
            )
            return None
        nearer = above_mm / (above_mm + self.height_mm)
        inward = surface(
            self.y_mm + (grid.y_mm - self.y_mm) * nearer,
            self.x_mm + (grid.x_mm - self.x_mm) * nearer,
            grid=False,
        )
        direct = nearer**2 * np.exp(inward) / ppfd
        return Applied(
            name="sensor height",
            on="light",
            factor=self.direct_share * direct + 1 - self.direct_share,
            source=self._source,
            setting=f"{self.height_mm:g} mm, direct share {self.direct_share:g}",
        )


def _above(mounting_height_mm: float | None, diffuser_mm: float) -> float | None:
    """Device above the diffuser, or None where that is not known. [mm]"""
    if mounting_height_mm is None or mounting_height_mm <= diffuser_mm:
        return None
    return mounting_height_mm - diffuser_mm


def _surface(grid: Grid, ppfd: Floats) -> Any | None:
    """Smooth surface through log PPFD over y and x, or None where there are no whole lines."""
    table = grid.to_matrix(ppfd)
    if min(table.shape) < 2 or not (np.isfinite(table) & (table > 0)).all():
        return None
    from scipy.interpolate import RectBivariateSpline  # here, so that importing this stays quick

    y_mm = grid.to_matrix(grid.y_mm)[:, 0]
    x_mm = grid.to_matrix(grid.x_mm)[0]
    order = [min(3, count - 1) for count in table.shape]
    return RectBivariateSpline(y_mm, x_mm, np.log(table), kx=order[0], ky=order[1], s=0)
