"""Options of `evenfall enter`; light, because every call of the program reads them."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path


def add_enter_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments that `rig.enter.run_enter` reads."""
    parser.add_argument(
        "table",
        type=Path,
        metavar="TABLE",
        help="readings of PPFD in µmol/m²/s, or of lux: a matrix as on a clipboard, or rows under "
        "headings such as x_mm, y_mm, ppfd_umol_m2_s; commas, semicolons or tabs; - where not read",
    )
    needed = parser.add_argument_group("what must be known")
    needed.add_argument("--device", required=True, help="name of the device under test")
    needed.add_argument(
        "--mounting-height-mm",
        type=as_number,
        required=True,
        metavar="MM",
        help="datum of the device to the diffuser of the sensor",
    )
    needed.add_argument("--width-mm", type=as_number, metavar="MM", help="inside width, along x")
    needed.add_argument("--depth-mm", type=as_number, metavar="MM", help="inside depth, along y")
    needed.add_argument(
        "--diameter-mm",
        type=as_number,
        metavar="MM",
        help="inside diameter of a round area, instead of width and depth",
    )

    facts = parser.add_argument_group("what should be known; left out, it is not stated")
    facts.add_argument(
        "--wall-power-w",
        type=as_number,
        metavar="W",
        help="mean wall power of ballast and lamp during the readings; without it there is no "
        "plane efficacy",
    )
    facts.add_argument("--specimen", default="", help="which specimen of the device")
    facts.add_argument(
        "--control",
        dest="is_control",
        action="store_true",
        default=None,
        help="it is the control reflector that the lab measures again and again",
    )
    facts.add_argument(
        "--lamp-axis", default=None, metavar="AXIS", help="x, y or vertical; default x"
    )
    facts.add_argument("--lamp", default="", metavar="SAMPLE", help="label of the lamp")
    facts.add_argument(
        "--lamp-kind",
        default=None,
        metavar="KIND",
        help="high-pressure sodium, metal halide, ceramic metal halide, fluorescent, LED or other",
    )
    facts.add_argument(
        "--lamp-power-w", type=as_number, metavar="W", help="power printed on the lamp"
    )
    facts.add_argument(
        "--lamp-flux-umol-s",
        type=as_number,
        metavar="UMOL_S",
        help="flux of the bare lamp, if stated",
    )
    facts.add_argument(
        "--lamp-hours", type=as_number, metavar="H", help="burning hours of the lamp"
    )
    facts.add_argument("--ballast", default="", metavar="SAMPLE", help="label of the ballast")
    facts.add_argument(
        "--ballast-kind", default=None, metavar="KIND", help="electronic, magnetic or none"
    )
    facts.add_argument("--walls", default="", help="what the walls are made of")
    facts.add_argument("--walls-identity", default="", metavar="LABEL", help="label of the walls")
    facts.add_argument("--floor", default="", help="what the floor is made of")
    facts.add_argument("--above", default="", help="what lies above the walls")
    facts.add_argument("--sensor", default="", metavar="LABEL", help="what it was read with")
    facts.add_argument(
        "--measured-on", type=_day, metavar="DAY", help="day of the readings, e.g. 2026-01-05"
    )
    facts.add_argument("--operator", default="", help="who read them")
    facts.add_argument("--notes", default="", help="anything worth knowing later")

    reading = parser.add_argument_group("how the table is to be read")
    reading.add_argument(
        "--layout",
        choices=("cell-centres", "edge-inclusive"),
        help="where the points lie if the table does not say; default cell-centres",
    )
    reading.add_argument(
        "--first-line",
        choices=("far", "near"),
        default="far",
        help="which row the first line of a matrix is, seen with the corner of x = y = 0 at the "
        "lower left: the far one (largest y, the default) or the near one",
    )
    reading.add_argument(
        "--positions-in", choices=("mm", "cm", "m"), help="unit of x and y if the table has none"
    )
    reading.add_argument(
        "--values-in",
        choices=("ppfd", "lux"),
        help="what the readings are, if the table does not say; default ppfd. Lux becomes PPFD by "
        "a factor for --lamp-kind, which adds 10 %% to what is not known",
    )
    reading.add_argument(
        "--lux-per-ppfd",
        type=as_number,
        metavar="LX",
        help="lux that are 1 µmol/m²/s of this lamp, if you know better than its kind says",
    )
    reading.add_argument(
        "--lux-limit-percent",
        type=as_number,
        metavar="PERCENT",
        help="limits of that factor, ±; needed with it",
    )
    reading.add_argument(
        "--decimal", choices=("point", "comma"), help="decimal sign if the table leaves it open"
    )
    parser.add_argument(
        "--lab", type=Path, default=Path("lab"), help="lab folder to keep the run in"
    )


def as_number(text: str) -> float:
    """Read an option that is a number."""
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no number; give e.g. 1200 or 612.5, with a point"
        ) from None


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no day; give e.g. 2026-01-05") from None
