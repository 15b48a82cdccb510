"""The cautions that the operator reads and acknowledges before anything moves or is lit.

Evenfall is not a safety device. The hard-wired thermal cut-out and timer on the lamp's feed,
outside the computer, remain required whatever this program does.
"""

from __future__ import annotations

from typing import Final

CAUTIONS: Final = (
    "Mains: ballast, ignitor and meter wiring is work for a licensed electrician under local "
    "codes; use a residual-current device. Ignitors put out kilovolts.",
    "Discharge lamps: arc tubes run near 1,000 °C and may burst; a broken outer bulb gives off "
    "short-wave UV that burns eyes and skin. Keep out from below a bare lamp; switch off first, "
    "then look. Do not restrike or re-lamp a hot lamp.",
    "Heat: nothing flammable under or near the reflector; a thermal cut-out and a timer that do "
    "not pass through the computer sit in the lamp's feed.",
    "Moving axes: keep hands, hair and cables out of the test area while the stage may move. Stop "
    "in this program is not an emergency stop; have a hard-wired one within reach.",
    "Do not leave a lit bench alone in attended mode.",
)
#: In place of what is said of moving axes, where a person carries the sensor.
BY_HAND: Final = (
    "Reaching in: you reach into the area with the lamp lit. Never under a bare discharge lamp, "
    "nor one whose outer bulb is broken; keep hands, hair and sleeves off lamp and reflector, do "
    "not look into them, and keep wet hands off every plug, switch and meter. A long handle on "
    "the sensor keeps you out."
)
#: Where these subjects are treated; named from memory, editions not checked.
SOURCES: Final = (
    "Treated in IEC 61010 (measuring gear), IEC 62035 and 21 CFR 1040.30 (discharge lamps), "
    "IEC 60598 (luminaires), IEC 62471 (light and eyes), EN 60204-1 and ISO 13850 (stopping "
    "machines), named from memory. Local codes and the licensed electrician come first."
)


def cautions_text(lamp_kind: str, *, by_hand: bool = False) -> str:
    """Return the cautions as the operator is shown them before a run."""
    lines = ["CAUTIONS - read before you go on"]
    shown = [BY_HAND if by_hand and text.startswith("Moving") else text for text in CAUTIONS]
    lines += [f"  {number}. {text}" for number, text in enumerate(shown, start=1)]
    if lamp_kind in ("metal halide", "ceramic metal halide"):
        lines.append(
            "  Metal halide: enclosed or open-rated lamp as marked, in its burning position; lamps "
            "in continuous use are switched off for at least 15 minutes once a week."
        )
    if lamp_kind == "LED":
        lines.append("  LED: do not look into the lit device; blue light can harm the retina.")
    lines.append(f"  {SOURCES}")
    return "\n".join(lines)
