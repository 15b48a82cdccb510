"""The sections of a test plan: every key with its unit, meaning, default and limits.

What is measured and where; `rig/plan_doing.py` has the sections that say what is done. Together
they are the only list of the keys; ``hardware/example-plan.toml`` shows them all, and a test
compares the two.
"""

from __future__ import annotations

import math
from datetime import date
from typing import Final, Literal

import attrs
from attrs import frozen

from rig.toml_keys import choice, described_day, flag, number, numbers, text

MOST_LINES: Final = 200


@frozen(kw_only=True)
class AboutTest:
    """Section ``[test]``: what the report is headed with."""

    name: str = text("Name of the test.", example="Reflector A, two heights", empty=False)
    operator: str = text("Who runs it.", default="", example="bench team")
    notes: str = text("Anything worth knowing later.", default="", example="film renewed")


@frozen(kw_only=True)
class Device:
    """Section ``[device]``: the device under test."""

    name: str = text("Name of the device under test.", example="Reflector A", empty=False)
    kind: str = text("What it is.", default="reflector", example="reflector")
    specimen: str = text(
        "Which specimen of it; one specimen is called one specimen.", default="", example="A-1"
    )
    lamp_axis: Literal["x", "y", "vertical"] = choice(
        "Direction of the lamp above the plane; drawn on the map.",
        "x",
        "y",
        "vertical",
        default="x",
    )
    clearance_mm: float = number(
        "mm",
        "Lowest mounting height at which nothing on the plane can touch or be scorched by it.",
        default=0.0,
        at_least=0,
        at_most=5000,
        example=250.0,
    )
    opening: Literal["above the centre", "not stated"] = choice(
        "Whether light leaves one opening above the centre of the plane, so that its angles are "
        "known.",
        "above the centre",
        "not stated",
        default="not stated",
    )
    is_control: bool = flag(
        "Whether it is the control reflector: kept by the lab, measured again over months.",
        default=False,
    )


@frozen(kw_only=True)
class Lamp:
    """Section ``[lamp]``: which lamp, and what may be done with it."""

    sample: str = text("Its label in the lab's records.", default="", example="L-07")
    kind: str = choice(
        "Kind of lamp; decides which cautions are shown.",
        "high-pressure sodium",
        "metal halide",
        "ceramic metal halide",
        "fluorescent",
        "LED",
        "other",
        default="other",
    )
    rated_power_w: float = number(
        "W",
        "Power printed on the lamp.",
        default=math.nan,  # not stated; `rig.plan_checks` lets only an entered plan leave it out
        above=0,
        at_most=5000,
        example=600.0,
    )
    rated_flux_umol_s: float | None = number(
        "µmol/s",
        "Photosynthetic photon flux of the bare lamp, if its maker states it.",
        default=None,
        above=0,
        at_most=20000,
        example=1100.0,
    )
    hours: float | None = number(
        "h",
        "Burning hours before the test, if known.",
        default=None,
        at_least=0,
        at_most=200000,
        example=130.0,
    )
    burning_position: str = choice(
        "How it burns in the device; of runs that are compared it has to be the same, since "
        "light and watts can change with it (common practice, no source).",
        "horizontal",
        "base up",
        "base down",
        "not stated",
        default="not stated",
    )
    seasoning_h: float | None = number(
        "h",
        "Burning in before its light counts; by the kind of lamp if left out.",
        default=None,
        at_least=0,
        at_most=1000,
        example=100.0,
    )
    minimum_off_s: float = number(
        "s",
        "Time the lamp stays off before it may be lit again, and before hands go to it.",
        default=900.0,
        at_least=0,
        at_most=14400,
        example=900.0,
    )
    switching: str = choice(
        "Who lights it: a person, or the lamp relay of the rig profile.",
        "hand",
        "relay",
        default="hand",
    )
    armed: bool = flag(
        "Whether the relay may light it in this test; needed with relay, and only there.",
        default=False,
    )


@frozen(kw_only=True)
class Ballast:
    """Section ``[ballast]``: what feeds the lamp."""

    sample: str = text("Its label in the lab's records.", default="", example="B-02")
    kind: str = choice(
        "Kind of ballast.", "electronic", "magnetic", "none", "not stated", default="not stated"
    )
    setting: str = text("Its setting, if it has one.", default="", example="600 W")
    nominal_voltage_v: float | None = number(
        "V", "Nominal supply voltage.", default=None, above=0, at_most=1000, example=230.0
    )


@frozen(kw_only=True)
class Area:
    """Section ``[area]``: the measurement plane and what surrounds it."""

    shape: str = choice("Shape of the plane.", "rectangle", "round", default="rectangle")
    width_mm: float | None = number(
        "mm",
        "Inside width, along x; for a rectangle.",
        default=None,
        at_least=50,
        at_most=20000,
        example=1200.0,
    )
    depth_mm: float | None = number(
        "mm",
        "Inside depth, along y; for a rectangle.",
        default=None,
        at_least=50,
        at_most=20000,
        example=1200.0,
    )
    diameter_mm: float | None = number(
        "mm",
        "Inside diameter; for a round area.",
        default=None,
        at_least=50,
        at_most=20000,
        example=1200.0,
    )
    walls: str = text("What the walls are made of.", default="", example="matt white board")
    walls_identity: str = text("Label of this set of walls.", default="", example="W-1")
    walls_state_date: date | None = attrs.field(
        default=None,
        metadata=described_day("Day on which the walls were last cleaned or renewed."),
    )
    floor: str = text("What the floor is made of.", default="", example="white tray")
    above: str = text("What lies above the walls.", default="", example="open")


@frozen(kw_only=True)
class GridPlan:
    """Section ``[grid]``: where the plane is read."""

    layout: str = choice(
        "How the points are laid out.",
        "cell-centres",
        "edge-inclusive",
        "lines",
        "explicit",
        default="cell-centres",
    )
    rows: int = number(
        "1",
        "Points along y, for cell-centres and edge-inclusive.",
        default=9,
        at_least=1,
        at_most=MOST_LINES,
        example=9,
    )
    columns: int = number(
        "1",
        "Points along x, for cell-centres and edge-inclusive.",
        default=9,
        at_least=1,
        at_most=MOST_LINES,
        example=9,
    )
    x_mm: tuple[float, ...] | None = numbers(
        "mm",
        "For lines: x of each column, rising. For explicit: x of each point.",
        default=None,
        at_least=0,
        example=[150.0, 450.0, 900.0],
    )
    y_mm: tuple[float, ...] | None = numbers(
        "mm",
        "For lines: y of each row, rising. For explicit: y of each point.",
        default=None,
        at_least=0,
        example=[150.0, 450.0, 900.0],
    )
    weights_m2: tuple[float, ...] | None = numbers(
        "m²",
        "For explicit: the area that each point stands for.",
        default=None,
        at_least=0,
        example=[0.48, 0.48, 0.48],
    )


@frozen(kw_only=True)
class Heights:
    """Section ``[heights]``: mounting heights, their order, and how often the device is hung."""

    mounting_height_mm: tuple[float, ...] = numbers(
        "mm",
        "Datum of the device to the diffuser of the sensor.",
        above=0,
        at_most=5000,
        example=[400.0, 500.0],
    )
    axis: str = choice(
        "What is moved to change the height; inside walls the two differ optically.",
        "lamp",
        "plane",
        default="lamp",
    )
    order: str = choice(
        "Order in which the heights are measured.",
        "as listed",
        "ascending",
        "random",
        default="as listed",
    )
    seed: int | None = number(
        "1",
        "Where the random order comes from; needed with random, and only there.",
        default=None,
        at_least=0,
        at_most=2**31 - 1,
        example=20260105,
    )
    installations: int = number(
        "1",
        "How often the device is hung for each height; all heights are measured, then it is hung "
        "anew.",
        default=1,
        at_least=1,
        at_most=20,
        example=1,
    )
    replicates: int = number(
        "1",
        "How often each map is read, one after the other under one hanging; what they differ by is "
        "its repeatability.",
        default=1,
        at_least=1,
        at_most=20,
        example=1,
    )
    return_to_first: bool = flag(
        "At the end, go back to the first height as a check: by a height axis a few points are "
        "read again, by hand it is one more installation and map.",
        default=False,
    )


@frozen(kw_only=True)
class Entered:
    """Section ``[entered]``: where the readings come from if they were entered by hand."""

    table: str = text("Name of the file that was entered.", example="sheet.csv", empty=False)
    sha256: str = text(
        "SHA-256 of that file.", example="e3b0c44298fc1c149afbf4c8996fb924…", empty=False
    )
    first_line: str = choice(
        "Which row of the grid the first line of the table is: far is the largest y.",
        "far",
        "near",
        "as positions say",
    )
    sensor: str = text("What the readings were taken with.", default="", example="S-03")
    measured_on: date | None = attrs.field(
        default=None,
        metadata=described_day("Day of the measurement."),
    )
    lux_per_ppfd: float | None = number(
        "lx",
        "What readings in lux were divided by to give µmol/m²/s; left out, they were PPFD.",
        default=None,
        above=0,
        at_most=300,
        example=84.0,
    )
    lux_limit_percent: float | None = number(
        "%", "Limits of that factor, ±.", default=None, above=0, at_most=50, example=10.0
    )
    lux_source: str = text("Where that factor comes from.", default="", example="lamp kind")
