"""Words and cautions that every report carries."""

from __future__ import annotations

from typing import Final

from analysis.quantities import GLOSSARY

TERMS: Final = (
    *(
        (quantity.title, f"{quantity.meaning} Unit: {quantity.unit}.")
        for quantity in (
            GLOSSARY["ppfd_umol_m2_s"],
            GLOSSARY["delivered_flux_umol_s"],
            GLOSSARY["plane_efficacy_umol_j"],
            GLOSSARY["wall_power_w"],
        )
    ),
    (
        "minimum-to-mean (min/mean)",
        "Lowest cell divided by the area-weighted mean. It falls as the grid gets finer, so it "
        "is only ever compared at the same grid.",
    ),
    (
        "coefficient of variation",
        "Area-weighted standard deviation of the cells divided by the mean; 0 is perfectly even.",
    ),
    (
        "Christiansen uniformity coefficient",
        "One less the mean absolute deviation divided by the mean; 100 % is perfectly even.",
    ),
    (
        "low-quarter uniformity",
        "Mean of the darkest quarter of the area divided by the mean of all of it.",
    ),
    (
        "daily light integral",
        "Photons that a square metre gets in a day at the mean PPFD, for the hours stated.",
    ),
    ("dark reading", "What the sensor shows with the lamp off; it is subtracted."),
    (
        "stray light",
        "What reaches the sensor with the lamp lit but not from it; read with the lamp's own light "
        "kept off, and subtracted.",
    ),
    (
        "spectral factor",
        "What a reading is multiplied by because the sensor sees the colours of this lamp unlike "
        "those of the light that it was calibrated under.",
    ),
    (
        "cosine response",
        "How a sensor reads light that comes aslant, against one that weighs it by the cosine of "
        "its angle.",
    ),
    (
        "reference point",
        "One place on the plane, revisited while a map is read, that shows how the light drifted.",
    ),
    ("monitor sensor", "A second sensor that stays in one place for the whole session."),
    (
        "drift-corrected",
        "Each reading is rescaled to the mean light of the map's own time, by the reference.",
    ),
    (
        "hot spot, cold spot",
        "A cell that differs from the smooth field around it by more than noise, position and fit "
        "can explain, and by at least 5 %.",
    ),
    (
        "corner deficit, edge deficit",
        "How far the corners, and the cells along the walls, lie below the mean.",
    ),
    ("mounting height", "Height of the device above the measurement plane."),
    (
        "installation",
        "One hanging of the device; taken down and hung again it is a new installation.",
    ),
    (
        "control reflector",
        "One reflector that the lab keeps and measures again over months: it shows the bench.",
    ),
    (
        "cost of a delivered mole",
        "All that is paid over the years, by the photons that reach the plane in them; money and "
        "photons of later years both count for less, at the discount rate.",
    ),
    (
        "break-even price",
        "Price at which a device's light costs as much as its rival's.",
    ),
    (
        "stable",
        "Light and wall power both keep within the limit of the rule stated, over its window.",
    ),
)

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
