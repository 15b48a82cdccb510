"""Stabilisation rules: their presets with source and status, and rules from a plan.

No preset claims compliance with the standard that it follows.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from statistics import NormalDist
from typing import Any, Final

from attrs import frozen

_UNCHECKED: Final = "from memory, not checked against the text; no compliance is claimed"

_UNSURE: Final = "from memory and unsure, not checked against the text; no compliance is claimed"


class RuleError(ValueError):
    """The warm-up table of a plan describes no usable rule; the message lists every fault."""


@frozen(kw_only=True)
class Rule:
    """One stabilisation rule.

    Attributes
    ----------
    name : str
        Name of the preset, or `OWN` for one written out in a plan.
    block_s, window_s : float
        Length of a block and of the window of blocks that is judged. [s]
    limit : float
        Largest span, and largest change from slope, over the window. [fraction of the mean]
    minimum_on_s : float
        Time since switching on before which nothing is called stable. [s]
    source, status : str
        Where the figures come from, and how far that was checked.
    """

    name: str
    block_s: float
    window_s: float
    limit: float
    minimum_on_s: float
    source: str
    status: str

    @property
    def blocks(self) -> int:
        """Number of blocks in the window."""
        return math.ceil(self.window_s / self.block_s - 1e-9)


def _presets(*rules: Rule) -> dict[str, Rule]:
    return {rule.name: rule for rule in rules}


PRESETS: Final = _presets(
    Rule(
        name="bench",
        block_s=60.0,
        window_s=900.0,
        limit=0.005,
        minimum_on_s=1800.0,
        source="our own default for discharge lamps: half an hour on, then 0.5 % over 15 min",
        status="common practice, no source",
    ),
    Rule(
        name="lm-79-08",
        block_s=60.0,
        window_s=1800.0,
        limit=0.005,
        minimum_on_s=1800.0,
        source="after IES LM-79-08 section 5: span below 0.5 % over 30 min",
        status=_UNCHECKED,
    ),
    Rule(
        name="lm-79-19",
        block_s=60.0,
        window_s=1200.0,
        limit=0.005,
        minimum_on_s=1200.0,
        source="after ANSI/IES LM-79-19: span below 0.5 % over 20 min",
        status=_UNSURE,
    ),
    Rule(
        name="cie-s-025",
        block_s=60.0,
        window_s=900.0,
        limit=0.005,
        minimum_on_s=1800.0,
        source="after CIE S 025/E:2015 clause 4 and EN 13032-4: at least 30 min on, span below "
        "0.5 % over the last 15 min",
        status=_UNCHECKED,
    ),
    Rule(
        name="cie-121",
        block_s=60.0,
        window_s=900.0,
        limit=0.01,
        minimum_on_s=900.0,
        source="after CIE 121-1996 and EN 13032-1, discharge luminaires: change below 1 % in "
        "15 min",
        status=_UNSURE,
    ),
    Rule(
        name="lm-51",
        block_s=60.0,
        window_s=1800.0,
        limit=0.01,
        minimum_on_s=1800.0,
        source="after IES LM-51, HID lamps: three readings 10 to 15 min apart within 1 %",
        status=_UNSURE,
    ),
)

OWN: Final = "as written in the plan"
DEFAULT_PRESET: Final = "bench"


def rule_from_plan(plan: Mapping[str, Any]) -> Rule:
    """Return the rule of a plan's ``[warm_up]`` table.

    A preset named by ``preset`` (default `DEFAULT_PRESET`), changed by whichever of
    ``block_s``, ``window_s``, ``limit_percent`` and ``minimum_on_s`` are given; a rule that
    was changed no longer carries the preset's source.

    Raises
    ------
    RuleError
        An unknown preset, a figure that is not a positive number (0 is allowed for the
        minimum time on), or fewer than three blocks in the window.
    """
    table = plan.get("warm_up", {})
    faults: list[str] = []
    name = table.get("preset", DEFAULT_PRESET)
    if name not in PRESETS:
        faults.append(f"warm_up.preset is {name!r}; give one of {', '.join(map(repr, PRESETS))}")
        name = DEFAULT_PRESET
    preset = PRESETS[name]
    own: dict[str, float] = {}
    for key in ("block_s", "window_s", "limit_percent", "minimum_on_s"):
        if (value := table.get(key)) is None:
            continue
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if (
            not number
            or not math.isfinite(value)
            or value < 0
            or (value == 0 and key != "minimum_on_s")
        ):
            faults.append(f"warm_up.{key} is {value!r}; give a number above 0")
            continue
        own[key] = float(value)
    if faults:
        raise RuleError("; ".join(faults))
    limit = own["limit_percent"] / 100 if "limit_percent" in own else preset.limit
    rule = Rule(
        name=OWN if own else preset.name,
        block_s=own.get("block_s", preset.block_s),
        window_s=own.get("window_s", preset.window_s),
        limit=limit,
        minimum_on_s=own.get("minimum_on_s", preset.minimum_on_s),
        source=f"the plan, on the basis of preset {preset.name!r}" if own else preset.source,
        status="as the plan has it; no compliance is claimed" if own else preset.status,
    )
    if rule.blocks < 3:
        raise RuleError(
            f"warm_up: a window of {rule.window_s:g} s holds {rule.blocks} blocks of "
            f"{rule.block_s:g} s; at least 3 are needed to tell a slope"
        )
    return rule


def resolvability(
    rule: Rule,
    *,
    step: float,
    noise: float,
    level: float,
    interval_s: float = 1.0,
) -> str | None:
    """Say why an instrument cannot resolve the limit of a rule, or None if it can.

    What a perfectly steady lamp would show is compared with the limit: the span that noise
    alone gives to the block means, and one step of the instrument where the noise is too
    small to blur it.

    Parameters
    ----------
    rule : Rule
        The rule.
    step : float
        Smallest change the instrument can show, 0 if unknown. [unit of the readings]
    noise : float
        Standard deviation of one reading, 0 if unknown. [unit of the readings]
    level : float
        Expected reading. [unit of the readings]
    interval_s : float
        Time from one reading to the next. [s]

    Returns
    -------
    str or None
        One sentence with the numbers.
    """
    if not level > 0:
        return f"the expected reading is {level:g}; a limit in per cent needs one above 0"
    readings = rule.block_s / interval_s
    if readings < 1:
        return (
            f"one reading in {interval_s:g} s leaves blocks of {rule.block_s:g} s empty; "
            "poll faster or lengthen the block"
        )
    is_blurred = noise >= step / 2
    deviation = math.hypot(noise, step / math.sqrt(12)) if is_blurred else noise
    # Expected range of n normal values, after Blom's approximation of normal order statistics.
    n = rule.blocks
    spread = 2 * NormalDist().inv_cdf((n - 0.375) / (n + 0.25))
    shown = (spread * deviation / math.sqrt(readings) + (0 if is_blurred else step)) / level
    if shown <= rule.limit:
        return None
    return (
        f"a steady lamp would show a span of {shown:.2%} at {level:g} (step {step:g}, noise "
        f"{noise:g}, {readings:.0f} readings a block), more than the limit of {rule.limit:.2%}; "
        "use a finer instrument, a longer block or a wider limit"
    )
