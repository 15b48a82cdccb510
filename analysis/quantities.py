"""The glossary: every quantity that is measured or derived, once.

A bare number in this project carries its unit in its name; this table says what the name
means. Units follow UCUM, with the amount of photons in moles as the trade has it.
The plausible range is what a working instrument can return on a bench of this kind; a value
outside it is kept and marked, never dropped.
"""

from __future__ import annotations

from attrs import frozen


@frozen(kw_only=True)
class Quantity:
    """One line of the glossary."""

    name: str
    title: str
    symbol: str
    unit: str
    ucum: str
    meaning: str
    plausible: tuple[float, float]


def _table(*rows: Quantity) -> dict[str, Quantity]:
    return {row.name: row for row in rows}


MEASURED = _table(
    Quantity(
        name="ppfd_umol_m2_s",
        title="photosynthetic photon flux density",
        symbol="PPFD",
        unit="µmol m⁻² s⁻¹",
        ucum="umol/m2/s",
        meaning="Photons of 400 to 700 nm that reach one square metre of the plane in a second.",
        plausible=(-20.0, 10_000.0),
    ),
    Quantity(
        name="wall_power_w",
        title="wall power",
        symbol="P",
        unit="W",
        ucum="W",
        meaning="Active power of ballast and lamp, taken from the wall; no other load.",
        plausible=(-5.0, 5_000.0),
    ),
    Quantity(
        name="line_voltage_v",
        title="line voltage",
        symbol="U",
        unit="V",
        ucum="V",
        meaning="Root-mean-square voltage at the meter.",
        plausible=(0.0, 600.0),
    ),
    Quantity(
        name="line_current_a",
        title="line current",
        symbol="I",
        unit="A",
        ucum="A",
        meaning="Root-mean-square current into ballast and lamp.",
        plausible=(0.0, 64.0),
    ),
    Quantity(
        name="power_factor",
        title="power factor",
        symbol="PF",
        unit="1",
        ucum="1",
        meaning="Active power divided by the product of voltage and current.",
        plausible=(-1.0, 1.0),
    ),
    Quantity(
        name="line_frequency_hz",
        title="line frequency",
        symbol="f",
        unit="Hz",
        ucum="Hz",
        meaning="Frequency of the supply.",
        plausible=(40.0, 70.0),
    ),
    Quantity(
        name="temperature_c",
        title="temperature",
        symbol="T",
        unit="°C",
        ucum="Cel",
        meaning="Temperature at the place that the profile names.",
        plausible=(-40.0, 400.0),
    ),
)

DERIVED = _table(
    Quantity(
        name="delivered_flux_umol_s",
        title="delivered flux",
        symbol="Q",
        unit="µmol s⁻¹",
        ucum="umol/s",
        meaning="Sum of cell area times PPFD over the measurement plane. Counts incident light, "
        "so light recycled by walls and floor is in it; it is not the lamp's flux.",
        plausible=(0.0, 100_000.0),
    ),
    Quantity(
        name="plane_efficacy_umol_j",
        title="plane efficacy",
        symbol="η",
        unit="µmol J⁻¹",
        ucum="umol/J",
        meaning="Delivered flux per wall power of the same moments.",
        plausible=(0.0, 6.2),
    ),
    Quantity(
        name="mean_ppfd_umol_m2_s",
        title="mean PPFD",
        symbol="PPFD mean",
        unit="µmol m⁻² s⁻¹",
        ucum="umol/m2/s",
        meaning="Area-weighted mean over the measurement plane.",
        plausible=(0.0, 10_000.0),
    ),
    Quantity(
        name="min_to_mean",
        title="minimum-to-mean",
        symbol="U₀",
        unit="1",
        ucum="1",
        meaning="Lowest cell divided by the area-weighted mean; valid for its grid only.",
        plausible=(0.0, 1.0),
    ),
    Quantity(
        name="coefficient_of_variation",
        title="coefficient of variation",
        symbol="CV",
        unit="1",
        ucum="1",
        meaning="Area-weighted population standard deviation divided by the mean.",
        plausible=(0.0, 10.0),
    ),
    Quantity(
        name="christiansen_uniformity",
        title="Christiansen uniformity coefficient",
        symbol="CU",
        unit="1",
        ucum="1",
        meaning="One less the mean absolute deviation divided by the mean.",
        plausible=(-10.0, 1.0),
    ),
    Quantity(
        name="low_quarter_uniformity",
        title="low-quarter distribution uniformity",
        symbol="DUlq",
        unit="1",
        ucum="1",
        meaning="Mean of the darkest quarter of the area divided by the mean.",
        plausible=(0.0, 1.0),
    ),
)

GLOSSARY: dict[str, Quantity] = {**MEASURED, **DERIVED}
