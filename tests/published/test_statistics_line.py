"""Line fit, Student's t and the robust scale against certified and tabulated values."""

from pathlib import Path

import numpy as np
import pytest
import scipy
from scipy import stats

from analysis.background import MAD_TO_SIGMA
from analysis.line_fit import fit_line, student_t

NORRIS = Path(scipy.__file__).parent / "stats/tests/data/nist_linregress/Norris.dat"


@pytest.mark.skipif(not NORRIS.is_file(), reason="this scipy ships without its test data")
def test_line_fit_meets_the_certified_values_of_norris():
    # NIST Statistical Reference Datasets, Norris; certified values read in the file that ships
    # with scipy.
    rows = NORRIS.read_text().splitlines()[60:]
    y, x = np.array([row.split() for row in rows if row.strip()], dtype=float).T
    assert len(x) == 36
    line = fit_line(x, y)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.intercept_sd == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.slope_sd == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)


# JCGM 100:2008, H.3, table H.6: a thermometer's readings [°C] and its corrections [°C]. Inputs and
# published results are from memory; the unrounded results were computed with GTC 1.5.1.
THERMOMETER_C = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
CORRECTION_C = np.array(
    [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
)


def test_calibration_line_of_a_thermometer():
    # Published, about 20 °C: y₁ = -0.1712 (0.0029), y₂ = 0.00218 (0.00067), s = 0.0035.
    line = fit_line(THERMOMETER_C - 20.0, CORRECTION_C)
    assert line.intercept == pytest.approx(-0.171204, abs=1e-6)
    assert line.intercept_sd == pytest.approx(0.002878, abs=1e-6)
    assert line.slope == pytest.approx(0.00218270, abs=1e-8)
    assert line.slope_sd == pytest.approx(0.00066794, abs=1e-8)
    assert line.residual_sd == pytest.approx(0.00349756, abs=1e-8)
    assert line.degrees_of_freedom == 9


def test_predicted_correction_of_a_thermometer():
    # Published: b(30 °C) = -0.1494 (0.0041) with 9 degrees of freedom. The line about 30 °C has
    # that value as its intercept, so slope and intercept need no correlation of their own.
    line = fit_line(THERMOMETER_C - 30.0, CORRECTION_C)
    assert line.intercept == pytest.approx(-0.149377, abs=1e-6)
    assert line.intercept_sd == pytest.approx(0.004139, abs=1e-6)


def test_line_of_sen_lies_within_the_published_robust_interval():
    # Seven points of Sen 1968, J. Am. Stat. Assoc. 63: 1379, whose median slope is 4, interval
    # 3.71 to 4.38 at 93 % (read in a test of scipy; the paper from memory). Nothing of ours fits
    # by medians; on points without an outlier least squares has to come out alike.
    line = fit_line([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78])
    assert line.slope == pytest.approx(4.0, abs=0.05)
    assert 3.71 < line.slope - line.slope_half_width() < line.slope + line.slope_half_width() < 4.38


@pytest.mark.parametrize(
    ("degrees_of_freedom", "table"),
    [(1, 12.7062), (2, 4.30265), (5, 2.57058), (10, 2.22814), (20, 2.08596), (50, 2.00856)],
)
def test_t_factor_for_95_per_cent_matches_the_table(degrees_of_freedom, table):
    # Table G.2 of JCGM 100:2008 and any t table; computed with scipy.stats.t, which is another
    # code path than the one used here.
    assert student_t(0.975, degrees_of_freedom) == pytest.approx(table, abs=1e-4)


def test_median_absolute_deviation_is_scaled_to_a_standard_deviation():
    # 1/Φ⁻¹(0.75) = 1.482602218506, computed with scipy.stats.norm; the scaled deviation agrees
    # with the one of scipy.stats.
    assert pytest.approx(1 / stats.norm.ppf(0.75), abs=1e-9) == MAD_TO_SIGMA
    values = np.array([1.0, 2.0, 4.0, 7.0, 11.0, 30.0])
    plain = np.median(np.abs(values - np.median(values)))
    assert plain * MAD_TO_SIGMA == pytest.approx(
        stats.median_abs_deviation(values, scale="normal"), rel=1e-9
    )
