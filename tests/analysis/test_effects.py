"""What stands between two results beside their devices."""

from __future__ import annotations

import math

import pytest

from analysis.comparison import judge
from analysis.effects import Effect
from analysis.plane_results import results
from tests.analysis.comparable import run

FADED = Effect(
    name="change of the bench",
    change=math.log(0.96),
    standard=0.01,
    source="measured: in this test",
    remark="",
)


def test_what_is_known_of_an_effect_is_taken_off_and_the_rest_widens():
    (a,), _ = results(run("Reflector A", {400.0: 1.20}), "A")
    (b,), _ = results(run("Reflector B", {400.0: 1.152}), "B")
    plain, without = judge("A", a, "B", b), judge("A", a, "B", b, effects=[FADED])
    assert plain.b_to_a == pytest.approx(0.96)
    assert without.b_to_a == pytest.approx(1.0)
    assert without.standard_uncertainty == pytest.approx(
        math.hypot(plain.standard_uncertainty, 0.01)
    )
