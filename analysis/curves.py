"""Spectral curves from files: a sensor's response, its calibration source, a lamp's spectrum.

A curve is a CSV file of two columns, wavelength in nanometres and value in any unit, wavelengths
rising; lines that begin with ``#`` and one line of headings are passed over. A run folder holds a
copy of each curve that it needs, under a name that begins with its SHA-256, so that it stands
alone; which copy serves which key stands in the descriptor.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.photons import PHOTOSYNTHETIC_NM, SpectrumError, spectral_factor

Floats = NDArray[np.float64]
Curve = tuple[Floats, Floats]
"""Wavelengths [nm] and values."""

CURVE_KEYS: Final = (
    "light_sensor_calibration.response",
    "light_sensor_calibration.calibration_spectrum",
    "corrections.lamp_spectrum",
)
"""Keys of profile and plan that name a curve."""


class CurveError(ValueError):
    """A curve cannot be used; the message says why, without the name of the file."""


def read_curve(data: bytes) -> Curve:
    """Read a two-column curve.

    Raises
    ------
    CurveError
        Not such a file; wavelengths that do not rise; values below 0 or none above it.
    """
    try:
        lines = data.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError:
        raise CurveError("is not text; save it as CSV in UTF-8") from None
    rows = [row for row in csv.reader(lines) if row and not row[0].lstrip().startswith("#")]
    if rows and not _numbers(rows[0]):
        rows = rows[1:]  # headings
    points = []
    for row in rows:
        found = _numbers(row)
        if found is None:
            raise CurveError(f"holds the line {','.join(row)!r}; give wavelength [nm],value")
        points.append(found)
    if len(points) < 2:
        raise CurveError("holds fewer than two lines of wavelength [nm],value")
    nm, values = np.array(points, dtype=np.float64).T
    if (np.diff(nm) <= 0).any():
        at = int(np.flatnonzero(np.diff(nm) <= 0)[0])
        raise CurveError(f"has {nm[at + 1]:g} nm after {nm[at]:g} nm; wavelengths have to rise")
    if (values < 0).any() or not (values > 0).any():
        raise CurveError(f"has values from {values.min():g} to {values.max():g}; none may be below "
                         "0, and some have to be above")  # fmt: skip
    return nm, values


def _numbers(row: list[str]) -> tuple[float, float] | None:
    if len(row) != 2:
        return None
    try:
        nm, value = (float(cell) for cell in row)
    except ValueError:
        return None
    return (nm, value) if np.isfinite([nm, value]).all() else None


def copy_name(name: str, data: bytes) -> str:
    """Name the copy of a curve in a run folder: by its hash, then as it was called."""
    return f"curve-{hashlib.sha256(data).hexdigest()[:16]}-{PurePosixPath(name).name}"


def find_curve(folder: Path, name: str) -> Path | None:
    """Find a curve by the name that a plan or profile in `folder` gives; None if it is not there.

    Beside the plan of a run folder lies not the file itself but its copy.
    """
    if (folder / name).is_file():
        return folder / name
    copies = sorted(folder.glob(f"curve-{'?' * 16}-{PurePosixPath(name).name}"))
    return copies[0] if len(copies) == 1 else None


def curves_of_run(folder: Path, descriptor: Mapping[str, Any]) -> dict[str, Curve | str]:
    """Read the curves that a run folder holds.

    Returns
    -------
    dict
        Key (one of `CURVE_KEYS`) to its curve, or to why it cannot be used.
    """
    ours = descriptor.get("evenfall", {})
    held = ours.get("curves", {}) if isinstance(ours, Mapping) else {}
    found: dict[str, Curve | str] = {}
    for key, copy in held.items() if isinstance(held, Mapping) else ():
        try:
            data = (folder / str(copy)).read_bytes()
            if copy_name(str(copy)[len("curve-") + 17 :], data) != copy:
                raise CurveError("was changed since the run (its SHA-256 differs)")
            found[key] = read_curve(data)
        except OSError as error:
            found[key] = f"{copy} cannot be read ({error.strerror})"
        except CurveError as error:
            found[key] = f"{copy} {error}"
    return found


def spectral_factor_from(response: Curve, calibration_source: Curve, lamp: Curve) -> float:
    """Work out the spectral factor of a sensor under a lamp from three curves.

    Parameters
    ----------
    response : tuple of array
        Of the sensor, per unit of spectral irradiance; 0 outside its wavelengths.
    calibration_source, lamp : tuple of array
        Spectral irradiance. Each has to cover 400 to 700 nm and all that the sensor sees.

    Returns
    -------
    float
        What a reading is multiplied by, see `analysis.photons.spectral_factor`. [unitless]

    Raises
    ------
    CurveError
        A spectrum that does not cover what it has to.
    """
    nm, weight = response
    seen = np.flatnonzero(weight > 0)
    low = min(nm[max(int(seen[0]) - 1, 0)], PHOTOSYNTHETIC_NM[0])
    high = max(nm[min(int(seen[-1]) + 1, len(nm) - 1)], PHOTOSYNTHETIC_NM[1])
    for name, (wavelengths, _) in (("lamp", lamp), ("calibration source", calibration_source)):
        if wavelengths[0] > low or wavelengths[-1] < high:
            raise CurveError(
                f"the spectrum of the {name} covers {wavelengths[0]:g} to {wavelengths[-1]:g} nm; "
                f"{low:g} to {high:g} nm are needed, as the sensor sees that far"
            )
    every = np.unique(np.concatenate([nm, calibration_source[0], lamp[0], [low, high]]))
    common = every[(every >= low) & (every <= high)]
    try:
        return spectral_factor(
            common,
            np.interp(common, *lamp),
            np.interp(common, *calibration_source),
            np.interp(common, nm, weight, left=0.0, right=0.0),
        )
    except SpectrumError as error:
        raise CurveError(str(error)) from None
