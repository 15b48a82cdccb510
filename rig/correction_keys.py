"""The keys of corrections: what is known of the instruments, and what a plan asks for.

``[light_sensor_calibration]`` and ``[power_meter_calibration]`` of the rig profile hold facts,
``[corrections]`` of the plan holds requests. In which order all are applied stands in
`analysis/corrections.py`. Without any of these keys nothing is corrected but dark, stray light
and drift.
"""

from __future__ import annotations

from typing import Final, Literal

import attrs
from attrs import frozen

from rig.toml_keys import choice, number, numbers, text

LAMP_KINDS: Final = (
    "high-pressure sodium",
    "metal halide",
    "ceramic metal halide",
    "fluorescent",
    "LED",
    "other",
)
_UNCERTAINTY: Final = "expanded (k = 2), as certificates state it."


@frozen(kw_only=True)
class SpectralFactor:
    """One row of ``light_sensor_calibration.spectral_factors``."""

    lamp_kind: str = choice("Kind of lamp, as in lamp.kind of the plan.", *LAMP_KINDS)
    factor: float = number(
        "1", "True PPFD over reading under such a lamp.", above=0.2, at_most=5, example=1.03
    )
    uncertainty_percent: float | None = number(
        "%",
        f"Of the factor, {_UNCERTAINTY}",
        default=None,
        above=0,
        at_most=50,
        example=2.0,
    )


@frozen(kw_only=True)
class LightSensorCalibration:
    """What is known of the sensor that is carried to the points.

    Its dates stand in its own section, as calibrated_on and calibration_due.
    """

    factor: float | None = number(
        "1",
        "True PPFD over reading, by its certificate.",
        default=None,
        above=0.2,
        at_most=5,
        example=1.012,
    )
    uncertainty_percent: float | None = number(
        "%",
        f"Of the calibration, {_UNCERTAINTY}",
        default=None,
        above=0,
        at_most=50,
        example=5.0,
    )
    temperature_coefficient_percent_per_k: float | None = number(
        "%/K",
        "Change of its reading for 1 K more. Used if thermometer.place names the sensor or the "
        "plane.",
        default=None,
        at_least=-2,
        at_most=2,
        example=-0.1,
    )
    temperature_reference_c: float | None = number(
        "°C",
        "Temperature at which it was calibrated; needed with the coefficient.",
        default=None,
        at_least=-40,
        at_most=80,
        example=23.0,
    )
    height_mm: float = number(
        "mm",
        "Its diffuser above the plane to which mounting heights are counted.",
        default=0.0,
        at_least=0,
        at_most=300,
        example=35.0,
    )
    tilt_x_deg: float = number(
        "°",
        "How far its axis leans towards larger x.",
        default=0.0,
        at_least=-30,
        at_most=30,
        example=0.5,
    )
    tilt_y_deg: float = number(
        "°",
        "How far its axis leans towards larger y.",
        default=0.0,
        at_least=-30,
        at_most=30,
        example=-0.3,
    )
    cosine_angle_deg: tuple[float, ...] | None = numbers(
        "°",
        "Angles of incidence of its cosine response, rising from 0.",
        default=None,
        at_least=0,
        at_most=90,
        example=[0.0, 30.0, 45.0, 60.0, 75.0],
    )
    cosine_response: tuple[float, ...] | None = numbers(
        "1",
        "At each of these angles: its reading over that of an ideal sensor; 1 at 0°.",
        default=None,
        above=0,
        at_most=2,
        example=[1.0, 1.0, 0.99, 0.97, 0.93],
    )
    spectral_factors: tuple[SpectralFactor, ...] = attrs.field(
        default=(),
        metadata={
            "unit": "",
            "doc": "Factors for kinds of lamp, if its maker states them.",
            "allowed": "give a table for each kind of lamp, below",
        },
    )
    response: str | None = text(
        "Its spectral response: a CSV file of wavelength [nm],response to irradiance, counted "
        "from the folder of the profile.",
        default=None,
        example="sensor-response.csv",
        empty=False,
    )
    calibration_spectrum: str | None = text(
        "Spectrum that it was calibrated under: a CSV file of wavelength [nm],irradiance.",
        default=None,
        example="calibration-lamp.csv",
        empty=False,
    )


@frozen(kw_only=True)
class PowerMeterCalibration:
    """What is known of the meter of ballast and lamp: power = reading × factor + offset.

    Its dates stand in its own section, as calibrated_on and calibration_due.
    """

    factor: float | None = number(
        "1",
        "True power over reading, by its certificate.",
        default=None,
        above=0.5,
        at_most=2,
        example=0.996,
    )
    offset_w: float | None = number(
        "W",
        "Added after that; minus what it shows without a load.",
        default=None,
        at_least=-100,
        at_most=100,
        example=-0.4,
    )
    uncertainty_percent: float | None = number(
        "%",
        f"Of the calibration, {_UNCERTAINTY}",
        default=None,
        above=0,
        at_most=50,
        example=1.0,
    )


@frozen(kw_only=True)
class Corrections:
    """Section ``[corrections]`` of a plan: what is asked for beyond what always is done."""

    spectral: Literal["none", "lamp kind", "curves"] = choice(
        "Spectral factor of the light sensor: by lamp.kind from the profile's list, or from three "
        "curves.",
        "none",
        "lamp kind",
        "curves",
        default="none",
    )
    lamp_spectrum: str | None = text(
        "Spectrum of the lamp for curves: a CSV file of wavelength [nm],irradiance, counted from "
        "the folder of the plan.",
        default=None,
        example="lamp-L-07.csv",
        empty=False,
    )
    spectral_uncertainty_percent: float | None = number(
        "%",
        f"Of the factor from curves, {_UNCERTAINTY}",
        default=None,
        above=0,
        at_most=50,
        example=1.5,
    )
    stray_umol_m2_s: float | None = number(
        "µmol m⁻² s⁻¹",
        "Stray light, beyond what is there in the dark: what reaches the sensor with the lamp lit "
        "but not from it. Measured apart, the device shaded; taken off at every point.",
        default=None,
        at_least=0,
        at_most=500,
        example=0.8,
    )
    direct_share: float | None = number(
        "1",
        "Share of the light on the plane that comes straight from the device; tilt, cosine "
        "response and height of the sensor are corrected only if it is given.",
        default=None,
        at_least=0,
        at_most=1,
        example=0.7,
    )
    source_x_mm: float | None = number(
        "mm",
        "Where that light comes from; the middle of the area if left out.",
        default=None,
        at_least=-20000,
        at_most=20000,
        example=600.0,
    )
    source_y_mm: float | None = number(
        "mm", "The same along y.", default=None, at_least=-20000, at_most=20000, example=600.0
    )
    line_voltage: Literal["as read", "nominal"] = choice(
        'Scale light and power to ballast.nominal_voltage_v with "nominal"; refused for a run '
        "that does not show how they depend on it.",
        "as read",
        "nominal",
        default="as read",
    )
