"""Light on the measurement plane: straight from the source, and by way of the walls.

The direct part is evaluated at any point of the plane by summing over the sub-sources
(`sources`). The indirect part comes from the radiosities of walls and ceiling (`radiosity`):
it is gathered on a lattice over the plane with the closed form for a small surface facing a
rectangle, then smoothed by a polynomial in x and y fitted by least squares, which removes
the steps that patches of one radiosity each would leave near the walls.

Both parts exist as true irradiance and as seen through the angular response of a sensor that
does not follow the cosine.

Valid for diffuse walls, a floor of one diffuse reflectance, and nothing in the way: the
gantry casts no shadow. What lies above is open (light is lost), a lid (a diffuse plane at
the top of the walls), or the reflector (the underside of the device sends light back; light
that goes up beside it comes back in part from the walls above, as if from one diffuse
surface at the height of the device). With patches of about 0.1 m the plane's
mean stands within 0.2 % of twice as fine a division, a point 60 mm or more from the walls
within 0.5 %, and a point at the very wall within 4 % (tests).

References
----------
.. [1] J. R. Howell, A Catalog of Radiation Heat Transfer Configuration Factors:
   differential element to parallel and to perpendicular rectangle (from memory; tests check
   them by closure and by integration).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.radiosity import Box
from drivers.simulated.scenario import Area, Device
from drivers.simulated.sources import Response, Source

Floats = NDArray[np.float64]

PATCH_M = 0.1
"""Aimed-at size of a patch; the number along a side stays between `FEWEST` and `MOST`."""
FEWEST, MOST = 6, 14

_KEPT_RESPONSES = 4
_LATTICE = 21
_DEGREE = 10


class Room:
    """Walls, floor and what lies above, ready to be lit by any device.

    Parameters
    ----------
    area : Area
        Size and reflectances.
    device : Device or None
        Its outline is what lies above, where the area says so; needed only there.
    lamp_height_m : float
        Height of the aperture. Matters only where the reflector lies above. [m]
    fineness : float
        More patches by this factor along each side, for tests of convergence. [1]
    """

    def __init__(
        self, area: Area, device: Device | None, lamp_height_m: float, *, fineness: float = 1.0
    ) -> None:
        top_m = lamp_height_m if area.above == "reflector" else area.wall_height_mm / 1000.0
        size = (area.width_mm / 1000.0, area.depth_mm / 1000.0, top_m)
        self.box = Box(size, tuple(_count(side, fineness) for side in size))  # type: ignore[arg-type]
        self.reflectance = self._reflectances(area, device)
        self._floor_view = _floor_view(self.box)
        self._seen: dict[Response, Floats] = {}

    def radiosity(self, first_irradiance: Floats) -> Floats:
        """Return what every patch sends back, all bounces counted, from what first hits it."""
        return self.box.balance(self.reflectance, first_irradiance).radiosity

    def indirect(self, radiosity: Floats, response: Response | None) -> Floats:
        """Return the coefficients of the indirect part over the plane.

        Parameters
        ----------
        radiosity : array, shape (patches,)
            Of every patch. [m⁻²]
        response : callable, optional
            Angular response of a sensor.

        Returns
        -------
        array
            Of Chebyshev polynomials in x and y, each scaled to -1 … 1 over the plane.
        """
        values = self._view(response) @ radiosity
        fit = np.linalg.pinv(np.polynomial.chebyshev.chebvander(_lattice(), _DEGREE))
        return np.asarray(fit @ values.reshape(_LATTICE, _LATTICE) @ fit.T)

    def _view(self, response: Response | None) -> Floats:
        if response is None:
            return self._floor_view
        if response not in self._seen:
            if len(self._seen) >= _KEPT_RESPONSES:
                self._seen.clear()
            self._seen[response] = self._floor_view * _weights_of_patches(self.box, response)
        return self._seen[response]

    def _reflectances(self, area: Area, device: Device | None) -> Floats:
        walls = dict(zip(("west", "east", "south", "north"), area.wall_reflectance, strict=True))
        total = np.zeros(len(self.box.area_m2))
        for name, face in self.box.faces.items():
            total[face.patches] = walls.get(name, area.floor_reflectance)
        ceiling = self.box.faces["ceiling"].patches
        total[ceiling] = 0.0 if area.above == "open" else area.above_reflectance
        if area.above == "reflector":
            assert device is not None
            points = self.box.points("ceiling", 8) * 1000.0
            covered = _is_under(area, device, points).mean(axis=1)
            beside = _returned_from_above(area, self.box.size_m[2])
            total[ceiling] = covered * area.above_reflectance + (1.0 - covered) * beside
        return total


class FloorView:
    """Irradiance on the plane as one sensor, or nobody in particular, sees it."""

    def __init__(
        self,
        source: Source,
        lamp_m: tuple[float, float, float],
        plane_m: tuple[float, float],
        coefficients: Floats,
        response: Response | None,
    ) -> None:
        self._source = source
        self._lamp_m = np.array(lamp_m)
        self._plane_m = plane_m
        self._coefficients = coefficients
        self._response = response

    def at(self, x_mm: Floats, y_mm: Floats) -> Floats:
        """Return irradiance per unit flux that leaves the aperture. [m⁻²]

        Parameters
        ----------
        x_mm, y_mm : array, shape (n,)
            Points of the plane. [mm]
        """
        return self.direct(x_mm, y_mm) + self.indirect(x_mm, y_mm)

    def direct(self, x_mm: Floats, y_mm: Floats) -> Floats:
        """Return the part that comes straight from the source. [m⁻²]"""
        points = np.stack([x_mm / 1000.0, y_mm / 1000.0, np.zeros(len(x_mm))], axis=1)
        return self._source.irradiance(points - self._lamp_m, (0.0, 0.0, 1.0), self._response)

    def indirect(self, x_mm: Floats, y_mm: Floats) -> Floats:
        """Return the part that comes by way of walls, floor and what lies above. [m⁻²]"""
        basis = [
            np.polynomial.chebyshev.chebvander(
                np.clip(v / (500.0 * side) - 1.0, -1.0, 1.0), _DEGREE
            )
            for v, side in ((x_mm, self._plane_m[0]), (y_mm, self._plane_m[1]))
        ]
        return np.asarray(((basis[0] @ self._coefficients) * basis[1]).sum(axis=1))

    def flux_share(self, nodes: int = 64) -> float:
        """Return the flux that reaches the whole plane over that leaving the aperture. [1]"""
        at, weights = np.polynomial.legendre.leggauss(nodes)
        x, y = (500.0 * side * (at + 1.0) for side in self._plane_m)
        grid_x, grid_y = np.meshgrid(x, y)
        values = self.at(grid_x.ravel(), grid_y.ravel()).reshape(nodes, nodes)
        return float(weights @ values @ weights) * self._plane_m[0] * self._plane_m[1] / 4.0


class LightField:
    """The light of one device at one place over the plane.

    Parameters
    ----------
    room : Room
        Around it.
    source : Source
        The device's light.
    lamp_m : tuple of float
        Middle of the aperture, from the plane's corner. [m]
    """

    def __init__(self, room: Room, source: Source, lamp_m: tuple[float, float, float]) -> None:
        self._room = room
        self._source = source
        self._lamp_m = lamp_m
        self._radiosity = room.radiosity(self._straight_onto_patches())
        self._views: dict[Response | None, FloorView] = {}

    def view(self, response: Response | None = None) -> FloorView:
        """Return the plane as seen through an angular response; None is the truth."""
        if response not in self._views:
            self._views[response] = FloorView(
                self._source,
                self._lamp_m,
                self._room.box.size_m[:2],
                self._room.indirect(self._radiosity, response),
                response,
            )
        return self._views[response]

    def _straight_onto_patches(self) -> Floats:
        box = self._room.box
        total = np.zeros(len(box.area_m2))
        for name, face in box.faces.items():
            if name == "ceiling":
                continue
            points = box.points(name, 2)
            seen = (points - np.array(self._lamp_m)).reshape(-1, 3)
            values = self._source.irradiance(seen, face.normal)
            total[face.patches] = values.reshape(points.shape[:2]).mean(axis=1)
        return total


def _count(side_m: float, fineness: float) -> int:
    return round(fineness * min(max(round(side_m / PATCH_M), FEWEST), MOST))


def _returned_from_above(area: Area, top_m: float) -> float:
    """Return the share of light, gone up past the lamp, that the walls above send back."""
    left_m = area.wall_height_mm / 1000.0 - top_m
    if left_m < 0.005:
        return 0.0
    size = (area.width_mm / 1000.0, area.depth_mm / 1000.0, left_m)
    box = Box(size, (FEWEST, FEWEST, FEWEST))
    reflectance, glow = np.zeros(len(box.area_m2)), np.zeros(len(box.area_m2))
    for name, rho in zip(("west", "east", "south", "north"), area.wall_reflectance, strict=True):
        reflectance[box.faces[name].patches] = rho
    opening = box.faces["floor"].patches
    glow[opening] = 1.0
    return float(box.balance(reflectance, np.zeros(len(glow)), glow).irradiance[opening].mean())


def _is_under(area: Area, device: Device, points_mm: Floats) -> NDArray[np.bool_]:
    dx = points_mm[..., 0] - area.width_mm / 2 - device.offset_x_mm
    dy = points_mm[..., 1] - area.depth_mm / 2 - device.offset_y_mm
    if device.outline == "round":
        return np.asarray(np.hypot(dx, dy) <= device.aperture_x_mm / 2)
    return np.asarray((abs(dx) <= device.aperture_x_mm / 2) & (abs(dy) <= device.aperture_y_mm / 2))


def _lattice() -> Floats:
    """Return the places of the lattice along one side, from -1 to 1."""
    return np.linspace(-1.0, 1.0, _LATTICE)


def _lattice_points(box: Box) -> tuple[Floats, Floats]:
    x, y = (0.5 * side * (_lattice() + 1.0) for side in box.size_m[:2])
    grid_x, grid_y = np.meshgrid(x, y, indexing="ij")
    return grid_x.ravel(), grid_y.ravel()


def _floor_view(box: Box) -> Floats:
    """Return configuration factors from each lattice point to each patch.

    Radiosity is interpolated between the patches of a face, on patches half as large.

    Returns
    -------
    array, shape (lattice points, patches)
    """
    x, y = _lattice_points(box)
    width, depth, height = box.size_m
    total = np.zeros((len(x), len(box.area_m2)))
    sides = {
        "west": (x, y, depth),
        "east": (width - x, y, depth),
        "south": (y, x, width),
        "north": (depth - y, x, width),
    }
    for name, (distance, along, length) in sides.items():
        face = box.faces[name]
        first, second = (2 * n for n in face.shape)
        edges = np.linspace(0.0, length, first + 1) - along[:, None]
        up = np.linspace(0.0, height, second + 1)
        corner = _facing_wall(distance[:, None, None], edges[:, :, None], up[None, None, :])
        total[:, face.patches] = _onto_patches(corner, face.shape)
    face = box.faces["ceiling"]
    first, second = (2 * n for n in face.shape)
    edges_x = np.linspace(0.0, width, first + 1) - x[:, None]
    edges_y = np.linspace(0.0, depth, second + 1) - y[:, None]
    corner = _facing_ceiling(edges_x[:, :, None], edges_y[:, None, :], height)
    total[:, face.patches] = _onto_patches(corner, face.shape)
    return total


def _onto_patches(corner: Floats, shape: tuple[int, int]) -> Floats:
    fine = np.diff(np.diff(corner, axis=1), axis=2)
    spread = [_between_patches(n) for n in shape]
    return np.einsum("mab,ai,bj->mij", fine, *spread, optimize=True).reshape(len(corner), -1)


def _between_patches(count: int) -> Floats:
    """Return weights that interpolate from `count` patch centres to twice as many."""
    weights = np.zeros((2 * count, count))
    for row in range(2 * count):
        place = (row + 0.5) / 2.0 - 0.5
        left = min(max(math.floor(place), 0), max(count - 2, 0))
        share = place - left if count > 1 else 0.0
        weights[row, left] += 1.0 - share
        if count > 1:
            weights[row, left + 1] += share
    return weights


def _facing_wall(distance: Floats, along: Floats, up: Floats) -> Floats:
    """Factor from a floor element to a wall's rectangle between (0, 0) and (along, up)."""
    near = np.maximum(distance, 1e-9)
    slant = np.sqrt(near * near + up * up)
    return np.asarray(
        (np.arctan(along / near) - near / slant * np.arctan(along / slant)) / (2.0 * math.pi)
    )


def _facing_ceiling(x: Floats, y: Floats, height: float) -> Floats:
    """Factor from a floor element to a ceiling rectangle between (0, 0) and (x, y)."""
    from_x, from_y = np.sqrt(x * x + height**2), np.sqrt(y * y + height**2)
    return np.asarray(
        (x / from_x * np.arctan(y / from_x) + y / from_y * np.arctan(x / from_y)) / (2.0 * math.pi)
    )


def _weights_of_patches(box: Box, response: Response) -> Floats:
    """Return the response averaged over each patch, weighted with the light it sends.

    Returns
    -------
    array, shape (lattice points, patches)
        1 where the sensor follows the cosine.
    """
    x, y = _lattice_points(box)
    total = np.ones((len(x), len(box.area_m2)))
    for name, face in box.faces.items():
        if name == "floor":
            continue
        points = box.points(name, 2)
        dx = points[None, :, :, 0] - x[:, None, None]
        dy = points[None, :, :, 1] - y[:, None, None]
        dz = points[None, :, :, 2]
        square = dx * dx + dy * dy + dz * dz
        incidence = dz / np.sqrt(square)
        leaving = -(dx * face.normal[0] + dy * face.normal[1] + dz * face.normal[2])
        # Only the ratio counts; a point in the wall itself sees it at grazing angles.
        sent = np.maximum(leaving, 1e-6) * dz / (square * square)
        weighted = (sent * response(incidence)).sum(axis=2)
        total[:, face.patches] = weighted / sent.sum(axis=2)
    return total
