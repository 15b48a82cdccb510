"""How numbers are written for people: sensible digits, proper signs and superscripts.

Tables and figures share these functions, so the same value never appears in two roundings.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Final

MINUS: Final = "\u2212"
THIN: Final = "\u202f"  # narrow no-break space, for thousands
MISSING: Final = "not stated"

PPFD_UNIT: Final = "µmol m⁻² s⁻¹"
FLUX_UNIT: Final = "µmol s⁻¹"
EFFICACY_UNIT: Final = "µmol J⁻¹"
DLI_UNIT: Final = "mol m⁻² d⁻¹"


def _grouped(text: str) -> str:
    whole, dot, part = text.partition(".")
    sign, whole = (MINUS, whole[1:]) if whole.startswith("-") else ("", whole)
    if len(whole) > 4:
        head = len(whole) % 3
        groups = [whole[:head]] if head else []
        groups += [whole[at : at + 3] for at in range(head, len(whole), 3)]
        whole = THIN.join(groups)
    return sign + whole + dot + part


def is_stated(value: float | None) -> bool:
    """Tell whether there is a finite number to write."""
    return value is not None and math.isfinite(value)


def significant(value: float | None, digits: int = 3) -> str:
    """Write a value with so many significant digits, trailing zeros kept.

    Parameters
    ----------
    value : float or None
        None, NaN and infinities are written as "not stated".
    digits : int
        Significant digits. [1]

    Returns
    -------
    str
        Never in powers of ten; a true minus sign; thousands parted from 10 000 on.
    """
    if value is None or not math.isfinite(value):
        return MISSING
    if value == 0:
        return "0"
    exact = Decimal(repr(float(value)))
    # Rounding can carry into the next power of ten (9.996 → 10.0), so the place of the last
    # digit is found again on the rounded value.
    places = digits - 1 - exact.adjusted()
    rounded = exact.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN)
    places = digits - 1 - rounded.adjusted()
    rounded = exact.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN)
    return _grouped(f"{rounded:.{max(places, 0)}f}")


def fixed(value: float | None, decimals: int) -> str:
    """Write a value with so many decimals; a rounded zero carries no minus sign."""
    if value is None or not math.isfinite(value):
        return MISSING
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return _grouped(text)


def percent(fraction: float | None, decimals: int = 1) -> str:
    """Write a fraction in per cent, sign and unit included."""
    if fraction is None or not math.isfinite(fraction):
        return MISSING
    return f"{fixed(100.0 * fraction, decimals)}{THIN}%"


def signed_percent(fraction: float | None, decimals: int = 1) -> str:
    """Write a change in per cent, with "+" where it is positive."""
    text = percent(fraction, decimals)
    if not is_stated(fraction) or text.startswith(MINUS):
        return text
    return text if not any(mark in "123456789" for mark in text) else f"+{text}"


def duration(seconds: float | None) -> str:
    """Write a length of time as people say it: "45 s", "27 min", "1 h 40 min"."""
    if seconds is None or not math.isfinite(seconds):
        return MISSING
    if seconds < 120:
        return f"{fixed(seconds, 0)} s"
    minutes = round(seconds / 60)
    if minutes < 120:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def plus_minus(value: float | None, reach: float | None) -> str:
    """Write a value with the half-width of its interval, both to the digits that it bears.

    The half-width keeps one significant digit, two where the first is 1 or 2; digits before the
    decimal point are kept all. The value ends at the same place: ``"1.15 ± 0.07"``,
    ``"574 ± 36"``, ``"0.186 ± 0.010"``.

    Parameters
    ----------
    value : float or None
        None and what is not finite is written as "not stated".
    reach : float or None
        Above 0; None, 0 and what is not finite leave the value alone, to three digits.
    """
    if value is None or not math.isfinite(value):
        return MISSING
    if reach is None or not math.isfinite(reach) or not reach > 0:
        return significant(value)
    first, exponent = f"{reach:.1e}".split("e")
    decimals = max(-int(exponent) + (first[0] in "12"), 0)
    return f"{fixed(value, decimals)} ± {fixed(reach, decimals)}"
