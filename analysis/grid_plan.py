"""What a plan says of the measurement grid, read with all its faults at once."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

LAYOUTS: Final = ("cell-centres", "edge-inclusive", "lines", "explicit")
SHAPES: Final = ("rectangle", "round")
DEFAULT_ROWS: Final = 9
DEFAULT_COLUMNS: Final = 9
SAME_PLACE_MM: Final = 0.01
"""Positions are stored to this resolution; nearer points are the same point. [mm]"""


class GridError(ValueError):
    """The plan describes no usable grid; the message lists every fault."""

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        count = f"{len(faults)} problem{'s' if len(faults) != 1 else ''}"
        super().__init__(f"{count} with the measurement grid: " + "; ".join(faults))


@frozen(kw_only=True, eq=False)
class GridPlan:
    """The tables ``[area]`` and ``[grid]``, checked.

    Attributes
    ----------
    layout, shape : str
        One of `LAYOUTS` and of `SHAPES`.
    width_mm, depth_mm : float
        Extent of the area; both are the diameter of a round one. [mm]
    rows, columns : int
        Counts of the regular layouts; not used by the others.
    x_mm, y_mm : array
        Lines, or points of the explicit layout. [mm]
    weights_m2 : array
        Areas of the explicit layout. [m²]
    """

    layout: str
    shape: str
    width_mm: float
    depth_mm: float
    rows: int = DEFAULT_ROWS
    columns: int = DEFAULT_COLUMNS
    x_mm: Floats = field(factory=lambda: np.empty(0))
    y_mm: Floats = field(factory=lambda: np.empty(0))
    weights_m2: Floats = field(factory=lambda: np.empty(0))


def read_grid_plan(plan: Mapping[str, Any]) -> GridPlan:
    """Read and check what a plan says of area and grid.

    Raises
    ------
    GridError
        With all faults.
    """
    faults: list[str] = []
    area = _section(plan, "area", faults)
    grid = _section(plan, "grid", faults)
    shape = _choice(area, "area.shape", SHAPES, "rectangle", faults)
    if shape == "round":
        width_mm = depth_mm = _size(area, "area.diameter_mm", faults)
    else:
        width_mm = _size(area, "area.width_mm", faults)
        depth_mm = _size(area, "area.depth_mm", faults)
    layout = _choice(grid, "grid.layout", LAYOUTS, "cell-centres", faults)
    held: dict[str, Any] = {}
    if layout == "explicit":
        held = _listed_points(grid, shape, width_mm, depth_mm, faults)
    elif layout == "lines":
        held["x_mm"] = _lines(grid, "grid.x_mm", width_mm, faults)
        held["y_mm"] = _lines(grid, "grid.y_mm", depth_mm, faults)
    else:
        least = 2 if layout == "edge-inclusive" else 1
        held["columns"] = _count(grid, "grid.columns", least, DEFAULT_COLUMNS, faults)
        held["rows"] = _count(grid, "grid.rows", least, DEFAULT_ROWS, faults)
    if faults:
        raise GridError(faults)
    return GridPlan(layout=layout, shape=shape, width_mm=width_mm, depth_mm=depth_mm, **held)


def _section(plan: Mapping[str, Any], name: str, faults: list[str]) -> Mapping[str, Any]:
    section = plan.get(name, {})
    if not isinstance(section, Mapping):
        faults.append(f"{name} is {section!r}; it must be a table [{name}]")
        return {}
    return section


def _choice(
    section: Mapping[str, Any], path: str, allowed: tuple[str, ...], default: str, faults: list[str]
) -> str:
    value = section.get(path.split(".")[1], default)
    if value not in allowed:
        faults.append(f"{path} is {value!r}; give one of {', '.join(map(repr, allowed))}")
        return default
    return str(value)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _size(section: Mapping[str, Any], path: str, faults: list[str]) -> float:
    value = section.get(path.split(".")[1])
    if value is None:
        faults.append(f"{path} is missing; give a number of millimetres above 0, e.g. 1200.0")
    elif not _is_number(value) or value <= 0:
        faults.append(f"{path} is {value!r}; give a number of millimetres above 0, e.g. 1200.0")
    else:
        return float(value)
    return math.nan


def _count(
    section: Mapping[str, Any], path: str, least: int, default: int, faults: list[str]
) -> int:
    value = section.get(path.split(".")[1], default)
    if not isinstance(value, int) or isinstance(value, bool) or value < least:
        faults.append(f"{path} is {value!r}; give a whole number of at least {least}, e.g. 9")
        return default
    return value


def _numbers(section: Mapping[str, Any], path: str, faults: list[str]) -> Floats | None:
    value = section.get(path.split(".")[1])
    if value is None:
        faults.append(f"{path} is missing; give a list of numbers")
        return None
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) == 0:
        faults.append(f"{path} is {value!r}; give a list of numbers")
        return None
    wrong = [item for item in value if not _is_number(item)]
    if wrong:
        faults.append(f"{path} holds {wrong[0]!r}; every entry must be a number")
        return None
    return np.array(value, dtype=float)


def _outside(path: str, values: Floats, extent_mm: float) -> list[str]:
    out = values[(values < 0) | (values > extent_mm)]
    if len(out) == 0:
        return []
    return [f"{path} holds {out[0]:g}, outside the area (0 to {extent_mm:g} mm)"]


def _lines(section: Mapping[str, Any], path: str, extent_mm: float, faults: list[str]) -> Floats:
    values = _numbers(section, path, faults)
    if values is None:
        return np.empty(0)
    faults += _outside(path, values, extent_mm)
    stalls = np.flatnonzero(np.diff(values) <= SAME_PLACE_MM)
    if len(stalls):
        before, after = values[stalls[0]], values[stalls[0] + 1]
        faults.append(
            f"{path} goes from {before:g} to {after:g}; each line must lie beyond the last"
        )
    return values


def _listed_points(
    section: Mapping[str, Any], shape: str, width_mm: float, depth_mm: float, faults: list[str]
) -> dict[str, Floats]:
    x_mm = _numbers(section, "grid.x_mm", faults)
    y_mm = _numbers(section, "grid.y_mm", faults)
    weights_m2 = _numbers(section, "grid.weights_m2", faults)
    if x_mm is None or y_mm is None or weights_m2 is None:
        return {}
    if not len(x_mm) == len(y_mm) == len(weights_m2):
        faults.append(
            f"grid.x_mm, y_mm and weights_m2 hold {len(x_mm)}, {len(y_mm)} and "
            f"{len(weights_m2)} numbers; give one of each for every point"
        )
        return {}
    faults += _outside("grid.x_mm", x_mm, width_mm) + _outside("grid.y_mm", y_mm, depth_mm)
    radius_mm = width_mm / 2
    if (
        shape == "round"
        and (np.hypot(x_mm - radius_mm, y_mm - radius_mm) > radius_mm + SAME_PLACE_MM).any()
    ):
        faults.append("grid holds a point outside the round area")
    places = np.round(np.column_stack((x_mm, y_mm)), 2)
    _, first, times = np.unique(places, axis=0, return_index=True, return_counts=True)
    if (times > 1).any():
        twice = first[times > 1][0]
        faults.append(
            f"grid lists the point x {x_mm[twice]:g} mm, y {y_mm[twice]:g} mm more than once"
        )
    if (weights_m2 < 0).any() or weights_m2.sum() <= 0:
        faults.append("grid.weights_m2 must be 0 or more for every point and above 0 in all")
    whole_m2 = width_mm * depth_mm * 1e-6 * (math.pi / 4 if shape == "round" else 1.0)
    if weights_m2.sum() > whole_m2 * 1.001:
        faults.append(
            f"grid.weights_m2 add up to {weights_m2.sum():g} m², more than the area "
            f"({whole_m2:g} m²)"
        )
    return {"x_mm": x_mm, "y_mm": y_mm, "weights_m2": weights_m2}
