"""The sections of a test plan that say what is done: dark, warm-up, sampling, limits.

Beside `rig/plan_sections.py`, which says what is measured and where; together they are the only
list of the keys.
"""

from __future__ import annotations

from typing import Final, Literal

import attrs
from attrs import frozen

from rig.toml_keys import choice, flag, number, text

LEAST_DARK_POINTS: Final = 5


@frozen(kw_only=True)
class Dark:
    """Section ``[dark]``: the reading with the lamp off."""

    points: int | Literal["all"] = attrs.field(
        default=5,
        metadata={
            "unit": "1",
            "doc": 'Points read with the lamp off; "all" for the whole grid, 0 for none.',
            "allowed": f'give {LEAST_DARK_POINTS} or more, "all", or 0 with dark.skip_reason',
            "example": 5,
        },
    )
    skip_reason: str = text(
        "Why there is no dark reading; needed where points is 0, and only there.",
        default="",
        example="sensor shows 0.0 with its cap on",
    )


@frozen(kw_only=True)
class WarmUp:
    """Section ``[warm_up]``: when the lamp counts as stable. Own figures change the preset."""

    preset: str = text("Name of a stabilisation rule.", default="bench", example="bench")
    block_s: float | None = number(
        "s",
        "Length of the blocks whose means are judged.",
        default=None,
        above=0,
        at_most=3600,
        example=60.0,
    )
    window_s: float | None = number(
        "s", "Length of the window judged.", default=None, above=0, at_most=14400, example=900.0
    )
    limit_percent: float | None = number(
        "%",
        "Largest span and slope over the window.",
        default=None,
        above=0,
        at_most=20,
        example=0.5,
    )
    minimum_on_s: float | None = number(
        "s",
        "Nothing is called stable before.",
        default=None,
        at_least=0,
        at_most=14400,
        example=1800.0,
    )
    maximum_s: float = number(
        "s",
        "Longest wait for the lamp to become stable.",
        default=3600.0,
        above=0,
        at_most=43200,
        example=3600.0,
    )
    on_timeout: str = choice(
        "What to do when it is not stable by then.", "stop", "ask", default="stop"
    )


@frozen(kw_only=True)
class Sampling:
    """Section ``[sampling]``: what is done at each point."""

    samples_per_point: int = number(
        "1",
        "Readings of the light sensor at each point.",
        default=3,
        at_least=1,
        at_most=1000,
        example=3,
    )
    settle_s: float = number(
        "s",
        "Wait between arriving and reading; several time constants of the sensor.",
        default=1.0,
        at_least=0,
        at_most=600,
        example=1.0,
    )
    reference_every: int = number(
        "1",
        "The reference point is revisited after so many points.",
        default=9,
        at_least=1,
        at_most=10000,
        example=9,
    )
    reference_point: tuple[int, int] | Literal["auto"] = attrs.field(
        default="auto",
        metadata={
            "unit": "1",
            "doc": "Place of the reference point, counted from 0 as in readings.csv; "
            '"auto" for the cell of the lowest slope.',
            "allowed": 'give "auto" or [row, column] counted from 0, e.g. [4, 4]',
            "example": [4, 4],
        },
    )
    resume_within_percent: float = number(
        "%",
        "After an interruption the reference point agrees if it reads within this of before.",
        default=1.0,
        above=0,
        at_most=20,
        example=1.0,
    )
    quick_look: bool = flag("Read five points before the first map.", default=True)
    power_interval_s: float = number(
        "s",
        "Time from one reading of wall power to the next.",
        default=1.0,
        at_least=0.05,
        at_most=1,
        example=1.0,
    )


@frozen(kw_only=True)
class Trouble:
    """Section ``[trouble]``: how far a run goes when something fails."""

    pause_most_min: float = number(
        "min",
        "Longest pause, the lamp lit, for something to come back or be mended; 0 stops at once.",
        default=10.0,
        at_least=0,
        at_most=60,
        example=10.0,
    )
    home_unasked: bool = flag(
        "Whether the stage may home by itself, nobody asked, once its lost port is back; a person "
        "is asked otherwise.",
        default=False,
    )
    relight_most: int = number(
        "1",
        "How often an armed relay may light a lamp anew that went out, after its minimum off time.",
        default=1,
        at_least=0,
        at_most=5,
        example=1,
    )
    lamp_on_most_h: float = number(
        "h",
        "Longest time that the lamp may be lit without a break.",
        default=12.0,
        above=0,
        at_most=72,
        example=12.0,
    )
    wall_power_most_w: float | None = number(
        "W",
        "Wall power above which everything stops; 1.5 times the rated lamp power where not given.",
        default=None,
        above=0,
        at_most=10000,
        example=900.0,
    )


@frozen(kw_only=True)
class Limits:
    """Section ``[limits]``: what the results are judged by."""

    drift_percent: float = number(
        "%",
        "Drift beyond which a map is not accepted.",
        default=3.0,
        above=0,
        at_most=50,
        example=3.0,
    )
    peak_ppfd_umol_m2_s: float | None = number(
        "µmol/m²/s",
        "Highest PPFD that the crop may get.",
        default=None,
        above=0,
        at_most=10000,
        example=1500.0,
    )
    mean_ppfd_umol_m2_s: float | None = number(
        "µmol/m²/s",
        "Lowest mean PPFD wanted; ends the range of mounting heights above.",
        default=None,
        above=0,
        at_most=10000,
        example=500.0,
    )
    target_ppfd_umol_m2_s: float | None = number(
        "µmol/m²/s",
        "PPFD wanted; gives the share of area above it.",
        default=None,
        above=0,
        at_most=10000,
        example=600.0,
    )
    minimum_to_mean: float | None = number(
        "1", "Lowest minimum-to-mean wanted.", default=None, above=0, at_most=1, example=0.5
    )
