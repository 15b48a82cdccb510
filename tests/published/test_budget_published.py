"""The budget of a ratio against the worked examples of the guides.

Sources: JCGM 100:2008 (GUM), annex H and G.4.1; JCGM 101:2008, 9.2. The inputs and the rounded
published results are from memory. The unrounded figures were computed apart from this project, by
GTC 1.5.1 and by a second library or a closed form as said beside each.
"""

from __future__ import annotations

import math

import pytest
from scipy import stats

from analysis.budget import Term, combine
from analysis.causes import Cause
from analysis.line_fit import student_t
from analysis.uncertainty import budget_rows, interval, ratio_terms


def alone(size: float, degrees_of_freedom: float = math.inf) -> Term:
    """A cause that acts on one of the two only, so that the ratio is as uncertain as it is."""
    return Term(
        name="input",
        in_a=size,
        in_b=0.0,
        is_shared=False,
        source="worked example of a guide",
        degrees_of_freedom=degrees_of_freedom,
    )


def cause(name: str, degrees_of_freedom: float = math.inf) -> Cause:
    """The same as a cause of a map."""
    return Cause(
        key=name,
        name=name,
        kind="B",
        distribution="normal",
        source="worked example of a guide",
        degrees_of_freedom=degrees_of_freedom,
    )


def test_welch_and_satterthwaite_of_the_guide():
    # GUM G.4.1: relative standard uncertainties 0.25, 0.57 and 0.82 % with 9, 4 and 14 degrees of
    # freedom.
    whole = combine([alone(0.0025, 9), alone(0.0057, 4), alone(0.0082, 14)])
    assert whole.standard == pytest.approx(0.0102947, abs=1e-6)
    assert whole.degrees_of_freedom == pytest.approx(18.9987, abs=1e-3)  # published: 19.0
    assert whole.coverage() == pytest.approx(2.0930, abs=1e-3)
    assert round(whole.coverage() * whole.standard, 3) == 0.022  # published: 2.2 %


# GUM H.1, an end gauge of 50 mm against a standard: what each input leaves in its length [nm],
# with degrees of freedom. Expansion coefficient and mean temperature leave nothing at first order.
LENGTH_NM = 50_000_838.0
STANDARD_NM = 50_000_623.0
END_GAUGE = {
    "calibration certificate of the standard": (25.0, 18),
    "repeated observations of the difference": (5.8, 24),
    "comparator, random": (3.9, 5),
    "comparator, systematic": (6.7, 8),
    "difference of expansion, at -0.1 °C": (STANDARD_NM * 0.1 * 1e-6 / math.sqrt(3), 50),
    "difference of temperature": (STANDARD_NM * 11.5e-6 * 0.05 / math.sqrt(3), 2),
}


def test_end_gauge_of_the_guide():
    # Computed with GTC and metrolopy: 31.664 nm and 16.752; published: 32 nm, 16, and 93 nm at
    # 99 %, which is t₉₉ of 16 whole degrees of freedom times 32 nm.
    whole = combine([alone(size / LENGTH_NM, freedom) for size, freedom in END_GAUGE.values()])
    assert whole.standard * LENGTH_NM == pytest.approx(31.664, abs=1e-3)
    assert round(whole.standard * LENGTH_NM) == 32
    assert whole.degrees_of_freedom == pytest.approx(16.752, abs=1e-3)
    assert student_t(0.995, 16) == pytest.approx(2.92078, abs=1e-5)  # published: 2.92
    assert round(student_t(0.995, 16) * round(whole.standard * LENGTH_NM)) == 93
    # Ours keeps the fraction of a degree of freedom, so it comes out a little narrower.
    assert whole.coverage(0.99) == pytest.approx(stats.t.ppf(0.995, 16.752), abs=1e-4)


def test_end_gauge_of_the_guide_as_a_figure_of_a_map():
    # The same, through the package `uncertainties` as a map's figures go. Shares of the variance
    # by hand: 25² of 31.664² is 62.3 %, 16.599² is 27.5 %, all of the difference 9.3 %.
    sizes = {cause(name, nu): size / LENGTH_NM for name, (size, nu) in END_GAUGE.items()}
    found = interval(LENGTH_NM, sizes)
    assert found.standard == pytest.approx(31.664, abs=1e-3)
    assert found.degrees_of_freedom == pytest.approx(16.752, abs=1e-3)
    assert found.half_width == pytest.approx(stats.t.ppf(0.975, 16.752) * 31.664, rel=1e-4)
    rows = budget_rows(sizes)
    shares = {row.name: row.share for row in rows}
    assert [row.name for row in rows][:2] == [
        "calibration certificate of the standard",
        "difference of temperature",
    ]
    assert shares["calibration certificate of the standard"] == pytest.approx(0.623, abs=5e-4)
    assert shares["difference of temperature"] == pytest.approx(0.275, abs=5e-4)
    assert sum(list(shares.values())[2:]) == pytest.approx(0.0935 + 0.0083, abs=5e-4)
    assert sum(shares.values()) == pytest.approx(1.0)


def test_ratio_of_two_correlated_inputs_of_the_guide():
    # GUM H.2: impedance Z = V / I, both measured five times together, correlated by -0.355311.
    # Z = 254.25970 Ω with u = 0.236336 Ω (published: 254.260 and 0.236), computed with GTC and
    # with uncertainties. A correlation is a cause that both share, and one that one has alone.
    volts = (5.007, 4.994, 5.005, 4.990, 4.999)
    amperes = (0.019663, 0.019639, 0.019640, 0.019685, 0.019678)
    mean_v, u_v = _mean_and_its_uncertainty(volts)
    mean_a, u_a = _mean_and_its_uncertainty(amperes)
    correlation = -0.355311
    both, own = cause("what moves both"), cause("what moves the voltage alone")
    of_current = {both: u_a / mean_a}
    of_voltage = {
        both: correlation * u_v / mean_v,
        own: math.sqrt(1 - correlation**2) * u_v / mean_v,
    }
    whole = combine(ratio_terms(of_current, of_voltage))
    assert mean_v / mean_a == pytest.approx(254.25970, abs=1e-5)
    assert whole.standard * mean_v / mean_a == pytest.approx(0.236336, abs=2e-6)


def _mean_and_its_uncertainty(values: tuple[float, ...]) -> tuple[float, float]:
    mean = sum(values) / len(values)
    squares = sum((value - mean) ** 2 for value in values)
    return mean, math.sqrt(squares / (len(values) - 1) / len(values))


# JCGM 101 9.2: the sum of four inputs of mean 0. What a first-order budget says of it, beside what
# is true: exact for normal inputs (9.2.2), a little too wide for four rectangular ones (9.2.3: the
# closed form of the sum of four, 2√3 (2 − (3/5)^¼)), and much too wide where one rectangular input
# is all that counts (9.2.4: about ± 17.0 by Monte Carlo, published; GUM framework ± 19.9).
@pytest.mark.parametrize(
    ("largest", "standard", "first_order", "true"),
    [
        pytest.param(1.0, 2.0, 3.92, 3.92, id="9.2.2 four normal"),
        pytest.param(1.0, 2.0, 3.92, 2 * math.sqrt(3) * (2 - 0.6**0.25), id="9.2.3 rectangular"),
        pytest.param(10.0, 10.149, 19.9, 17.0, id="9.2.4 one rectangular of ten times the size"),
    ],
)
def test_sums_of_four_inputs_of_the_supplement(largest, standard, first_order, true):
    whole = combine([alone(1.0), alone(1.0), alone(1.0), alone(largest)])
    assert whole.standard == pytest.approx(standard, abs=1e-3)
    half_width = whole.coverage() * whole.standard
    assert half_width == pytest.approx(first_order, abs=0.01)
    assert half_width >= true - 1e-2  # never too narrow
