"""Between the plane, in which the rig thinks, and the stage, in which the controller counts."""

from __future__ import annotations

import math
from collections.abc import Sequence

from drivers.contracts import Position
from drivers.gcode.options import GantryOptions

TEST_WAY_MM = 10.0  # of the move by which the barrier is tested


def outside_travel(
    options: GantryOptions, x_mm: float, y_mm: float, z_mm: float | None
) -> list[str]:
    """Name each coordinate of a target that lies outside the travel, with what is allowed. [mm]

    A NaN is outside.
    """
    return [
        f"{name} {value + origin:g} mm (allowed: {travel[0]:g} to {travel[1]:g} mm)"
        for name, value, origin, travel in (
            ("x", x_mm, options.x_at_origin_mm, options.travel_x_mm),
            ("y", y_mm, options.y_at_origin_mm, options.travel_y_mm),
            ("z", z_mm, 0.0, options.travel_z_mm),
        )
        if value is not None and travel is not None and not travel[0] <= value + origin <= travel[1]
    ]


def speed_mm_s(options: GantryOptions, start: Position, end: Position) -> float:
    """Return the speed of a move: that of the height axis where it takes part. [mm/s]"""
    changes_height = None not in (start.z_mm, end.z_mm) and start.z_mm != end.z_mm
    return options.height_speed_mm_s if changes_height else options.speed_mm_s


def travel_s(options: GantryOptions, start: Position, end: Position) -> float:
    """Return the time of a straight move with even acceleration at both ends. [s]"""
    way_mm = math.dist([value or 0.0 for value in start], [value or 0.0 for value in end])
    speed, acceleration = speed_mm_s(options, start, end), options.acceleration_mm_s2
    if way_mm < speed**2 / acceleration:  # too short to reach full speed
        return 2.0 * math.sqrt(way_mm / acceleration)
    return way_mm / speed + speed / acceleration


def axis_words(options: GantryOptions, target: Position) -> str:
    """Write a target as G-code axis words in stage coordinates, to the micrometre."""
    words = [
        f"X{target.x_mm + options.x_at_origin_mm:.3f}",
        f"Y{target.y_mm + options.y_at_origin_mm:.3f}",
    ]
    if options.travel_z_mm is not None and target.z_mm is not None:
        words.append(f"Z{target.z_mm:.3f}")
    return " ".join(words)


def from_stage(options: GantryOptions, stage_mm: Sequence[float]) -> Position:
    """Return the place in the plane of a machine position. [mm]

    Raises
    ------
    ValueError
        It has fewer axes than the profile declares.
    """
    needed = 2 if options.travel_z_mm is None else 3
    if len(stage_mm) < needed:
        raise ValueError(f"reports {len(stage_mm)} axes; {needed} are needed.")
    return Position(
        stage_mm[0] - options.x_at_origin_mm,
        stage_mm[1] - options.y_at_origin_mm,
        stage_mm[2] if needed == 3 else None,
    )


def farthest_off_mm(position: Position, target: Position) -> float:
    """Return by how much the worst axis misses the target. [mm]"""
    return max(
        abs(is_at - should)
        for is_at, should in zip(position, target, strict=True)
        if is_at is not None and should is not None
    )


def in_words(position: Position) -> str:
    """Write a place for a person."""
    return ", ".join(
        f"{name} {value:.3f} mm"
        for name, value in zip("xyz", position, strict=True)
        if value is not None
    )


def test_target(options: GantryOptions, start: Position) -> Position:
    """Return a place near `start` along x, towards the middle of the travel. [mm]"""
    lowest, highest = options.travel_x_mm
    stage_x = start.x_mm + options.x_at_origin_mm
    way = min(TEST_WAY_MM, 0.25 * (highest - lowest))
    return start._replace(x_mm=start.x_mm + (way if stage_x < 0.5 * (lowest + highest) else -way))
