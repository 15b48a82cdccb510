"""Inter-reflection in a box of diffuse walls, by radiosity.

Floor, ceiling and four walls are divided into equal rectangular patches. The exchange area
of every pair is exact: closed forms for parallel and for perpendicular rectangles, applied
to a table of offsets, as equal patches make most pairs alike. What is approximated is only
that each patch has one radiosity. An open side is a patch that reflects nothing.

Valid for diffuse (Lambertian) surfaces in an empty convex box; a glossy film, the shadow of
the gantry, and a lamp body in the way of reflected light are outside it.

References
----------
.. [1] J. R. Howell, A Catalog of Radiation Heat Transfer Configuration Factors: parallel
   and perpendicular rectangles with edges parallel (formulas from memory; tests check
   them against tabulated values and numerical integration).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
FACES = ("floor", "ceiling", "west", "east", "south", "north")
"""West is x = 0, south is y = 0."""

_NORMALS = {
    "floor": (0.0, 0.0, 1.0),
    "ceiling": (0.0, 0.0, -1.0),
    "west": (1.0, 0.0, 0.0),
    "east": (-1.0, 0.0, 0.0),
    "south": (0.0, 1.0, 0.0),
    "north": (0.0, -1.0, 0.0),
}


class Face(NamedTuple):
    """One side of the box and where its patches stand in the arrays."""

    name: str
    normal: tuple[float, float, float]
    patches: slice
    shape: tuple[int, int]
    """Patches along the first and second of the face's two axes (x before y before z)."""


class Balance(NamedTuple):
    """What the box settles at, per patch."""

    irradiance: Floats
    radiosity: Floats


class Box:
    """The patches of a box and the exchange of light between them.

    Parameters
    ----------
    size_m : tuple of float
        Width (x), depth (y), height (z). [m]
    counts : tuple of int
        Patches along x, y and z.
    """

    def __init__(self, size_m: tuple[float, float, float], counts: tuple[int, int, int]) -> None:
        self.size_m = size_m
        self.counts = counts
        (width, depth, height), (nx, ny, nz) = size_m, counts
        pitch = (width / nx, depth / ny, height / nz)
        shapes = {"floor": (nx, ny), "ceiling": (nx, ny)}
        shapes |= dict.fromkeys(("west", "east"), (ny, nz))
        shapes |= dict.fromkeys(("south", "north"), (nx, nz))
        self.faces: dict[str, Face] = {}
        begin = 0
        for name in FACES:
            shape = shapes[name]
            end = begin + shape[0] * shape[1]
            self.faces[name] = Face(name, _NORMALS[name], slice(begin, end), shape)
            begin = end
        areas = {"floor": pitch[0] * pitch[1], "west": pitch[1] * pitch[2]}
        areas |= {"ceiling": areas["floor"], "east": areas["west"]}
        areas |= dict.fromkeys(("south", "north"), pitch[0] * pitch[2])
        self.area_m2 = np.concatenate(
            [np.full(f.shape[0] * f.shape[1], areas[f.name]) for f in self.faces.values()]
        )
        self.exchange_m2 = self._exchange(pitch)

    def points(self, name: str, per_side: int = 1) -> Floats:
        """Return points inside the patches of one face, patch by patch.

        Returns
        -------
        array, shape (patches, per_side**2, 3)
            From the corner of the box. [m]
        """
        first, second = self.faces[name].shape
        a = (np.arange(first * per_side) + 0.5) / (first * per_side)
        b = (np.arange(second * per_side) + 0.5) / (second * per_side)
        a, b = (v.reshape(-1, per_side) for v in (a, b))
        shape = (first, second, per_side, per_side)
        u = np.broadcast_to(a[:, None, :, None], shape).reshape(first * second, -1)
        v = np.broadcast_to(b[None, :, None, :], shape).reshape(first * second, -1)
        fixed = np.full_like(u, 1.0 if name in ("ceiling", "east", "north") else 0.0)
        parts = {
            "floor": (u, v, fixed),
            "west": (fixed, u, v),
            "south": (u, fixed, v),
        }
        alike = {"ceiling": "floor", "east": "west", "north": "south"}
        return np.stack(parts[alike.get(name, name)], axis=-1) * np.array(self.size_m)

    def balance(
        self, reflectance: Floats, first_irradiance: Floats, own_exitance: Floats | float = 0.0
    ) -> Balance:
        """Return irradiance and radiosity of every patch once all bounces are counted.

        Parameters
        ----------
        reflectance : array, shape (patches,)
            Diffuse, below 1 on at least one patch. [1]
        first_irradiance : array, shape (patches,)
            What arrives straight from lamps.
        own_exitance : array or float
            What a patch emits by itself.
        """
        factors = self.exchange_m2 / self.area_m2[:, None]
        system = np.eye(len(self.area_m2)) - reflectance[:, None] * factors
        radiosity = np.linalg.solve(system, own_exitance + reflectance * first_irradiance)
        return Balance(first_irradiance + factors @ radiosity, radiosity)

    def _exchange(self, pitch: tuple[float, float, float]) -> Floats:
        nx, ny, nz = self.counts
        px, py, pz = pitch
        total = np.zeros((len(self.area_m2), len(self.area_m2)))
        grids = {
            name: [k.ravel() for k in np.indices(face.shape)] for name, face in self.faces.items()
        }

        def put(first: str, second: str, block: Floats) -> None:
            rows, columns = self.faces[first].patches, self.faces[second].patches
            total[rows, columns] = block
            total[columns, rows] = block.T

        for first, second, (n1, p1), (n2, p2), gap in (
            ("floor", "ceiling", (nx, px), (ny, py), nz * pz),
            ("west", "east", (ny, py), (nz, pz), nx * px),
            ("south", "north", (nx, px), (nz, pz), ny * py),
        ):
            table = parallel_exchange((n1, n2), (p1, p2), gap)
            (a, b), (c, d) = grids[first], grids[second]
            put(first, second, table[abs(a[:, None] - c), abs(b[:, None] - d)])

        def flipped(index: NDArray[np.int64], count: int, far: bool) -> NDArray[np.int64]:
            return count - 1 - index if far else index

        floor_west = perpendicular_exchange((nx, nz, ny), (px, pz, py))
        floor_south = perpendicular_exchange((ny, nz, nx), (py, pz, px))
        west_south = perpendicular_exchange((ny, nx, nz), (py, px, pz))
        for flat in ("floor", "ceiling"):
            x, y = (k[:, None] for k in grids[flat])
            for wall in ("west", "east", "south", "north"):
                along, up = grids[wall]
                from_edge = flipped(up, nz, flat == "ceiling")
                if wall in ("west", "east"):
                    block = floor_west[flipped(x, nx, wall == "east"), from_edge, abs(y - along)]
                else:
                    block = floor_south[flipped(y, ny, wall == "north"), from_edge, abs(x - along)]
                put(flat, wall, block)
        for side in ("west", "east"):
            y, z = (k[:, None] for k in grids[side])
            for wall in ("south", "north"):
                x, up = grids[wall]
                near_y, near_x = flipped(y, ny, wall == "north"), flipped(x, nx, side == "east")
                put(side, wall, west_south[near_y, near_x, abs(z - up)])
        return total


def parallel_exchange(
    counts: tuple[int, int], pitch_m: tuple[float, float], gap_m: float
) -> Floats:
    """Return exchange areas of equal parallel patches by their offset.

    Parameters
    ----------
    counts : tuple of int
        Patches along the two axes: offsets run from 0 to one less.
    pitch_m : tuple of float
        Size of a patch. [m]
    gap_m : float
        Distance of the two planes. [m]

    Returns
    -------
    array, shape counts
        Area times configuration factor. [m²]
    """
    u, v = (np.arange(-1, n + 1) * p for n, p in zip(counts, pitch_m, strict=True))
    x, y = u[:, None], v[None, :]
    g = gap_m
    from_x, from_y = np.sqrt(x * x + g * g), np.sqrt(y * y + g * g)
    primitive = (
        y * from_x * np.arctan(y / from_x)
        + x * from_y * np.arctan(x / from_y)
        - 0.5 * g * g * np.log(x * x + y * y + g * g)
    ) / (2.0 * math.pi)
    return _second_difference(_second_difference(primitive, 0), 1)


def perpendicular_exchange(
    counts: tuple[int, int, int], pitch_m: tuple[float, float, float]
) -> Floats:
    """Return exchange areas of patches on two planes that meet at a right angle.

    Parameters
    ----------
    counts : tuple of int
        Patches away from the common edge on the first plane, on the second, and along it.
    pitch_m : tuple of float
        Size of a patch in those three directions. [m]

    Returns
    -------
    array, shape counts
        By distance from the edge on both planes and offset along it: area times
        configuration factor. [m²]
    """
    x = (np.arange(counts[0] + 1) * pitch_m[0])[:, None, None]
    z = (np.arange(counts[1] + 1) * pitch_m[1])[None, :, None]
    v = (np.arange(-1, counts[2] + 1) * pitch_m[2])[None, None, :]
    square = x * x + z * z
    root = np.sqrt(square)
    angle = np.where(root > 0.0, np.arctan(v / np.where(root > 0.0, root, 1.0)), 0.0)
    sum_square = square + v * v
    log = np.log(np.where(sum_square > 0.0, sum_square, 1.0))
    primitive = (v * root * angle - 0.25 * (square - v * v) * log) / (2.0 * math.pi)
    crossed = np.diff(np.diff(primitive, axis=0), axis=1)
    return _second_difference(crossed, 2)


def _second_difference(values: Floats, axis: int) -> Floats:
    """Sum over both edges of both patches: minus the second difference of the primitive."""
    moved = np.moveaxis(values, axis, 0)
    return np.moveaxis(2.0 * moved[1:-1] - moved[:-2] - moved[2:], 0, axis)
