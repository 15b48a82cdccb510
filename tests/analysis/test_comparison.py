"""Verdicts between two devices: budget and sentences by hand, error rates by simulation.

The summaries of `comparable` have 25 equal points that repeat to 0.5 %, so the readings leave
0.005 / sqrt(25) = 0.001 in each result. By hand, with one installation each::

    u² = 2 · 0.001² + 0.005² + 0.007² + 2 · 0.010² = 2.76e-4,  u = 1.6613 %
    95 % half-width 1.959964 u = 3.2561 %;  seen 19 times in 20: (1.959964 + 1.644854) u = 5.9888 %
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from attrs import evolve
from scipy.stats import binomtest

from analysis.causes import Cause
from analysis.comparison import MORE, NO_DIFFERENCE, NOT_DECIDED, compare, judge
from analysis.likeness import NotAFactError
from analysis.plane_results import Result, ratio_terms
from tests.analysis.comparable import INSTRUMENTS, map_with, run, with_budgets

U = math.sqrt(2.76e-4)


def _one(a=1.20, b=1.20, **options):
    found = compare(run("Reflector A", {400.0: a}), run("Reflector B", {400.0: b}), **options)
    (verdict,) = found.at_heights
    return verdict


def test_budget_of_one_installation_each_is_the_one_worked_by_hand():
    verdict = _one()
    assert verdict.standard_uncertainty == pytest.approx(U, rel=1e-6)
    assert verdict.half_width == pytest.approx(1.959964 * U, rel=1e-5)
    assert verdict.would_have_been_seen == pytest.approx(3.604818 * U, rel=1e-5)


def test_a_clear_difference_is_more():
    verdict = _one(1.20, 1.32)
    assert verdict.words == MORE == "more"
    # 1.32 / 1.20 = 1.100; 1.1 x 3.2561 % = 3.5817 %.
    assert verdict.sentence == (
        "As installed, Reflector B delivers 10.0\u202f% ± 3.6\u202f% more per joule than "
        "Reflector A at 400 mm."
    )
    assert (verdict.ratio, verdict.b_to_a) == pytest.approx((1.1, 1.1))


def test_the_better_device_is_named_first_whichever_comes_first():
    verdict = _one(1.32, 1.20)
    assert "Reflector A delivers 10.0\u202f%" in verdict.sentence
    assert (verdict.greater, verdict.lesser) == ("Reflector A", "Reflector B")
    assert verdict.ratio == pytest.approx(1.1)
    assert verdict.b_to_a == pytest.approx(1 / 1.1)


def test_a_small_difference_is_no_measurable_one_and_says_what_would_have_been_seen():
    verdict = _one(1.20, 1.21)
    assert verdict.words == NO_DIFFERENCE == "no measurable difference"
    assert verdict.sentence == (
        "As installed, there is no measurable difference per joule between Reflector A and "
        "Reflector B at 400 mm (6.0\u202f% would have been seen)."
    )


def test_a_wide_interval_around_one_is_not_decided():
    verdict = _one(1.20, 1.21, relevant=0.03)
    assert verdict.words == NOT_DECIDED == "not decided"
    assert "not decided" in verdict.sentence
    assert "0.8\u202f% ± 3.3\u202f%" in verdict.sentence


@pytest.mark.parametrize(("relevant", "words"), [(0.0326, NO_DIFFERENCE), (0.0325, NOT_DECIDED)])
def test_the_relevant_difference_is_the_border_between_the_two(relevant, words):
    assert _one(relevant=relevant).words == words


@pytest.mark.parametrize(("ratio", "words"), [(1.0337, MORE), (1.0336, NO_DIFFERENCE)])
def test_more_begins_where_the_printed_interval_leaves_out_one(ratio, words):
    # ratio - 1 > ratio x 0.032561 from ratio = 1 / (1 - 0.032561) = 1.033657 on.
    assert _one(1.0, ratio).words == words


def test_three_installations_each_put_their_own_spread_in_place_of_the_declared_one():
    # Spread 1.18, 1.20, 1.22: sd 0.02, relative 1.6667 %, of the mean 0.96225 % (2 degrees).
    # Readings 0.001 / sqrt(3) each. u² = 2 (0.0096225² + 0.00057735²) + 0.005² + 0.007².
    found = compare(
        run("Reflector A", {400.0: (1.18, 1.20, 1.22)}),
        run("Reflector B", {400.0: (1.18, 1.20, 1.22)}),
    )
    (verdict,) = found.at_heights
    square = 2 * ((0.02 / 1.2) ** 2 / 3 + 0.001**2 / 3) + 0.005**2 + 0.007**2
    assert verdict.standard_uncertainty == pytest.approx(math.sqrt(square))
    # Welch and Satterthwaite, 2 degrees of freedom in each spread: 2.59853e-4² over
    # 2 x 9.25926e-5² / 2 is 7.88. Student's t lies between that of 8 and 7 degrees (t table).
    coverage = verdict.half_width / math.sqrt(square)
    assert 2.3060 < coverage < 2.3646
    assert verdict.sentence.startswith("Over 3 installations each, ")


def test_two_installations_halve_the_square_of_the_declared_term_and_stay_as_installed():
    found = compare(
        run("Reflector A", {400.0: (1.2, 1.2)}), run("Reflector B", {400.0: (1.2, 1.2)})
    )
    (verdict,) = found.at_heights
    expected = 0.001**2 + 0.005**2 + 0.007**2 + 0.010**2
    assert verdict.standard_uncertainty == pytest.approx(math.sqrt(expected))
    assert verdict.sentence.startswith("As installed, ")


def test_calibration_cancels_for_one_sensor_and_counts_for_two():
    other = ({**INSTRUMENTS[0], "serial_number": "Q-2"}, INSTRUMENTS[1])
    b = with_budgets(run("Reflector B"), instruments=other)
    found = compare(run(), b, accept=["light sensor"])
    (verdict,) = found.at_heights
    assert verdict.standard_uncertainty == pytest.approx(math.hypot(U, 0.05 * math.sqrt(2)))
    shared = {term.name: term.in_ratio for term in _one().terms}
    assert shared["calibration"] == pytest.approx(0, abs=1e-12)
    assert shared["gain of the wattmeter"] == pytest.approx(0, abs=1e-12)


def test_another_power_meter_brings_its_gain_into_the_ratio():
    other = (INSTRUMENTS[0], {**INSTRUMENTS[1], "serial_number": "M-2"})
    b = with_budgets(run("Reflector B"), instruments=other)
    (verdict,) = compare(run(), b, accept=["power meter"]).at_heights
    assert verdict.standard_uncertainty == pytest.approx(math.hypot(U, 0.01 * math.sqrt(2)))


def test_what_light_and_power_did_not_do_together_counts():
    drifting = map_with(400.0, 1.2, efficacy_disagreement=0.01)
    a = with_budgets(run(), maps=(drifting,))
    (verdict,) = compare(a, run("Reflector B")).at_heights
    # A rectangle of half-width 1 %: 1 % / sqrt(3).
    assert verdict.standard_uncertainty == pytest.approx(math.hypot(U, 0.01 / math.sqrt(3)))


def test_uneven_light_gives_bright_points_the_larger_say_in_repeatability():
    # All light on one point of 25: the noise of a single point, 0.5 %, in place of 0.1 %.
    lone = np.zeros(25)
    lone[12] = 500.0
    a = with_budgets(run(), maps=(map_with(400.0, 1.2, ppfd=lone),))
    (verdict,) = compare(a, run("Reflector B")).at_heights
    assert verdict.standard_uncertainty == pytest.approx(math.sqrt(U**2 - 0.001**2 + 0.005**2))


def test_devices_are_compared_at_each_common_height_and_at_their_best():
    a = run("Reflector A", {400.0: 1.20, 500.0: 1.25, 600.0: 1.10})
    b = run("Reflector B", {400.0: 1.40, 500.0: 1.30, 700.0: 1.0})
    found = compare(a, b)
    assert [one.height_mm for one in found.at_heights] == [(400.0, 400.0), (500.0, 500.0)]
    assert found.at_best is not None
    assert found.at_best.height_mm == (500.0, 400.0)
    assert found.at_best.ratio == pytest.approx(1.40 / 1.25)
    assert found.at_best.sentence == (
        "As installed, Reflector B delivers 12.0\u202f% ± 3.6\u202f% more per joule than "
        "Reflector A, each at its own height (Reflector A at 500 mm, Reflector B at 400 mm)."
    )


def test_no_common_height_leaves_the_comparison_of_the_best_alone():
    found = compare(run("Reflector A", {400.0: 1.2}), run("Reflector B", {450.0: 1.2}))
    assert found.at_heights == ()
    assert found.at_best is not None
    assert any("no usable map at a common mounting height" in one for one in found.remarks)


@pytest.mark.parametrize(
    ("bad", "why"),
    [
        (map_with(400.0, 1.5, n_used=24, mean_of="24 of 25 points"), "it has 24 of 25 points"),
        (map_with(400.0, None), "it has no plane efficacy"),
        (map_with(None, 1.5), "its mounting height is not stated"),
        (
            map_with(
                400.0, 1.5, drift=evolve(map_with(400.0, 1.5).drift, accepted=False, span=0.04)
            ),
            "the light drifted by 4.0\u202f%, more than its limit",
        ),
    ],
)
def test_a_map_that_cannot_stand_up_is_left_out_and_named(bad, why):
    a = with_budgets(run(), maps=(bad, map_with(500.0, 1.2)))
    found = compare(a, run("Reflector B", {400.0: 1.2, 500.0: 1.2}))
    assert [one.height_mm for one in found.at_heights] == [(500.0, 500.0)]
    assert found.at_best is not None
    assert found.at_best.height_mm[0] == 500.0
    assert any(f"not compared, {why}." in one for one in found.remarks)


def test_runs_that_are_not_alike_get_no_verdict():
    found = compare(run(), run("Reflector B", lamp={"sample": "L-08"}))
    assert found.is_refused
    assert [one.name for one in found.refused] == ["lamp sample"]
    assert found.refused[0].sentence == (
        "the lamp sample differs: L-01 for Reflector A, L-08 for Reflector B"
    )
    assert (found.at_heights, found.at_best) == ((), None)


def test_each_mismatch_must_be_accepted_by_its_own_name():
    b = run("Reflector B", lamp={"sample": "L-08"}, area={"floor": "black cloth"})
    assert [one.name for one in compare(run(), b, accept=["floor"]).refused] == ["lamp sample"]
    found = compare(run(), b, accept=["floor", "lamp sample"])
    assert not found.is_refused
    assert len(found.at_heights) == 1
    assert any("the floor differs: white tray" in one for one in found.remarks)


def test_accepting_what_is_no_fact_is_refused():
    with pytest.raises(NotAFactError, match="cannot accept 'lampsample'"):
        compare(run(), run("Reflector B"), accept=["lampsample"])


def test_one_specimen_is_called_one_specimen():
    found = compare(run(), run("Reflector B"))
    assert any("one specimen of each: A-1 for Reflector A" in one for one in found.remarks)


# -- error rates under the declared model ----------------------------------------------------


_SIZES = tuple(
    {
        Cause(key=key, name=key, kind="B", distribution="normal", source="by hand"): size
        for key, size in (
            ("calibration", 0.05),
            ("gain", -0.01),
            (f"repeatability {which}", 0.001),
            (f"sum {which}", 0.005 / math.sqrt(2)),
            (f"cosine {which}", 0.007 / math.sqrt(2)),
        )
    }
    for which in "ab"
)


def _rate(difference: float, draws: int, seed: int) -> tuple[int, int]:
    """Count "more" among results drawn from the very terms that the budget declares."""
    random = np.random.default_rng(seed)
    more = 0
    for _ in range(draws):
        drawn = [1.2, 1.2 * (1 + difference)]
        common = 1 + 0.05 * random.standard_normal() + 0.01 * random.standard_normal()
        for which in (0, 1):
            own = [0.001, 0.010, 0.005 / math.sqrt(2), 0.007 / math.sqrt(2)]
            drawn[which] *= common * (1 + np.dot(own, random.standard_normal(4)))
        made = [
            Result(
                mounting_height_mm=400.0,
                efficacy_umol_j=value,
                efficacies=(value,),
                sizes=_SIZES[which],
                reinstallation=0.010,
                reinstallation_source="by hand",
            )
            for which, value in enumerate(drawn)
        ]
        more += judge("A", made[0], "B", made[1]).words == MORE
    return more, draws


def test_equal_devices_are_called_different_no_more_often_than_stated():
    more, draws = _rate(0.0, 3000, seed=41)
    bound = binomtest(more, draws).proportion_ci(0.95, method="exact")
    assert bound.high <= 0.065
    assert bound.low > 0.02  # a verdict that never says "more" would pass the line above


def test_a_difference_that_would_have_been_seen_is_seen_nineteen_times_in_twenty():
    more, draws = _rate(3.604818 * U, 2000, seed=43)
    bound = binomtest(more, draws).proportion_ci(0.95, method="exact")
    assert bound.low >= 0.92
    assert bound.high < 0.98


def test_terms_of_one_result_against_itself_leave_out_only_what_is_shared():
    one = Result(
        mounting_height_mm=400.0,
        efficacy_umol_j=1.2,
        efficacies=(1.2,),
        sizes=_SIZES[0],
        reinstallation=0.010,
        reinstallation_source="by hand",
    )
    left = {term.name: term.in_ratio for term in ratio_terms(one, one) if term.in_ratio}
    assert left == pytest.approx(
        {
            "re-installation of the first device": 0.010,
            "re-installation of the second device": 0.010,
        }
    )
