"""Where light leaves the device, and in which directions.

A source is an aperture at the mounting height, looking down. It is represented by
sub-sources spread over the aperture (Gauss-Legendre nodes, so that few suffice), which all
emit the same **distribution**: intensity by direction. **Lobes** are added to that: parts of
the light that a streak or a facet throws into a narrow solid angle from one place on the
aperture.

Valid for diffuse or specular reflectors seen as a whole; the device's own shape does not
shade anything, and nothing is emitted upwards. Intensities are normalised to unit flux, so
irradiance comes per unit flux that leaves the aperture [m⁻²].
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.scenario import Device, Distribution, Lobe

Floats = NDArray[np.float64]
Response = Callable[[Floats], Floats]
"""Response of a sensor over the cosine of the angle of incidence, from that cosine. [1]"""

_NODES = 6
"""Sub-sources along one side of a rectangular aperture."""


class Intensity:
    """Relative intensity of the aperture by direction, normalised to unit flux. [sr⁻¹]"""

    def __init__(self, distribution: Distribution) -> None:
        self._table: Floats | None = None
        if distribution.theta_deg is not None and distribution.intensity is not None:
            self._fill_table(distribution.theta_deg, distribution.phi_deg, distribution.intensity)
        else:
            self._x = distribution.exponent_x or 0.0
            y = distribution.exponent_y
            self._y = self._x if y is None else y
        self._scale = 1.0
        self._scale = 1.0 / self._flux()

    def towards(self, cosine: Floats, across_x: Floats, across_y: Floats) -> Floats:
        """Return intensity in directions below the aperture.

        Parameters
        ----------
        cosine : array
            Of the angle from straight down; 0 and below mean nothing is emitted. [1]
        across_x, across_y : array
            The direction's components along x and y. [1]
        """
        down = np.clip(cosine, 0.0, 1.0)
        if self._table is not None:
            value = self._look_up(down, across_x, across_y)
        elif self._x == self._y:
            value = down**self._x
        else:
            square = across_x**2 + across_y**2
            along_x = np.divide(
                across_x**2, square, out=np.full_like(square, 0.5), where=square > 0
            )
            value = down ** (self._x * along_x + self._y * (1.0 - along_x))
        return np.where(cosine > 0.0, self._scale * value, 0.0)

    def _fill_table(
        self, theta_deg: tuple[float, ...], phi_deg: tuple[float, ...], values: tuple[float, ...]
    ) -> None:
        planes = np.reshape(values, (len(phi_deg), len(theta_deg)))
        # A fine regular table makes a look-up of many directions cheap.
        theta = np.linspace(0.0, 90.0, 361)
        by_theta = np.array([np.interp(theta, theta_deg, plane, right=0.0) for plane in planes])
        phi = np.linspace(0.0, 90.0, 91)
        self._table = np.array([np.interp(phi, phi_deg, column) for column in by_theta.T]).T

    def _look_up(self, cosine: Floats, across_x: Floats, across_y: Floats) -> Floats:
        table = self._table
        assert table is not None
        theta = np.degrees(np.arccos(cosine)) * 4.0
        phi = np.degrees(np.arctan2(np.abs(across_y), np.abs(across_x)))
        i = np.minimum(theta.astype(np.int64), table.shape[1] - 2)
        j = np.minimum(phi.astype(np.int64), table.shape[0] - 2)
        u, v = theta - i, phi - j
        low = table[j, i] * (1.0 - u) + table[j, i + 1] * u
        high = table[j + 1, i] * (1.0 - u) + table[j + 1, i + 1] * u
        return np.asarray(low * (1.0 - v) + high * v)

    def _flux(self) -> float:
        """Integrate over the lower hemisphere; the quadrants mirror each other."""
        nodes, weights = np.polynomial.legendre.leggauss(96)
        # Over the angle, not its cosine: tables are piecewise smooth in the angle.
        theta = 0.25 * math.pi * (nodes + 1.0)
        phi = 0.25 * math.pi * (nodes + 1.0)
        t, p = np.meshgrid(theta, phi)
        w = np.outer(weights, weights) * (0.25 * math.pi) ** 2 * np.sin(t)
        value = self.towards(np.cos(t), np.sin(t) * np.cos(p), np.sin(t) * np.sin(p))
        return float(4.0 * np.sum(w * value))


class LobeIntensity:
    """Intensity of one lobe by direction, normalised to unit flux. [sr⁻¹]"""

    def __init__(self, lobe: Lobe) -> None:
        theta, phi, turn = (math.radians(a) for a in (lobe.theta_deg, lobe.phi_deg, lobe.turn_deg))
        axis = np.array(
            [math.sin(theta) * math.cos(phi), math.sin(theta) * math.sin(phi), math.cos(theta)]
        )
        outward = np.array(
            [math.cos(theta) * math.cos(phi), math.cos(theta) * math.sin(phi), -math.sin(theta)]
        )
        sideways = np.array([-math.sin(phi), math.cos(phi), 0.0])
        self._axis = axis
        self._along = math.cos(turn) * outward + math.sin(turn) * sideways
        self._across = -math.sin(turn) * outward + math.cos(turn) * sideways
        self._sigmas = math.radians(lobe.length_deg), math.radians(lobe.width_deg)
        self._scale = 1.0
        self._scale = 1.0 / self._flux()

    def towards(self, cosine: Floats, across_x: Floats, across_y: Floats) -> Floats:
        """Return intensity, by the same components as `Intensity.towards`."""
        parts = [
            across_x * v[0] + across_y * v[1] + cosine * v[2]
            for v in (self._axis, self._along, self._across)
        ]
        forward = np.maximum(parts[0], 1e-9)
        a = np.arctan(parts[1] / forward) / self._sigmas[0]
        b = np.arctan(parts[2] / forward) / self._sigmas[1]
        lit = (cosine > 0.0) & (parts[0] > 0.0)
        return np.where(lit, self._scale * np.exp(-0.5 * (a * a + b * b)), 0.0)

    def _flux(self) -> float:
        # Where the horizon cuts the lobe the integrand jumps: a dense midpoint rule.
        count = 400
        nodes = (np.arange(count) + 0.5) * 2.0 / count - 1.0
        reach = [min(6.0 * sigma, math.radians(89.0)) for sigma in self._sigmas]
        a, b = np.meshgrid(np.tan(reach[0] * nodes), np.tan(reach[1] * nodes))
        length = np.sqrt(1.0 + a * a + b * b)
        solid = (1.0 + a * a) * (1.0 + b * b) / length**3
        w = solid * reach[0] * reach[1] * (2.0 / count) ** 2
        x, y, z = (
            (self._axis[k] + a * self._along[k] + b * self._across[k]) / length for k in range(3)
        )
        return float(np.sum(w * self.towards(z, x, y)))


class Source:
    """A device's light: sub-sources, their distribution, and lobes.

    Parameters
    ----------
    device : Device
        Aperture, distribution and lobes.
    """

    def __init__(self, device: Device) -> None:
        x, y, weights = _aperture(device)
        self._main = Intensity(device.distribution)
        rest = 1.0 - sum(lobe.share for lobe in device.lobes)
        self._emitters: list[tuple[Floats, Floats, Floats, Intensity | LobeIntensity]] = [
            (x / 1000.0, y / 1000.0, rest * weights, self._main)
        ]
        for lobe in device.lobes:
            self._emitters.append(
                (
                    np.array([lobe.x_mm / 1000.0]),
                    np.array([lobe.y_mm / 1000.0]),
                    np.array([lobe.share]),
                    LobeIntensity(lobe),
                )
            )

    def irradiance(
        self,
        points_m: Floats,
        normal: tuple[float, float, float],
        response: Response | None = None,
    ) -> Floats:
        """Return irradiance at points of one plane, per unit flux from the aperture.

        Parameters
        ----------
        points_m : array, shape (n, 3)
            Seen from the middle of the aperture; z is negative below it. [m]
        normal : tuple of float
            Unit vector into the half-space from which light is received.
        response : callable, optional
            Of a sensor that does not follow the cosine. None is the true irradiance.

        Returns
        -------
        array, shape (n,)
            [m⁻²]
        """
        total = np.zeros(len(points_m))
        for x, y, weights, intensity in self._emitters:
            dx = points_m[:, 0:1] - x
            dy = points_m[:, 1:2] - y
            down = -points_m[:, 2:3]
            square = dx * dx + dy * dy + down * down
            inverse = 1.0 / np.sqrt(square)
            incidence = -(dx * normal[0] + dy * normal[1] - down * normal[2]) * inverse
            emitted = intensity.towards(
                np.broadcast_to(down * inverse, dx.shape), dx * inverse, dy * inverse
            )
            received = np.maximum(incidence, 0.0) * emitted / square
            if response is not None:
                received = received * response(incidence)
            total += received @ weights
        return total


def _aperture(device: Device) -> tuple[Floats, Floats, Floats]:
    """Return places [mm] and weights (sum 1) of the sub-sources."""
    if device.outline == "point":
        return np.zeros(1), np.zeros(1), np.ones(1)
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    if device.outline == "rectangle":
        x, y = np.meshgrid(nodes * device.aperture_x_mm / 2, nodes * device.aperture_y_mm / 2)
        return x.ravel(), y.ravel(), np.outer(weights, weights).ravel() / 4.0
    # A disc: equal weights per area need the nodes in the square of the radius.
    inner, inner_weights = np.polynomial.legendre.leggauss(4)
    radius = device.aperture_x_mm / 2 * np.sqrt((inner + 1.0) / 2.0)
    turn = 2.0 * math.pi * (np.arange(9) + 0.5) / 9
    x = np.outer(radius, np.cos(turn))
    y = np.outer(radius, np.sin(turn))
    share = np.repeat(inner_weights[:, None] / 2.0 / 9, 9, axis=1)
    return x.ravel(), y.ravel(), share.ravel()
