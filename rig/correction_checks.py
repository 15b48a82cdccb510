"""What is wrong between the keys of corrections, and the curves that they name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from analysis.curves import CURVE_KEYS, CurveError, copy_name, find_curve, read_curve
from rig.correction_keys import Corrections, LightSensorCalibration
from rig.toml_faults import Fault

_LIGHT: Final = "light_sensor_calibration"


def profile_faults(sections: Mapping[str, Any], folder: Path) -> Iterator[Fault]:
    """Find what is wrong between the calibration keys of a profile."""
    sensor: LightSensorCalibration | None = sections.get(_LIGHT)
    if sensor is None:
        return
    pairs = (
        ("temperature_coefficient_percent_per_k", "temperature_reference_c"),
        ("cosine_angle_deg", "cosine_response"),
        ("response", "calibration_spectrum"),
    )
    for pair in pairs:
        missing = [name for name in pair if getattr(sensor, name) is None]
        if len(missing) == 1:
            other = pair[0] if missing[0] == pair[1] else pair[1]
            yield Fault(
                (_LIGHT, missing[0]),
                f"is missing, and {_LIGHT}.{other} is given; give both or none",
            )
    angles, response = sensor.cosine_angle_deg, sensor.cosine_response
    if angles is not None and response is not None:
        yield from _cosine_faults(angles, response)
    seen: set[str] = set()
    for position, row in enumerate(sensor.spectral_factors):
        if row.lamp_kind in seen:
            yield Fault(
                (_LIGHT, "spectral_factors", position, "lamp_kind"),
                f"is {row.lamp_kind!r}, which stands there already; give it once",
            )
        seen.add(row.lamp_kind)
    for key in ("response", "calibration_spectrum"):
        if (name := getattr(sensor, key)) is not None:
            yield from curve_faults((_LIGHT, key), name, folder)


def _cosine_faults(angles: tuple[float, ...], response: tuple[float, ...]) -> Iterator[Fault]:
    if len(angles) != len(response):
        yield Fault(
            (_LIGHT, "cosine_response"),
            f"has {len(response)} entries, and cosine_angle_deg has {len(angles)}; give one for "
            "each angle",
        )
    if angles[0] != 0 or any(b <= a for a, b in pairwise(angles)):
        yield Fault(
            (_LIGHT, "cosine_angle_deg"),
            f"is {list(angles)}; give rising angles, from 0",
        )
    if response[0] != 1:
        yield Fault(
            (_LIGHT, "cosine_response", 0),
            f"is {response[0]}; it is 1 by definition: divide the list by it, since the factor of "
            "the certificate holds for light from above",
        )


def curve_faults(place: tuple[str, str], name: str, folder: Path) -> Iterator[Fault]:
    """Find what is wrong with a curve that a file names."""
    found = find_curve(folder, name)
    if found is None:
        yield Fault(
            place, f"is {name!r}, and {folder / name} is not there; give a file, counted from the "
            "folder of this one"
        )  # fmt: skip
        return
    try:
        read_curve(found.read_bytes())
    except CurveError as error:
        yield Fault(place, f"is {name!r}, which {error}")
    except OSError as error:
        yield Fault(place, f"is {name!r}, which cannot be read: {error.strerror}")


def plan_faults(sections: Mapping[str, Any], folder: Path) -> Iterator[Fault]:
    """Find what is wrong between the correction keys of a plan."""
    asked: Corrections | None = sections.get("corrections")
    if asked is None:
        return
    if asked.spectral == "curves" and asked.lamp_spectrum is None:
        yield Fault(
            ("corrections", "lamp_spectrum"),
            'is missing, and corrections.spectral is "curves"; give the file of the lamp\'s '
            "spectrum",
        )
    if asked.spectral != "curves":
        for key in ("lamp_spectrum", "spectral_uncertainty_percent"):
            if getattr(asked, key) is not None:
                yield Fault(
                    ("corrections", key),
                    f'is given, and corrections.spectral is "{asked.spectral}"; leave it out, or '
                    'give spectral = "curves"',
                )
    if asked.lamp_spectrum is not None:
        yield from curve_faults(("corrections", "lamp_spectrum"), asked.lamp_spectrum, folder)
    if asked.direct_share is None:
        for key in ("source_x_mm", "source_y_mm"):
            if getattr(asked, key) is not None:
                yield Fault(
                    ("corrections", key),
                    "is given without corrections.direct_share; give that too, or leave it out",
                )
    ballast = sections.get("ballast")
    if asked.line_voltage == "nominal" and ballast and ballast.nominal_voltage_v is None:
        yield Fault(
            ("corrections", "line_voltage"),
            'is "nominal", and ballast.nominal_voltage_v is missing; give the voltage to scale to',
        )


def cross_faults(plan: Any, profile: Any) -> Iterator[str]:
    """List what a plan asks of corrections that the profile has no figures for."""
    asked: Corrections = plan.corrections
    known: LightSensorCalibration | None = profile.light_sensor_calibration
    if asked.spectral == "lamp kind":
        rows = () if known is None else known.spectral_factors
        if plan.lamp.kind not in [row.lamp_kind for row in rows]:
            yield (
                f'corrections.spectral is "lamp kind", but {_LIGHT}.spectral_factors has no row '
                f"for {plan.lamp.kind!r}; add one to the profile, or leave the key out"
            )
    if asked.spectral == "curves" and (known is None or known.response is None):
        yield (
            f'corrections.spectral is "curves", but the profile has no {_LIGHT}.response and '
            "calibration_spectrum; give both, or leave the key out"
        )


def named_curves(plan: Any, profile: Any) -> dict[str, tuple[str, bytes]]:
    """Read the curves that plan and profile name, for the run folder to keep.

    Returns
    -------
    dict
        Key to the name of the copy, which holds its hash, and its bytes.
    """
    found = {}
    for key in CURVE_KEYS:
        section, name = key.split(".")
        whole = plan if section == "corrections" else profile
        file = getattr(getattr(whole, section), name, None)
        if file is not None and (path := find_curve(whole.path.parent, file)) is not None:
            data = path.read_bytes()
            found[key] = (copy_name(file, data), data)
    return found
