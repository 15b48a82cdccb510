"""Photon conversions by hand calculation, and refusal of what is no spectrum."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import photons

NM = np.arange(380.0, 781.0)


def test_a_flat_spectrum_is_worked_by_hand():
    # 1 W/m²/nm over 300 nm: 300 W/m²; photons: ∫ λ dλ /(hcN_A) = 550 nm · 300 nm /(hcN_A).
    flat = np.ones_like(NM)
    assert photons.radiant_flux_density(NM, flat) == pytest.approx(300.0)
    expected = 550.0 * 300.0 * 1e-9 / 0.119626565638697 * 1e6
    assert photons.photon_flux_density(NM, flat) == pytest.approx(expected, rel=1e-12)


def test_the_band_ends_between_points_are_met():
    # Points 30 nm apart, none at 400 or 700: a straight line is still integrated exactly.
    nm = np.arange(385.0, 736.0, 30.0)
    assert photons.radiant_flux_density(nm, nm) == pytest.approx((700.0**2 - 400.0**2) / 2)


def test_an_ideal_sensor_needs_no_spectral_factor():
    ideal = np.where((NM >= 400) & (NM <= 700), photons.umol_per_joule_at(NM), 0.0)
    red, white = np.exp(-(((NM - 640) / 20) ** 2)), np.ones_like(NM)
    # The response drops from full to nothing within the 1 nm step beyond each end of the band:
    # about half a nanometre too much of 300 at each end, 0.33 %.
    assert photons.spectral_factor(NM, red, white, ideal) == pytest.approx(1.0, abs=4e-3)


def test_a_sensor_blind_to_half_of_the_lamp_is_corrected_twofold():
    # Two narrow lines of equal photons under the lamp; the sensor sees one of them only, and was
    # calibrated under that one alone.
    seen = np.exp(-(((NM - 500) / 2) ** 2))
    unseen = np.exp(-(((NM - 600) / 2) ** 2)) * 500.0 / 600.0
    response = np.where(NM < 550, photons.umol_per_joule_at(NM), 0.0)
    assert photons.spectral_factor(NM, seen + unseen, seen, response) == pytest.approx(
        2.0, rel=1e-3
    )


@given(st.floats(min_value=1e-3, max_value=1e6))
def test_photons_scale_with_light(factor):
    base = photons.photon_flux_density(NM, np.sqrt(NM))
    assert photons.photon_flux_density(NM, factor * np.sqrt(NM)) == pytest.approx(factor * base)


@pytest.mark.parametrize(
    ("nm", "power", "message"),
    [
        ([500.0, 600.0], [1.0, 1.0], "covers 500 to 600 nm; 400 to 700 nm are needed"),
        ([400.0, 700.0], [1.0], "same length"),
        ([700.0, 400.0], [1.0, 1.0], "rise"),
        ([400.0, 700.0], [1.0, np.nan], "finite"),
    ],
)
def test_what_is_no_spectrum_is_refused(nm, power, message):
    with pytest.raises(photons.SpectrumError, match=message):
        photons.photon_flux_density(nm, power)


def test_darkness_has_no_photons_per_joule():
    with pytest.raises(photons.SpectrumError, match="no light"):
        photons.umol_per_joule(NM, np.zeros_like(NM))
