"""Is a lamp seasoned? New discharge lamps change in their first hours, and are burned in first.

100 h for high-intensity discharge and fluorescent lamps: IES LM-54 (from memory); none for LED.
A plan may say otherwise (``lamp.seasoning_h``), and so may a line "seasoned" in the lab's record.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from analysis.digits import fixed

SEASONING_H: Final = {
    "high-pressure sodium": 100.0,
    "metal halide": 100.0,
    "ceramic metal halide": 100.0,
    "fluorescent": 100.0,
    "LED": 0.0,
}
"""Kind of lamp → burning hours before its light counts. IES LM-54, from memory. [h]"""


def seasoning_h(lamp: Mapping[str, Any]) -> float | None:
    """Return the hours that a lamp is burned in for. [h]

    Parameters
    ----------
    lamp : mapping
        Section [lamp] of a plan.

    Returns
    -------
    float or None
        None for a kind that nothing is known of.
    """
    own = lamp.get("seasoning_h")
    if isinstance(own, int | float):
        return float(own)
    return SEASONING_H.get(str(lamp.get("kind", "")))


def reminder(lamp: Mapping[str, Any], hours: float | None, *, is_noted: bool = False) -> str:
    """Say that a lamp is not seasoned, or may not be; nothing where it is.

    Parameters
    ----------
    lamp : mapping
        Section [lamp] of a plan.
    hours : float or None
        What it has burned, as far as is known. [h]
    is_noted : bool
        Whether the lab's record says that it was seasoned.
    """
    needed = seasoning_h(lamp)
    if is_noted or not needed:
        return ""
    name = str(lamp.get("sample") or "the lamp")
    if hours is None:
        return (
            f"whether {name} is seasoned is not known: its burning hours are stated nowhere, and "
            f"its light may still change in the first {needed:g} h"
        )
    if hours >= needed:
        return ""
    return (
        f"{name} is not seasoned: it has burned {fixed(hours, 1)} of {needed:g} h, and its light "
        "may still change from run to run"
    )
