"""Between watts, photons and lux.

Light for plants is counted in photons of 400 to 700 nm. A photon of wavelength λ carries the
energy h·c/λ, so a joule of it holds λ/(h·c·N_A) moles: the conversion is exact for a known
spectrum, and only as good as the spectrum for a lamp of which nothing but the kind is known.
Wavelengths are in nanometres, in air or vacuum alike; their difference is below 0.03 %.

References
----------
.. [1] SI Brochure, 9th edition (2019): h, c and N_A are exact.
.. [2] CIE 1924 spectral luminous efficiency, and Km = 683 lm W⁻¹.
.. [3] ANSI/ASABE S640: photosynthetic photon quantities over 400 to 700 nm (from memory).
"""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

PLANCK_J_S: Final = 6.62607015e-34
LIGHT_SPEED_M_S: Final = 299_792_458.0
AVOGADRO_PER_MOL: Final = 6.02214076e23
LUMENS_PER_WATT: Final = 683.0

PHOTOSYNTHETIC_NM: Final = (400.0, 700.0)
#: Extended by far red, which works together with shorter waves; a proposal of research, no
#: standard (from memory).
EXTENDED_NM: Final = (400.0, 750.0)


class SpectrumError(ValueError):
    """A spectrum cannot be used; the message says why."""


@frozen(kw_only=True)
class LampKind:
    """Conversions of a kind of lamp, for want of a spectrum of the lamp itself.

    Attributes
    ----------
    umol_per_joule : float
        Photons of 400 to 700 nm per joule of radiation of 400 to 700 nm. [µmol J⁻¹]
    lux_per_ppfd : float
        [lx per µmol m⁻² s⁻¹]
    spread : float
        Half the range of `lux_per_ppfd` over the spectra looked at, relative. [fraction]
    source : str
        Which spectra, and how sure that is.
    """

    umol_per_joule: float
    lux_per_ppfd: float
    spread: float
    source: str


#: Computed from published spectra (1 nm, trapezoid) with the package colour-science 0.4.7.
LAMP_KINDS: Final = {
    "high-pressure sodium": LampKind(
        umol_per_joule=4.904,
        lux_per_ppfd=84.0,
        spread=0.02,
        source="CIE HP1 and two lamps of the same kind; computed",
    ),
    "metal halide": LampKind(
        umol_per_joule=4.66,
        lux_per_ppfd=67.0,
        spread=0.09,
        source="CIE HP3 to HP5 and three lamps of the kind, 61.5 to 73.2 lx; computed",
    ),
    "ceramic metal halide": LampKind(
        umol_per_joule=4.71,
        lux_per_ppfd=63.5,
        spread=0.04,
        source="two lamps of the kind, 61.5 and 65.5 lx; computed",
    ),
    "fluorescent": LampKind(
        umol_per_joule=4.53,
        lux_per_ppfd=77.0,
        spread=0.03,
        source="CIE FL2 and a cool white lamp; computed",
    ),
    "daylight": LampKind(
        umol_per_joule=4.57,
        lux_per_ppfd=55.5,
        spread=0.02,
        source="ASTM G173 global, CIE D55 and D65; computed",
    ),
}


def umol_per_joule_at(wavelength_nm: ArrayLike) -> Floats:
    """Photons in a joule of light of one wavelength.

    Parameters
    ----------
    wavelength_nm : array
        Above 0. [nm]

    Returns
    -------
    array of the same shape
        [µmol J⁻¹]
    """
    per_metre = PLANCK_J_S * LIGHT_SPEED_M_S * AVOGADRO_PER_MOL
    return np.asarray(wavelength_nm, dtype=np.float64) * 1e-9 / per_metre * 1e6


def radiant_flux_density(
    wavelength_nm: ArrayLike,
    spectral_w_m2_nm: ArrayLike,
    band_nm: tuple[float, float] = PHOTOSYNTHETIC_NM,
) -> float:
    """Energy of a spectrum within a band.

    Parameters
    ----------
    wavelength_nm : array, shape (n,)
        Rising. [nm]
    spectral_w_m2_nm : array, shape (n,)
        Spectral irradiance; straight lines between the points. [W m⁻² nm⁻¹]
    band_nm : tuple of float
        [nm]

    Returns
    -------
    float
        [W m⁻²]

    Raises
    ------
    SpectrumError
        Not a spectrum, or one that does not cover the band.
    """
    nm, power = _within(wavelength_nm, spectral_w_m2_nm, band_nm)
    return float(np.trapezoid(power, nm))


def photon_flux_density(
    wavelength_nm: ArrayLike,
    spectral_w_m2_nm: ArrayLike,
    band_nm: tuple[float, float] = PHOTOSYNTHETIC_NM,
) -> float:
    """Photons of a spectrum within a band: PPFD for 400 to 700 nm.

    Parameters and errors as for `radiant_flux_density`.

    Returns
    -------
    float
        [µmol m⁻² s⁻¹]
    """
    nm, power = _within(wavelength_nm, spectral_w_m2_nm, band_nm)
    return float(np.trapezoid(power * umol_per_joule_at(nm), nm))


def umol_per_joule(
    wavelength_nm: ArrayLike,
    spectral_w_m2_nm: ArrayLike,
    band_nm: tuple[float, float] = PHOTOSYNTHETIC_NM,
) -> float:
    """Photons per joule of a spectrum, both within the band. [µmol J⁻¹]

    Parameters and errors as for `radiant_flux_density`.
    """
    energy = radiant_flux_density(wavelength_nm, spectral_w_m2_nm, band_nm)
    if not energy > 0:
        raise SpectrumError(f"no light between {band_nm[0]:g} and {band_nm[1]:g} nm")
    return photon_flux_density(wavelength_nm, spectral_w_m2_nm, band_nm) / energy


def illuminance_lx(wavelength_nm: ArrayLike, spectral_w_m2_nm: ArrayLike) -> float:
    """Lux of a spectrum: 683 lm W⁻¹ times the eye's response, over what the spectrum covers. [lx]

    Parameters as for `radiant_flux_density`; the spectrum has to cover 400 to 700 nm.
    """
    nm, power = _spectrum(wavelength_nm, spectral_w_m2_nm)
    _within(nm, power, PHOTOSYNTHETIC_NM)
    eye_nm, eye = _eye()
    grid = np.union1d(nm, eye_nm[(eye_nm >= nm[0]) & (eye_nm <= nm[-1])])
    seen = np.interp(grid, nm, power) * np.interp(grid, eye_nm, eye, left=0.0, right=0.0)
    return LUMENS_PER_WATT * float(np.trapezoid(seen, grid))


def spectral_factor(
    wavelength_nm: ArrayLike,
    lamp: ArrayLike,
    calibration_source: ArrayLike,
    response: ArrayLike,
) -> float:
    """Factor that a sensor's reading is multiplied by under a lamp unlike its calibration source.

    A sensor whose response per photon is not flat reads each spectrum a little wrong. Calibrated
    right under one source, it is wrong under a lamp by the ratio of the two errors.

    Parameters
    ----------
    wavelength_nm : array, shape (n,)
        Common to the three spectra; has to cover all that the sensor sees. [nm]
    lamp, calibration_source : array, shape (n,)
        Spectral irradiance, any unit.
    response : array, shape (n,)
        Response of the sensor per unit of spectral irradiance, any unit.

    Returns
    -------
    float
        True PPFD over PPFD as read; 1 for a sensor of ideal response. [unitless]
    """
    photons = [
        photon_flux_density(wavelength_nm, spectrum) for spectrum in (lamp, calibration_source)
    ]
    nm, weight = _spectrum(wavelength_nm, response)
    seen = [
        float(np.trapezoid(np.asarray(spectrum, dtype=np.float64) * weight, nm))
        for spectrum in (lamp, calibration_source)
    ]
    if not min(*seen, *photons) > 0:
        raise SpectrumError("lamp, calibration source and response have to overlap")
    return (photons[0] / photons[1]) / (seen[0] / seen[1])


def _spectrum(wavelength_nm: ArrayLike, values: ArrayLike) -> tuple[Floats, Floats]:
    nm = np.asarray(wavelength_nm, dtype=np.float64)
    power = np.asarray(values, dtype=np.float64)
    if nm.ndim != 1 or nm.shape != power.shape or len(nm) < 2:
        raise SpectrumError(
            f"wavelengths and values are of shapes {nm.shape} and {power.shape}; give two lists "
            "of the same length, 2 or more"
        )
    if not np.isfinite(nm).all() or not np.isfinite(power).all() or (np.diff(nm) <= 0).any():
        raise SpectrumError("wavelengths have to rise, and all numbers to be finite")
    return nm, power


def _within(
    wavelength_nm: ArrayLike, values: ArrayLike, band_nm: tuple[float, float]
) -> tuple[Floats, Floats]:
    nm, power = _spectrum(wavelength_nm, values)
    low, high = band_nm
    if nm[0] > low or nm[-1] < high:
        raise SpectrumError(
            f"the spectrum covers {nm[0]:g} to {nm[-1]:g} nm; {low:g} to {high:g} nm are needed"
        )
    inside = np.union1d(nm[(nm > low) & (nm < high)], [low, high])
    return inside, np.interp(inside, nm, power)


@cache
def _eye() -> tuple[Floats, Floats]:
    text = files("analysis").joinpath("cie_1924_photopic.csv").read_text(encoding="utf-8")
    rows: list[Any] = [row for row in csv.reader(text.splitlines()) if row[0][0] != "#"][1:]
    table = np.array(rows, dtype=np.float64)
    return table[:, 0], table[:, 1]
