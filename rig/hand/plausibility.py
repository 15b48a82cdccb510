"""Can a typed number be meant? Slips are asked about, and never corrected or refused.

A person who reads a display and types makes the slips of typing: a digit too many or too few, a
forgotten decimal sign, two digits exchanged, and a meter left on HOLD. All figures here are our
own; they decide on a question only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import Final

from attrs import frozen

#: Light at a point beyond this ratio to all its neighbours, up or down, is far from them.
FAR_LIGHT: Final = 1.6
#: Light at a point beyond this ratio to one that is no neighbour: only a digit is caught by it.
FAR_ELSEWHERE: Final = 5.0
#: Wall power beyond this ratio to the last one is far from it.
FAR_POWER: Final = 1.25
#: The reference point is the same place each time.
FAR_REFERENCE: Final = 1.1
#: What was meant by a slip must lie within this ratio to what is expected.
NEAR: Final = 1.3
#: Two exchanged digits are asked about where at least so many neighbours ...
ENOUGH_BESIDE: Final = 3
#: ... are left behind by so many times what lies between them, ...
SPREADS: Final = 2.0
#: ... and by at least this ratio.
LEAST_BEYOND: Final = 1.05
#: Between two likely slips, a nearer value than this is no nearer, as the logarithm of a ratio.
LEAST_OFF: Final = 0.05
#: By so much a digit typed in between is the less likely slip.
LESS_LIKELY: Final = 3.0
#: The same number at so many points in a row: the display may be on HOLD.
HELD_POINTS: Final = 5
#: Below this nothing can be said of ratios. [µmol m⁻² s⁻¹, or W]
LEAST: Final = 5.0


@frozen(kw_only=True)
class Doubt:
    """A question about a typed number.

    Attributes
    ----------
    question : str
        ``"6120 follows 612: meant 612?"``
    meant : str or None
        What was probably meant, as it would have been typed.
    """

    question: str
    meant: str | None = None


def doubt(
    text: str, value: float, near: Sequence[float], *, far: float, told: str = ""
) -> Doubt | None:
    """Return the question that a typed number raises; None if it can well be meant.

    Parameters
    ----------
    text : str
        As it was typed.
    value : float
        The number that is.
    near : sequence of float
        What was read in its neighbourhood, the newest last; empty where nothing was.
    far : float
        Ratio to the greatest or the least of them beyond which it is far from all.
    told : str
        How the question names what was there, for what was not typed: ``"at a lamp of 600 W"``.
    """
    known = [one for one in near if math.isfinite(one)]
    if not known:
        return None
    expected, told = median(known), told or _beside(known)
    if expected < LEAST and value < LEAST:
        return None
    is_off = is_far(value, known, far)
    may_be_exchanged = is_off or _leaves(value, known)
    meant = [
        (_unlikely(slipped, kind), slip)
        for slip, kind in _slips(text)
        if (slipped := _apart(slip, expected)) <= math.log(NEAR)
        and (is_off or (kind == "exchange" and may_be_exchanged))
    ]
    if meant:
        shown = f"{min(meant)[1]:.10g}"
        return Doubt(question=f"{text} {told}: meant {shown}?", meant=shown)
    if is_off and _apart(10.0 * value, expected) <= math.log(NEAR):
        return Doubt(question=f"{text} {told}: a digit too few?")
    if is_off:
        return Doubt(question=f"{text} {told}, which is far from it: is it right?")
    return None


def is_far(value: float, near: Sequence[float], far: float) -> bool:
    """Say whether a value lies beyond a ratio to all others; not where all is dark."""
    if not near or max(value, median(near)) < LEAST:
        return False
    least, greatest = min(near), max(near)
    if value > greatest:
        return _apart(value, greatest) > math.log(far)
    return value < least and _apart(value, least) > math.log(far)


def _leaves(value: float, known: Sequence[float]) -> bool:
    """Say whether a value leaves its neighbours behind, as no slope among them explains."""
    if len(known) < ENOUGH_BESIDE:
        return False
    least, greatest = min(known), max(known)
    beyond = SPREADS * (greatest - least)
    return (
        value > max(greatest + beyond, greatest * LEAST_BEYOND)
        or value < min(least - beyond, least / LEAST_BEYOND)
    )  # fmt: skip


def held(text: str, before: Sequence[str]) -> Doubt | None:
    """Return the question that the same number again and again raises.

    Parameters
    ----------
    text : str
        As it was typed.
    before : sequence of str
        What was typed at the points before, the newest last.
    """
    last = list(before[-(HELD_POINTS - 1) :])
    if len(last) == HELD_POINTS - 1 and all(one == text for one in last):
        return Doubt(question=f"{text} at {HELD_POINTS} points in a row: is the display on HOLD?")
    return None


def _unlikely(slipped: float, kind: str) -> float:
    """Rank a slip: a decimal sign is forgotten more often than a digit is typed in between."""
    return LESS_LIKELY * max(slipped, 0.5 * LEAST_OFF) if kind == "digit" else slipped


def _slips(text: str) -> list[tuple[float, str]]:
    """Return what may have been meant if one slip was made, and what kind of slip."""
    digits = text.replace(",", ".").lstrip("+-")
    meant: list[tuple[str, str]] = []
    if "." in digits:
        meant.append((digits.replace(".", ""), "sign"))
    else:
        meant += [(f"{digits[:-n]}.{digits[-n:]}", "sign") for n in (1, 2) if len(digits) > n]
        meant += [(digits[:n] + digits[n + 1 :], "digit") for n in range(len(digits))]
    for n, (one, other) in enumerate(pairwise(digits)):
        if one != other and "." not in (one, other):
            meant.append((digits[:n] + other + one + digits[n + 2 :], "exchange"))
    return [(float(one), kind) for one, kind in meant if one.strip(".")]


def _apart(one: float, other: float) -> float:
    """Return the size of the logarithm of a ratio; infinity where there is none."""
    if one <= 0.0 or other <= 0.0:
        return 0.0 if one == other else math.inf
    return abs(math.log(one / other))


def _beside(known: Sequence[float]) -> str:
    if len(known) == 1:
        return f"follows {known[0]:.10g}"
    *first, last = (f"{one:.10g}" for one in known[-3:])
    return f"stands beside {', '.join(first)} and {last}"
