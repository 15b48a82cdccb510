"""The keys of ``[uncertainty]`` in a profile: what is known of the bench without measuring it."""

from __future__ import annotations

from typing import Any

from attrs import frozen

from analysis.declared import DECLARATIONS, HAND_POSITION_MM
from rig.toml_keys import number


def _key(name: str) -> Any:
    declaration = DECLARATIONS[name]
    assumed = f"{declaration.default:g} if left out"
    if name == "position_mm":
        assumed += f", {HAND_POSITION_MM:g} where no stage carries it"
    return number(
        {"deg": "°"}.get(declaration.unit, declaration.unit),
        f"{declaration.what.removesuffix('.')}; {assumed}.",
        default=None,
        at_least=0,
        at_most=declaration.at_most,
        example=declaration.default,
    )


@frozen(kw_only=True)
class Uncertainty:
    """What is known of the bench; what is left out is assumed, and the report says so.

    The calibration of the light sensor stands in ``[light_sensor_calibration]``, that of the meter,
    where it is known better than its class, in ``[power_meter_calibration]``.
    """

    spectral_percent: float | None = _key("spectral_percent")
    linearity_percent: float | None = _key("linearity_percent")
    cosine_45_percent: float | None = _key("cosine_45_percent")
    cosine_75_percent: float | None = _key("cosine_75_percent")
    cosine_correlation: float | None = _key("cosine_correlation")
    sensor_temperature_percent: float | None = _key("sensor_temperature_percent")
    level_deg: float | None = _key("level_deg")
    sensor_height_mm: float | None = _key("sensor_height_mm")
    position_mm: float | None = _key("position_mm")
    origin_mm: float | None = _key("origin_mm")
    wattmeter_percent: float | None = _key("wattmeter_percent")
    distorted_current_percent: float | None = _key("distorted_current_percent")
    reinstallation_percent: float | None = _key("reinstallation_percent")
