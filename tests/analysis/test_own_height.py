"""Each device at its own height: the choice of the highest figure is in the interval.

The summaries of `comparable` have, of each device at each height for itself, 0.1 % from readings,
0.005 / sqrt(2) from the sum over points and 0.007 / sqrt(2) from the angles: together
sqrt(0.001² + 0.005² / 2 + 0.007² / 2) = 0.6164 %. One hanging adds 1 % to all its heights alike; a
hanging for each height adds it to each for itself: 1.1747 %.

The mean of the highest of n standard normal values: 0.5642 for 2, 0.8463 for 3, 1.1630 for 5
(table of expected normal order statistics, from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from attrs import evolve
from scipy.stats import binomtest

from analysis.causes import Cause, Influence
from analysis.comparison import MORE, compare
from analysis.own_height import own_heights
from analysis.plane_results import usable_maps
from analysis.ranking import rank
from tests.analysis.comparable import run, with_budgets

OWN = math.sqrt(0.001**2 + 0.005**2 / 2 + 0.007**2 / 2)
OWN_HUNG_ANEW = math.hypot(OWN, 0.010)
HIGHEST_OF_5, HIGHEST_OF_2 = 1.1630, 0.5642


def several(device, efficacies, *, hung_anew=False):
    """One run over heights of 400, 450 … mm, in one hanging or each in one of its own."""
    one = run(device, {400.0 + 50.0 * at: value for at, value in enumerate(efficacies)})
    if not hung_anew:
        return one
    maps = [evolve(map_, installation=at) for at, map_ in enumerate(one.maps, 1)]
    return with_budgets(one, maps=tuple(maps))


def drawn(*devices):
    return own_heights([(one.device, usable_maps(one, "")[0]) for one in devices])


@pytest.mark.parametrize(("hung_anew", "own"), [(False, OWN), (True, OWN_HUNG_ANEW)])
def test_the_largest_bias_is_that_of_equally_good_heights(hung_anew, own):
    a = several("Reflector A", [1.2])
    b = several("Reflector B", [1.2] * 5, hung_anew=hung_anew)
    found = drawn(a, b)
    assert found.biases[0] == 0
    assert found.biases[1] == pytest.approx(HIGHEST_OF_5 * own, rel=0.05)


def test_half_of_it_is_taken_off_and_the_rest_is_a_rectangle():
    found = drawn(several("Reflector A", [1.2]), several("Reflector B", [1.2] * 2))
    effect = found.effect(0, 1)
    bias = HIGHEST_OF_2 * OWN
    assert effect.change == pytest.approx(bias / 2, rel=0.06)
    # The best of two equal ones varies less than one of them, so no further spread is added.
    assert effect.standard == pytest.approx(bias / 2 / math.sqrt(3), rel=0.06)
    assert found.effect(1, 0).change == -effect.change
    assert "0.2\u202f% is taken off Reflector B" in effect.remark
    assert "The best height of Reflector B is not sure" in effect.remark


def test_a_height_that_is_clearly_the_best_has_no_bias():
    # 1.20 and 1.25 are 4 % apart, 4.7 standard deviations of their difference.
    found = drawn(several("Reflector A", [1.2]), several("Reflector B", [1.2, 1.25]))
    assert found.biases == pytest.approx((0.0, 0.0), abs=1e-6)
    assert found.told == ("", "")


def test_two_devices_of_as_many_equal_heights_owe_each_other_nothing():
    found = drawn(several("Reflector A", [1.2] * 3), several("Reflector B", [1.2] * 3))
    assert found.effect(0, 1).change == pytest.approx(0.0, abs=3e-4)


def test_a_size_known_from_three_visits_does_not_blow_the_bias_up():
    # One degree of freedom: its draws have no variance at all, whatever its size.
    def with_tail(one):
        maps = []
        for map_ in one.maps:
            cause = Cause(
                key=f"tail of {one.device} {map_.mounting_height_mm}", name="tail", kind="A",
                distribution="t", source="", degrees_of_freedom=1.0,
            )  # fmt: skip
            tail = Influence(cause=cause, light=np.zeros(25), efficacy=0.0005)
            budget = map_.budget
            maps.append(evolve(map_, budget=evolve(budget, influences=(*budget.influences, tail))))
        return evolve(one, maps=tuple(maps))

    found = drawn(
        several("Reflector A", [1.2]), with_tail(several("Reflector B", [1.2] * 5, hung_anew=True))
    )
    bias = HIGHEST_OF_5 * OWN_HUNG_ANEW
    assert bias < found.biases[1] < 1.2 * bias
    assert found.effect(0, 1).standard < bias


def test_both_the_comparison_and_the_ranking_take_the_choice_off():
    a, b = several("Reflector A", [1.2]), several("Reflector B", [1.2] * 5)
    expected = math.exp(-HIGHEST_OF_5 * OWN / 2)
    assert compare(a, b).at_best.b_to_a == pytest.approx(expected, abs=3e-4)
    row = next(one for one in rank([a, b]).rows if one.name == "Reflector B")
    assert row.to_baseline == pytest.approx(expected, abs=3e-4)
    assert compare(a, b).at_heights[0].b_to_a == pytest.approx(1.0)


def test_the_verdict_says_that_each_stands_at_its_own_height_where_there_was_a_choice():
    one, choice = several("Reflector A", [1.2]), several("Reflector B", [1.4, 1.3])
    place = ", each at its own height (400 mm for both)."
    assert compare(one, choice).at_best.sentence.endswith(place)
    assert rank([one, choice]).rows[0].sentence.endswith(place)
    assert compare(one, several("Reflector B", [1.4])).at_best.sentence.endswith(" at 400 mm.")


def test_the_choice_among_many_heights_makes_no_false_difference_beyond_five_per_cent():
    # All true values are equal; B is hung anew for each of five heights, A stands at one.
    random = np.random.default_rng(59)
    a, b = several("Reflector A", [1.2]), several("Reflector B", [1.2] * 5, hung_anew=True)
    more, chosen_blindly, draws = 0, 0, 100
    for _ in range(draws):
        read = 1.2 * (1 + OWN_HUNG_ANEW * random.standard_normal(6))
        made = [
            with_budgets(
                one,
                maps=tuple(
                    evolve(map_, plane_efficacy_umol_j=value, plane_efficacy_from_means=value)
                    for map_, value in zip(one.maps, values, strict=True)
                ),
            )
            for one, values in ((a, read[:1]), (b, read[1:]))
        ]
        verdict = compare(*made).at_best
        more += verdict.words == MORE
        best = max(read[1:]) / read[0]
        chosen_blindly += abs(math.log(best)) > 1.96 * math.sqrt(2) * OWN_HUNG_ANEW
    assert binomtest(more, draws, 0.05, alternative="greater").pvalue > 0.05
    assert more <= chosen_blindly
