"""Hot and cold spots: points that stand out from the light around them.

A map under a lamp is bright in the middle and dark at the rim; neither is a spot. A spot is a
point that departs from the smooth course of its surroundings by more than both 5 % and four
times the standard uncertainty of that departure. `analysis.background` says how the smooth
course and its uncertainty are found.

How far it can be trusted, on synthetic fields (`tests/analysis/test_hot_spots.py`): a facet of
10 % and two cells wide is found in at least 95 of 100 maps of 8 × 8 or 9 × 9 points from 0.4 m
up, and in at least 80 at 0.3 m, where the lamp's own peak is hardly wider than the facet; at most
one noisy map in 100 without a facet shows a spot.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

from analysis.background import LEAST_POINTS, smooth_background
from analysis.digits import fixed
from analysis.grid import SAME_PLACE_MM, Grid

Floats = NDArray[np.floating[Any]]

LEAST_EXCESS: Final = 0.05
"""No smaller departure is called a spot. [fraction]"""
COVERAGE: Final = 4.0
"""Standard uncertainties that a departure must exceed: a map holds a hundred chances."""
POSITION_SD_MM: Final = 1.0
"""Common practice, no source: what a belt-driven stage repeats to. [mm]"""
FINEST_REPEATABILITY: Final = 5e-4
"""No reading is taken to repeat better than this. [fraction]"""


@frozen(kw_only=True)
class Spot:
    """One point that stands out.

    Attributes
    ----------
    row, column : int
        Place in the grid, counted from 0.
    x_mm, y_mm : float
        Position from the corner of the plane. [mm]
    ppfd : float
        What was read. [µmol m⁻² s⁻¹]
    background : float
        What the points around it let expect. [µmol m⁻² s⁻¹]
    excess : float
        `ppfd` over `background`, less 1; below 0 for a cold spot. [fraction]
    threshold : float
        What its size had to exceed: the larger of 5 % and four standard uncertainties. [fraction]
    kind : str
        ``"hot"`` or ``"cold"``.
    """

    row: int
    column: int
    x_mm: float
    y_mm: float
    ppfd: float
    background: float
    excess: float
    threshold: float
    kind: str


@frozen(kw_only=True)
class RefiningPoint:
    """A place to read once more; role ``refine``, so it weighs nothing in any sum."""

    x_mm: float
    y_mm: float
    weight_m2: float = 0.0
    role: str = "refine"


@frozen(kw_only=True, eq=False)
class SpotReport:
    """The spots of a map, and what the search could not see. Iterates over the spots.

    Attributes
    ----------
    spots : tuple of Spot
        The strongest first.
    excess, threshold : array, shape (n,)
        Departure of every point, and what it would have had to exceed; NaN where not judged.
        [fraction]
    refining_points : tuple of RefiningPoint
        Half-way places around the spots: reading them shows how far each one reaches.
    remarks : tuple of str
        What can be missed and what was not judged, in plain sentences.
    """

    spots: tuple[Spot, ...]
    excess: Floats
    threshold: Floats
    refining_points: tuple[RefiningPoint, ...]
    remarks: tuple[str, ...]

    def __iter__(self) -> Iterator[Spot]:
        return iter(self.spots)

    def __len__(self) -> int:
        return len(self.spots)


def find_spots(
    grid: Grid,
    ppfd: ArrayLike,
    *,
    repeatability: ArrayLike,
    position_sd_mm: float = POSITION_SD_MM,
) -> SpotReport:
    """Find the points that stand out from the light around them.

    Parameters
    ----------
    grid : Grid
        Where the points lie.
    ppfd : array, shape (n,)
        PPFD of each point, NaN where missing. Missing points are neither filled nor judged, and
        count in no background; nor do points at or below 0. [µmol m⁻² s⁻¹]
    repeatability : float or array, shape (n,)
        Relative standard deviation of one point's value. [fraction]
    position_sd_mm : float
        Standard deviation of a place along each axis; it matters where the light is steep. [mm]

    Returns
    -------
    SpotReport
        Without a verdict, and saying so, for maps of fewer than 20 usable points or fewer than
        4 rows or columns: a bell and a spot cannot be told apart there.

    Raises
    ------
    ValueError
        `ppfd` or `repeatability` does not fit the grid; a repeatability or position standard
        deviation that is negative or not a number.
    """
    values = np.asarray(ppfd, dtype=float)
    if values.shape != (len(grid),):
        raise ValueError(f"{values.size} values for {len(grid)} points; give one for each point")
    relative = np.broadcast_to(np.asarray(repeatability, dtype=float), values.shape)
    if not (relative >= 0).all():
        raise ValueError(f"repeatability is {relative.min():g}; give a fraction of 0 or more")
    if not position_sd_mm >= 0:
        raise ValueError(f"position_sd_mm is {position_sd_mm!r}; give 0 or more millimetres")

    usable = np.isfinite(values) & (values > 0)
    excess, threshold = np.full(len(grid), np.nan), np.full(len(grid), np.nan)
    places = _places(grid)
    enough = usable.sum() >= LEAST_POINTS and all(
        len(np.unique(np.rint(places[usable, axis]))) >= 4 for axis in (0, 1)
    )
    if enough:
        found = smooth_background(
            grid.x_mm[usable],
            grid.y_mm[usable],
            places[usable],
            np.log(values[usable]),
            repeatability=np.maximum(relative[usable], FINEST_REPEATABILITY),
            position_sd=position_sd_mm,
        )
        excess[usable] = np.expm1(found.log_excess)
        threshold[usable] = np.maximum(LEAST_EXCESS, COVERAGE * found.log_sd)
    with np.errstate(invalid="ignore"):
        standing_out = np.flatnonzero(np.abs(excess) > threshold)
    order = standing_out[np.argsort(-np.abs(excess[standing_out]), kind="stable")]
    spots = tuple(
        Spot(
            row=int(grid.row[i]),
            column=int(grid.column[i]),
            x_mm=float(grid.x_mm[i]),
            y_mm=float(grid.y_mm[i]),
            ppfd=float(values[i]),
            background=float(values[i] / (1 + excess[i])),
            excess=float(excess[i]),
            threshold=float(threshold[i]),
            kind="hot" if excess[i] > 0 else "cold",
        )
        for i in order
    )
    refining = refining_points(grid, spots)
    return SpotReport(
        spots=spots,
        excess=excess,
        threshold=threshold,
        refining_points=refining,
        remarks=_remarks(grid, usable, excess, enough, len(refining)),
    )


def refining_points(grid: Grid, spots: tuple[Spot, ...]) -> tuple[RefiningPoint, ...]:
    """Offer places half-way to the lines around each spot, or to the border beyond the last line.

    Returns
    -------
    tuple of RefiningPoint
        Row by row, each place once, none outside the area.
    """
    x_lines, y_lines = np.unique(grid.x_mm), np.unique(grid.y_mm)
    taken = {_key(x, y) for x, y in zip(grid.x_mm, grid.y_mm, strict=True)}
    offered: dict[tuple[float, float], RefiningPoint] = {}
    radius_mm = grid.width_mm / 2
    for spot in spots:
        for y in _half_ways(y_lines, spot.y_mm, grid.depth_mm):
            for x in _half_ways(x_lines, spot.x_mm, grid.width_mm):
                outside = (
                    grid.shape == "round" and np.hypot(x - radius_mm, y - radius_mm) > radius_mm
                )
                if _key(x, y) not in taken and not outside:
                    offered[_key(x, y)] = RefiningPoint(x_mm=x, y_mm=y)
    return tuple(offered[key] for key in sorted(offered))


def _key(x: float, y: float) -> tuple[float, float]:
    return round(float(y) / SAME_PLACE_MM), round(float(x) / SAME_PLACE_MM)


def _half_ways(lines: Floats, at: float, extent_mm: float) -> list[float]:
    below, above = lines[lines < at - SAME_PLACE_MM], lines[lines > at + SAME_PLACE_MM]
    before = below[-1] if len(below) else 0.0
    after = above[0] if len(above) else extent_mm
    return [float((before + at) / 2), at, float((after + at) / 2)]


def _places(grid: Grid) -> Floats:
    """Places in steps of the grid: along the lines of a lattice, else by the mean spacing."""
    if grid.layout != "explicit":
        return np.column_stack([grid.column, grid.row]).astype(float)
    return np.column_stack([grid.x_mm, grid.y_mm]) / _pitch_mm(grid)


def _pitch_mm(grid: Grid) -> float:
    """Typical distance of neighbouring points: the side of the square each has to itself. [mm]"""
    whole = grid.width_mm * grid.depth_mm * (np.pi / 4 if grid.shape == "round" else 1.0)
    return float(np.sqrt(whole / len(grid)))


def _remarks(
    grid: Grid, usable: NDArray[np.bool_], excess: Floats, enough: bool, refining: int
) -> tuple[str, ...]:
    if not enough:
        return (
            f"Hot and cold spots are not stated: that takes at least {LEAST_POINTS} points in "
            f"4 rows and 4 columns, and this map has {int(usable.sum())} usable ones on a grid of "
            f"{grid.rows} × {grid.columns}.",
        )
    remarks = [
        f"Points are {fixed(_pitch_mm(grid), 0)} mm apart on average: a hot or cold feature "
        "narrower than that can lie between them and be missed."
    ]
    left = int(np.isnan(excess).sum())
    if left:
        remarks.append(
            f"{left} of {len(grid)} points {'was' if left == 1 else 'were'} not judged for spots: "
            "no usable value, or too few neighbours."
        )
    if refining:
        remarks.append(
            f"Reading {refining} refining point{'s' if refining != 1 else ''} half-way around "
            "the spots would show how far they reach; they weigh nothing in the sums."
        )
    return tuple(remarks)
