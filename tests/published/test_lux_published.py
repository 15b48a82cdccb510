"""Lux meters: factors that others published lie within the limits that a result states.

What is published here is second-hand: a mailing list of 2001 quoting Thimijan and Heins,
HortScience 18(6), 1983; and the table of a maker of sensors, read in 2026.
"""

import pytest

from analysis.lux import by_kind

THIMIJAN_AND_HEINS = {"high-pressure sodium": 82.0, "metal halide": 71.0, "fluorescent": 74.0}
A_MAKER = [
    ("high-pressure sodium", 82.0),  # single-ended
    ("high-pressure sodium", 77.0),  # double-ended
    ("metal halide", 71.0),
    ("ceramic metal halide", 65.0),
    ("ceramic metal halide", 59.0),
    ("fluorescent", 74.0),
]


@pytest.mark.parametrize(("kind", "lux_per_ppfd"), [*THIMIJAN_AND_HEINS.items(), *A_MAKER])
def test_the_limits_of_a_factor_by_kind_hold_the_published_ones(kind, lux_per_ppfd):
    ours = by_kind(kind)
    assert abs(lux_per_ppfd / ours.lux_per_ppfd - 1) <= ours.limit


def test_lamps_whose_spectra_are_unlike_have_no_factor():
    # Makers' tables give white LEDs 60 to 90 lx and red and blue ones a third of it (from memory).
    assert by_kind("LED") is None
    assert by_kind(None) is None
