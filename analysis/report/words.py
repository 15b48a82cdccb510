"""Words and cautions that every report carries."""

from __future__ import annotations

import re
from typing import Final

from attrs import frozen

from analysis.quantities import GLOSSARY


@frozen
class Term:
    """A word of the glossary: what it is called, what it means, and how its use is seen."""

    name: str
    meaning: str
    seen: str
    """Regular expression; upper and lower case are alike."""


def _quantity(name: str, seen: str, more: str = "", *, short: str = "") -> Term:
    known = GLOSSARY[name]
    title = f"{known.title} ({short})" if short else known.title
    unit = "" if known.unit == "1" else f" Unit: {known.unit}."
    return Term(title, f"{known.meaning}{more and ' '}{more}{unit}", seen)


TERMS: Final = (
    _quantity("ppfd_umol_m2_s", "PPFD", short="PPFD"),
    _quantity("delivered_flux_umol_s", "delivered flux"),
    _quantity(
        "plane_efficacy_umol_j",
        "plane efficacy|per joule",
        "Light recycled by walls and floor is in it; it is not the efficacy of the lamp or the "
        "fixture.",
    ),
    _quantity("wall_power_w", "wall power"),
    Term(
        "±",
        "Half the width of the 95 % interval: in 19 of 20 measurements like this one, the true "
        "value lies within it.",
        "±",
    ),
    _quantity(
        "min_to_mean",
        "min/mean|minimum-to-mean",
        "It falls as the grid gets finer, so it is only ever compared at the same grid.",
        short="min/mean",
    ),
    _quantity("coefficient_of_variation", "coefficient of variation", "0 is perfectly even."),
    _quantity("christiansen_uniformity", "Christiansen", "100 % is perfectly even."),
    _quantity("low_quarter_uniformity", "low-quarter"),
    Term(
        "daily light integral",
        "Photons that a square metre gets in a day at the mean PPFD, for the hours stated.",
        "daily light integral",
    ),
    Term(
        "dark reading",
        "What the sensor shows with the lamp off; it is subtracted.",
        "dark reading",
    ),
    Term(
        "stray light",
        "What reaches the sensor with the lamp lit but not from it; read with the lamp's own light "
        "kept off, and subtracted.",
        "stray",
    ),
    Term(
        "spectral factor",
        "What a reading is multiplied by because the sensor sees the colours of this lamp unlike "
        "those of the light that it was calibrated under.",
        "spectral (factor|mismatch)",
    ),
    Term(
        "cosine response",
        "How a sensor reads light that comes aslant, against one that weighs it by the cosine of "
        "its angle.",
        "cosine",
    ),
    Term(
        "reference point",
        "One place on the plane, revisited while a map is read, that shows how the light drifted.",
        "reference",
    ),
    Term(
        "monitor sensor",
        "A second sensor that stays in one place for the whole session.",
        "monitor",
    ),
    Term(
        "drift-corrected",
        "Each reading is rescaled to the mean light of the map's own time, by the reference point "
        "or the monitor sensor.",
        "drift[ -]correct|corrected for drift",
    ),
    Term(
        "hot spot, cold spot",
        "A cell that differs from the smooth field around it by more than noise, position and fit "
        "can explain, and by at least 5 %.",
        "(hot|cold) (or cold )?spot",
    ),
    Term(
        "corner deficit, edge deficit",
        "How far the corners, and the cells along the walls, lie below the mean.",
        "corners (lie|below)|edges (lie|below)",
    ),
    Term("mounting height", "Height of the device above the measurement plane.", "height"),
    Term(
        "installation",
        "One hanging of the device; taken down and hung again it is a new installation.",
        "install(ation|ed)",
    ),
    Term(
        "replicate",
        "One of several maps under one hanging; what they differ by is how well a map repeats.",
        r"replicate|repl\.",
    ),
    Term(
        "control reflector",
        "One reflector that the lab keeps and measures again over months: it shows the bench.",
        "control reflector",
    ),
    Term(
        "cost of a delivered mole",
        "All that is paid over the years, by the photons that reach the plane in them; money and "
        "photons of later years both count for less, at the discount rate.",
        "mol delivered|delivered mole|costs least",
    ),
    Term(
        "break-even price",
        "Price at which a device's light costs as much as its rival's.",
        "break-even",
    ),
    Term(
        "stable",
        "Light and wall power both keep within the limit of the rule stated, over its window.",
        r"\bstable\b",
    ),
)
"""In the order in which they are printed."""


def terms_in(body: str) -> list[Term]:
    """Return the terms that a page uses.

    Parameters
    ----------
    body : str
        HTML of the page; what stands in its tags and drawings counts as little as a style.
    """
    told = re.sub(r"(?s)<(svg|style)\b.*?</\1>|<[^>]*>", " ", body)
    told = re.sub(r"[\s\u00a0\u202f]+", " ", told)
    return [term for term in TERMS if re.search(term.seen, told, re.IGNORECASE)]


CAUTIONS: Final = (
    "Mains voltage kills. Fixed wiring, in-line meters and lamp circuits are work for a licensed "
    "electrician and follow local codes; isolate before touching, and use a residual-current "
    "device.",
    "Discharge lamps run very hot, are under pressure and may burst: stand clear, keep anything "
    "that burns away from below, use an enclosed lamp or one rated for open operation, in the "
    "burning position marked on it, and let it cool before touching or relamping.",
    "A discharge lamp with a broken outer bulb gives short-wave ultraviolet that injures eyes and "
    "skin at once: switch it off from outside and do not enter while it burns.",
    "Ignition voltages reach several kilovolts and more on a hot restrike; lampholder, cable and "
    "ballast must be rated for them. Respect the minimum time off.",
    "Bright light hurts eyes: do not look into the lamp, LED sources included.",
    "A moving stage can trap and crush; the Stop of the program is not an emergency stop.",
    "Unattended running needs a thermal cut-out and a timer in the lamp feed, outside the "
    "computer, a smoke alarm, and the permission that applies where you work.",
    "These subjects are treated in IEC 61010 (measuring gear), IEC 62035 and 21 CFR 1040.30 "
    "(discharge lamps), IEC 60598 (luminaires), IEC 62471 (light and eyes), EN 60204-1 and "
    "ISO 13850 (stopping machines); all named from memory, local codes come first.",
    "The figures here hold for the specimen, lamp, ballast and surroundings stated. They are no "
    "safety assessment and no statement of compliance with any standard.",
)
