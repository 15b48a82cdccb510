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
