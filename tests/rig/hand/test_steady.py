"""A value is steady for as long as its last readings lie close together."""

from __future__ import annotations

import pytest

from rig.hand.steady import steady_for_s


@pytest.mark.parametrize(
    ("values", "held_s"),
    [
        ([600.0], 0.0),
        ([600.0, 601.0, 600.5], 2.0),  # 1 in 600.5 is 0.17 %
        ([550.0, 600.0, 601.0, 603.0], 2.0),  # 53 in 588.5 is 9 %
        ([600.0, 601.0, 650.0], 0.0),  # 49 in 625.5 is 8 %
        # Each step is 0.5 %, yet highest to lowest counts: 6 in 606 is 0.99 %, 9 in 604.5 is 1.5 %.
        ([600.0, 603.0, 606.0, 609.0], 2.0),
        ([0.2, 0.9, 0.4], 2.0),  # in the dark 0.7 is much as a share, and nothing as light
        ([], 0.0),
    ],
)
def test_it_counts_back_to_the_first_reading_that_is_too_far_off(values, held_s):
    moments_s = [10.0 + n for n in range(len(values))]
    assert steady_for_s(moments_s, values, percent=1.0) == held_s


def test_a_reading_that_is_no_number_ends_it():
    assert steady_for_s([1.0, 2.0, 3.0], [600.0, float("nan"), 600.0], percent=1.0) == 0.0
