import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.digits import (
    MINUS,
    MISSING,
    THIN,
    duration,
    fixed,
    percent,
    plus_minus,
    signed_percent,
    significant,
)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (612.4, "612"),
        (1234.0, "1230"),
        (12_345.0, f"12{THIN}300"),
        (1.2749, "1.27"),
        (1.0, "1.00"),
        (0.05204, "0.0520"),
        (9.996, "10.0"),
        (999.6, "1000"),
        (0.0, "0"),
        (-3.456, f"{MINUS}3.46"),
        (2.5e-4, "0.000250"),
    ],
)
def test_three_significant_digits_are_written_with_their_zeros(value, text):
    assert significant(value) == text


@given(st.floats(min_value=1e-6, max_value=1e6))
@settings(deadline=None, derandomize=True, max_examples=200)
def test_significant_digits_stay_within_half_a_step(value):
    shown = float(significant(value).replace(THIN, ""))
    assert abs(shown - value) <= 0.5 * 10.0 ** (math.floor(math.log10(value)) - 2) * (1 + 1e-9)


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_what_is_no_number_is_said_to_be_missing(value):
    assert significant(value) == MISSING
    assert fixed(value, 2) == MISSING
    assert percent(value) == MISSING
    assert signed_percent(value) == MISSING
    assert duration(value) == MISSING


def test_a_rounded_zero_has_no_sign():
    assert fixed(-0.0004, 2) == "0.00"
    assert signed_percent(0.0001, 1) == f"0.0{THIN}%"


def test_signed_per_cent_shows_both_signs():
    assert signed_percent(0.021) == f"+2.1{THIN}%"
    assert signed_percent(-0.021) == f"{MINUS}2.1{THIN}%"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (45.0, "45 s"),
        (1860.0, "31 min"),
        (6000.0, "100 min"),
        (7200.0, "2 h"),
        (9000.0, "2 h 30 min"),
    ],
)
def test_lengths_of_time_are_written_as_people_say_them(seconds, text):
    assert duration(seconds) == text


@pytest.mark.parametrize(
    ("value", "reach", "text"),
    [
        # One digit of the reach, two where it begins with 1 or 2; the value ends at that place.
        (1.1532, 0.0734, "1.15 ± 0.07"),
        (0.18571, 0.0104, "0.186 ± 0.010"),
        (0.18571, 0.0294, "0.186 ± 0.029"),
        (0.18571, 0.0298, "0.19 ± 0.03"),
        (0.18571, 0.0302, "0.19 ± 0.03"),
        # Digits before the decimal point are kept all.
        (573.61, 36.42, "574 ± 36"),
        (12_345.0, 678.0, f"12{THIN}345 ± 678"),
        (573.61, 1.44, "573.6 ± 1.4"),
        (573.61, 9.96, "574 ± 10"),
        (-3.456, 0.5, f"{MINUS}3.5 ± 0.5"),
        (0.0, 0.03, "0.00 ± 0.03"),
    ],
)
def test_a_value_ends_where_its_interval_does(value, reach, text):
    assert plus_minus(value, reach) == text


@pytest.mark.parametrize("reach", [None, 0.0, -1.0, math.nan, math.inf])
def test_a_value_without_an_interval_is_written_alone(reach):
    assert plus_minus(612.4, reach) == "612"
    assert plus_minus(None, reach) == plus_minus(math.nan, 1.0) == MISSING


@given(st.floats(min_value=1e-6, max_value=1e6), st.floats(min_value=1e-6, max_value=1e5))
@settings(deadline=None, derandomize=True, max_examples=200)
def test_rounding_loses_less_than_a_sixth_of_the_interval(value, reach):
    shown, half = plus_minus(value, reach).replace(THIN, "").split(" ± ")
    assert abs(float(half) - reach) <= reach / 6
    assert abs(float(shown) - value) <= reach / 6 + 1e-9 * value
