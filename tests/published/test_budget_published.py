"""The budget's degrees of freedom against a published worked example.

Source: JCGM 100:2008 (GUM), example in G.4.1: relative standard uncertainties 0.25, 0.57 and
0.82 % with 9, 4 and 14 degrees of freedom. Inputs and rounded results are from memory; the
figures below were computed apart from this project.
"""

from __future__ import annotations

import pytest

from analysis.budget import Term, combine


def test_welch_and_satterthwaite_of_the_guide():
    terms = [
        Term(
            name=f"input {nu}",
            in_a=size,
            in_b=0.0,
            is_shared=False,
            source="GUM G.4.1",
            degrees_of_freedom=nu,
        )
        for size, nu in ((0.0025, 9), (0.0057, 4), (0.0082, 14))
    ]
    whole = combine(terms)
    assert whole.standard == pytest.approx(0.0102947, abs=1e-6)
    assert whole.degrees_of_freedom == pytest.approx(18.9987, abs=1e-3)  # published: 19.0
    assert whole.coverage() == pytest.approx(2.0930, abs=1e-3)
    assert round(whole.coverage() * whole.standard, 3) == 0.022  # published: 2.2 %
