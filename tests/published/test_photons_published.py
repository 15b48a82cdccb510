"""Photon conversions against published spectra and constants.

Sources are given beside each check; "computed" means that the figure follows from the published
spectrum by an independent library, not from this project.
"""

import colour
import numpy as np
import pvlib
import pytest
from scipy import constants

from analysis import photons

V_LAMBDA = colour.colorimetry.SDS_LEFS_PHOTOPIC["CIE 1924 Photopic Standard Observer"]


def one_nm(spectrum):
    return spectrum.copy().interpolate(
        colour.SpectralShape(spectrum.shape.start, spectrum.shape.end, 1),
        interpolator=colour.LinearInterpolator,
    )


def test_constants_are_those_of_the_si():
    # SI Brochure, 9th edition, 2019: exact; scipy.constants as the second place.
    assert constants.h == photons.PLANCK_J_S
    assert constants.c == photons.LIGHT_SPEED_M_S
    assert constants.N_A == photons.AVOGADRO_PER_MOL


@pytest.mark.parametrize(
    ("nm", "umol_j"),
    # λ/(h·c·N_A), computed with scipy.constants.
    [
        (400, 3.343739),
        (450, 3.761706),
        (555, 4.639438),
        (660, 5.517169),
        (700, 5.851543),
        (730, 6.102323),
    ],
)
def test_photons_in_a_joule_of_one_wavelength(nm, umol_j):
    assert float(photons.umol_per_joule_at(nm)) == pytest.approx(umol_j, rel=1e-6)


# ASTM G173-03, 2002 rows, as pvlib ships it; 400 to 700 nm by trapezoid (computed).
@pytest.mark.parametrize(
    ("column", "ppfd", "umol_j"),
    [
        ("global", 1977.868, 4.601500),
        ("direct", 1735.200, 4.629483),
        ("extraterrestrial", 2413.043, 4.553214),
    ],
)
def test_sunlight_of_astm_g173(column, ppfd, umol_j):
    table = pvlib.spectrum.get_reference_spectra()
    nm, power = table.index.to_numpy(), table[column].to_numpy()
    assert photons.photon_flux_density(nm, power) == pytest.approx(ppfd, rel=5e-4)
    assert photons.umol_per_joule(nm, power) == pytest.approx(umol_j, rel=5e-4)


def test_illuminance_and_extended_photons_of_astm_g173():
    table = pvlib.spectrum.get_reference_spectra()
    nm, power = table.index.to_numpy(), table["global"].to_numpy()
    assert photons.illuminance_lx(nm, power) == pytest.approx(109494.9, rel=5e-4)
    assert photons.photon_flux_density(nm, power, photons.EXTENDED_NM) == pytest.approx(
        2341.678, rel=5e-4
    )


# Thimijan and Heins 1983, table 3, as two public code bases cite it (second-hand): 4.57 µmol/J
# for daylight, good to 1 %; McCree 1972.
def test_daylight_agrees_with_the_published_figure():
    table = pvlib.spectrum.get_reference_spectra()
    nm, power = table.index.to_numpy(), table["global"].to_numpy()
    assert photons.umol_per_joule(nm, power) == pytest.approx(4.57, rel=0.01)


# Spectra of the CIE and of the package colour-science 0.4.7; computed there.
@pytest.mark.parametrize(
    ("collection", "name", "umol_j", "lx_per_ppfd"),
    [
        ("illuminants", "HP1", 4.9038, 85.841),
        ("illuminants", "HP2", 5.0614, 52.558),
        ("illuminants", "HP3", 4.7574, 69.916),
        ("illuminants", "HP4", 4.6081, 67.096),
        ("illuminants", "HP5", 4.6689, 61.817),
        ("illuminants", "FL2", 4.5327, 76.481),
        ("illuminants", "A", 5.0133, 50.257),
        ("illuminants", "D65", 4.5285, 55.498),
        ("sources", "HPS", 4.8990, 83.344),
        ("sources", "Cool White FL", 4.5360, 77.494),
        ("sources", "LPS", 4.9320, 104.804),
    ],
)
def test_lamp_spectra(collection, name, umol_j, lx_per_ppfd):
    spectra = {"illuminants": colour.SDS_ILLUMINANTS, "sources": colour.SDS_LIGHT_SOURCES}
    spectrum = one_nm(spectra[collection][name])
    nm, power = spectrum.wavelengths, spectrum.values
    assert photons.umol_per_joule(nm, power) == pytest.approx(umol_j, rel=5e-3)
    ppfd = photons.photon_flux_density(nm, power)
    assert photons.illuminance_lx(nm, power) / ppfd == pytest.approx(lx_per_ppfd, rel=5e-3)


# Thimijan and Heins 1983 (columns from memory): within 5 % for these kinds.
@pytest.mark.parametrize(
    ("kind", "lx_per_ppfd"), [("high-pressure sodium", 82.0), ("fluorescent", 74.0)]
)
def test_the_table_of_lamp_kinds_agrees_with_published_conversions(kind, lx_per_ppfd):
    assert photons.LAMP_KINDS[kind].lux_per_ppfd == pytest.approx(lx_per_ppfd, rel=0.05)


@pytest.mark.parametrize(
    ("kind", "names"),
    [
        ("high-pressure sodium", [("illuminants", "HP1"), ("sources", "HPS")]),
        ("metal halide", [("illuminants", "HP3"), ("illuminants", "HP5")]),
        ("fluorescent", [("illuminants", "FL2"), ("sources", "Cool White FL")]),
        ("daylight", [("illuminants", "D55"), ("illuminants", "D65")]),
    ],
)
def test_the_spread_of_a_kind_holds_its_spectra(kind, names):
    spectra = {"illuminants": colour.SDS_ILLUMINANTS, "sources": colour.SDS_LIGHT_SOURCES}
    stated = photons.LAMP_KINDS[kind]
    for collection, name in names:
        found = one_nm(spectra[collection][name])
        lx = 683.0 * np.trapezoid(
            found.values * np.interp(found.wavelengths, V_LAMBDA.wavelengths, V_LAMBDA.values),
            found.wavelengths,
        )
        ppfd = photons.photon_flux_density(found.wavelengths, found.values)
        assert lx / ppfd == pytest.approx(stated.lux_per_ppfd, rel=stated.spread + 0.005)
