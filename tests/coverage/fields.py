"""Light fields of invented rooms and devices, with all that a sensor can get wrong about them.

A field is computed once by the virtual bench's own light (walls, all bounces) and then serves many
benches: what a response curve, a tilt, or a few millimetres of height do to it is linear enough to
be computed once too, for one unit of each.
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.grid import Grid, grid_from_plan
from drivers.simulated.light_field import FloorView, LightField, Room
from drivers.simulated.scenario import Area, Device, Distribution
from drivers.simulated.sources import Source

Floats = NDArray[np.float64]

BENCHES = tomllib.loads((Path(__file__).parent / "benches.toml").read_text(encoding="utf-8"))
HEIGHT_STEP_MM = 5.0
_UNIT = 0.01


@frozen(kw_only=True)
class Field:
    """One device over one plane at one mounting height.

    Attributes
    ----------
    grid : Grid
    mounting_height_mm : float
    view : FloorView
        Irradiance per flux that leaves the aperture, anywhere on the plane. [m⁻²]
    cells : array, shape (n,)
        The same at the points of the grid. [m⁻²]
    by_knot : array, shape (knots, n)
        Relative change of each point for a response error of 1 at one knot. [1]
    by_tilt : array, shape (2, n)
        Relative change of each point for a tilt along x and along y. [rad⁻¹]
    by_height : array, shape (n,)
        Relative change of each point for a device that hangs higher. [mm⁻¹]
    share : float
        Flux on the plane over the flux that leaves the aperture; integrated without a grid. [1]
    variation : float
        Coefficient of variation of the continuous field. [1]
    """

    grid: Grid
    mounting_height_mm: float
    view: FloorView
    cells: Floats
    by_knot: Floats
    by_tilt: Floats
    by_height: Floats
    share: float
    variation: float

    @property
    def min_to_mean(self) -> float:
        """Of the noise-free values at the nominal points."""
        return float(self.cells.min() / self.cells.mean())


def room_with_devices(seed: int, count: int = 2, points: int = 9) -> list[Field]:
    """Furnish a room and hang some devices in it, all at one height.

    Parameters
    ----------
    seed : int
    count : int
        Devices.
    points : int
        Rows and columns of the grid.
    """
    random = np.random.default_rng(seed)
    rooms, made = BENCHES["rooms"], BENCHES["devices"]
    width = float(random.uniform(*rooms["width_mm"]))
    wall = float(random.uniform(*rooms["wall_reflectance"]))
    area = Area(
        width_mm=width,
        depth_mm=width,
        wall_height_mm=float(random.uniform(*rooms["wall_height_mm"])),
        wall_reflectance=(wall,) * 4,
        floor_reflectance=float(random.uniform(*rooms["floor_reflectance"])),
        above="open",
    )
    height_mm = float(random.uniform(*rooms["mounting_height_mm"]))
    devices = [
        Device(
            name=f"invented {at}",
            efficiency=float(random.uniform(*made["efficiency"])),
            aperture_x_mm=float(random.uniform(*made["aperture_mm"])),
            aperture_y_mm=float(random.uniform(*made["aperture_mm"])),
            distribution=Distribution(
                exponent_x=float(random.uniform(*made["exponent"])),
                exponent_y=float(random.uniform(*made["exponent"])),
            ),
        )
        for at in range(count)
    ]
    return fields_of(area, devices, height_mm, points)


def fields_of(area: Area, devices: list[Device], height_mm: float, points: int) -> list[Field]:
    """Compute the fields of devices in one room, efficiency included."""
    plan: dict[str, Any] = {
        "area": {"shape": "rectangle", "width_mm": area.width_mm, "depth_mm": area.depth_mm},
        "grid": {"layout": "cell-centres", "rows": points, "columns": points},
    }
    grid = grid_from_plan(plan)
    room = Room(area, devices[0], height_mm / 1000.0)
    responses = [_hat(at) for at in range(len(BENCHES["sensor"]["cosine_knots_deg"]))]
    return [_field(area, room, one, height_mm, grid, responses) for one in devices]


def _field(
    area: Area, room: Room, device: Device, height_mm: float, grid: Grid, responses: list[Any]
) -> Field:
    source = Source(device)

    def light(at_mm: float) -> LightField:
        middle = (area.width_mm / 2000.0, area.depth_mm / 2000.0, at_mm / 1000.0)
        return LightField(room, source, middle)

    field = light(height_mm)
    view = field.view()
    cells = device.efficiency * view.at(grid.x_mm, grid.y_mm)
    higher = light(height_mm + HEIGHT_STEP_MM).view().at(grid.x_mm, grid.y_mm)
    by_knot = [
        (device.efficiency * field.view(one).at(grid.x_mm, grid.y_mm) / cells - 1) / _UNIT
        for one in responses
    ]
    nodes, weights = np.polynomial.legendre.leggauss(48)
    x, y = np.meshgrid(area.width_mm / 2 * (nodes + 1), area.depth_mm / 2 * (nodes + 1))
    weight = np.outer(weights, weights).ravel() / 4.0
    everywhere = device.efficiency * view.at(x.ravel(), y.ravel())
    mean = float(weight @ everywhere)
    return Field(
        grid=grid,
        mounting_height_mm=height_mm,
        view=view,
        cells=cells,
        by_knot=np.array(by_knot),
        by_tilt=_tilts(source, area, device.efficiency, height_mm, grid, cells),
        by_height=(device.efficiency * higher / cells - 1) / HEIGHT_STEP_MM,
        share=mean * grid.area_m2,
        variation=math.sqrt(float(weight @ (everywhere - mean) ** 2)) / mean,
    )


def _hat(at: int) -> Any:
    knots = np.array(BENCHES["sensor"]["cosine_knots_deg"])
    height = np.zeros(len(knots))
    height[at] = _UNIT

    def response(cosine: Floats) -> Floats:
        theta = np.degrees(np.arccos(np.clip(cosine, 0.0, 1.0)))
        return np.asarray(1.0 + np.interp(theta, knots, height))

    return response


def _tilts(
    source: Source, area: Area, efficiency: float, height_mm: float, grid: Grid, cells: Floats
) -> Floats:
    """Straight light on a tilted sensor; that of the walls is taken to come from all sides."""
    points = np.stack([grid.x_mm, grid.y_mm, np.zeros(len(grid))], axis=1) / 1000.0
    seen = points - np.array([area.width_mm / 2, area.depth_mm / 2, height_mm]) / 1000.0
    level = source.irradiance(seen, (0.0, 0.0, 1.0))
    small = 0.01
    tilted = [
        source.irradiance(seen, (math.sin(small), 0.0, math.cos(small))),
        source.irradiance(seen, (0.0, math.sin(small), math.cos(small))),
    ]
    return np.array([efficiency * (one - level) / cells / small for one in tilted])
