"""Options of the G-code gantry."""

from __future__ import annotations

from attrs import define, field

from drivers.gcode.words import DialectOverrides
from drivers.line import SerialSettings
from drivers.options import PortOptions, choice, number, span, switch, whole


@define(kw_only=True)
class GantryOptions(PortOptions):
    """A gantry under a G-code motion controller.

    Travel is in stage coordinates: those that the controller reports as its machine position.
    """

    dialect: str = choice(
        "status-report",
        "position-report",
        default="status-report",
        doc="How the controller is spoken to; see drivers/gcode/dialect.py.",
    )
    dialect_overrides: DialectOverrides | None = field(
        default=None,
        metadata={"unit": "", "doc": "Words in place of the dialect's own, where they differ."},
    )
    baud: int = whole(
        default=115200, unit="Bd", least=1200, most=4_000_000, doc="Rate of the port."
    )
    speed_mm_s: float = number(
        default=100.0, unit="mm/s", above=0.0, doc="Speed of a move in the plane."
    )
    height_speed_mm_s: float = number(
        default=10.0,
        unit="mm/s",
        above=0.0,
        doc="Speed of a move that changes the mounting height; the height axis must reach it.",
    )
    acceleration_mm_s2: float = number(
        default=500.0, unit="mm/s²", above=0.0, doc="As set in the controller."
    )
    travel_x_mm: tuple[float, float] = span(unit="mm", doc="Lowest and highest x allowed.")
    travel_y_mm: tuple[float, float] = span(unit="mm", doc="Lowest and highest y allowed.")
    travel_z_mm: tuple[float, float] | None = span(
        default=None,
        unit="mm",
        doc="Lowest and highest mounting height, where a height axis is fitted.",
    )
    x_at_origin_mm: float = number(
        default=0.0, unit="mm", doc="Stage x of the corner of the plane from which x is counted."
    )
    y_at_origin_mm: float = number(
        default=0.0, unit="mm", doc="Stage y of the corner of the plane from which y is counted."
    )
    tolerance_mm: float = number(
        default=0.1,
        unit="mm",
        above=0.0,
        doc="How far from its target the stage may report itself.",
    )
    banner_within_s: float = number(
        default=3.0,
        unit="s",
        above=0.0,
        doc="How long a controller that restarts on connecting may take to greet.",
    )
    reply_within_s: float = number(
        default=1.0, unit="s", above=0.0, doc="Time allowed to the answer to a line."
    )
    barrier_test: bool = switch(
        default=True,
        doc="After the first homing, time a known short move: a controller that says that it has "
        "arrived before it can have is refused.",
    )
    homing_within_s: float = number(
        default=90.0, unit="s", above=0.0, doc="Time allowed to homing."
    )


def line_settings(options: GantryOptions) -> SerialSettings:
    """Return the settings of the port."""
    return SerialSettings(baud=options.baud)
