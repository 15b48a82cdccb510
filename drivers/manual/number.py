"""A number as a person types it: with a decimal point or a decimal comma."""

from __future__ import annotations

import re
from typing import Final

_NUMBER: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)", re.ASCII)
_MINUS: Final = str.maketrans({"−": "-", "\u00a0": " "})
#: What is typed, or not, where there is no value.
LEFT_OUT: Final = ("", "-", "–", "—")


def typed_number(text: str) -> float | None:
    """Return the number that was typed, or None if it is none.

    ``612``, ``612.5``, ``612,5``, ``-0,3``; no marks between thousands, no exponent, no unit.
    """
    bare = text.translate(_MINUS).strip()
    return float(bare.replace(",", ".")) if _NUMBER.fullmatch(bare) else None
