"""Several devices in one table."""

from __future__ import annotations

import re

import numpy as np
import pytest
from attrs import evolve
from scipy.stats import binomtest

from analysis.likeness import NotAFactError
from analysis.ranking import _holm, _letters, rank
from tests.analysis.comparable import map_with, run, with_budgets


def _three(a=1.20, b=1.35, c=1.21, **options):
    runs = [run("Reflector A", {400.0: a}), run("Reflector B", {400.0: b})]
    return rank([*runs, run("Reflector C", {400.0: c})], **options)


def test_the_table_is_in_order_of_plane_efficacy_with_ratios_to_the_baseline():
    found = _three()
    assert [row.name for row in found.rows] == ["Reflector B", "Reflector C", "Reflector A"]
    assert [row.to_baseline for row in found.rows] == pytest.approx([1.125, 1.21 / 1.2, 1.0])
    assert [row.words for row in found.rows] == ["more", "no measurable difference", ""]
    # By hand in test_comparison: 3.2561 % of the ratio.
    assert found.rows[0].half_width == pytest.approx(1.125 * 0.032561, rel=1e-4)
    assert found.rows[2].half_width == 0


def test_a_device_below_the_baseline_has_its_interval_on_the_same_scale():
    row = _three(b=1.08).rows[-1]
    assert row.name == "Reflector B"
    assert row.to_baseline == pytest.approx(0.9)
    assert row.half_width == pytest.approx(0.9 * 0.032561, rel=1e-4)
    assert row.sentence.startswith("As installed, Reflector A delivers 11.1")


def test_devices_that_cannot_be_told_apart_share_a_letter():
    assert [row.group for row in _three().rows] == ["a", "b", "b"]


def test_a_device_between_two_that_differ_carries_both_letters():
    # Neighbours 3 % apart are not parted, the ends 6 % apart are.
    found = _three(a=1.200, b=1.236, c=1.275)
    assert [row.group for row in found.rows] == ["a", "ab", "b"]


def test_holm_takes_five_per_cent_over_the_pairs_still_open():
    # 0.01 < 0.05 / 3; 0.02 < 0.05 / 2; 0.06 >= 0.05 / 1.
    assert _holm({(0, 1): 0.02, (0, 2): 0.01, (1, 2): 0.06}) == {(0, 2), (0, 1)}
    # 0.02 >= 0.05 / 3: nothing is parted, though each would be alone.
    assert _holm({(0, 1): 0.02, (0, 2): 0.03, (1, 2): 0.04}) == set()


def test_a_difference_of_one_pair_can_be_lost_among_many():
    # 3.8 % alone is "more" (1 - 1 / 1.038 = 3.66 %, 2.20 u, p = 0.028); among 3 pairs it is not.
    assert (
        rank([run("Reflector A", {400.0: 1.2}), run("Reflector B", {400.0: 1.2456})]).rows[0].words
        == "more"
    )
    assert _three(b=1.2456, c=1.22).rows[0].words == "no measurable difference"


def test_what_would_have_been_seen_is_larger_among_many_pairs():
    # Alone 1.959964 + 1.644854 standard uncertainties; among three pairs the first step of Holm's
    # rule is at 5 % / 3, two-sided: 2.393980 (normal table) + 1.644854.
    two = rank([run("Reflector A"), run("Reflector C", {400.0: 1.21})])
    told = []
    for found in (two, _three()):
        (said,) = [row.sentence for row in found.rows if row.name == "Reflector C"]
        told.append(re.search(r"\(([\d.]+).% would have been seen", said)[1])
    assert told == ["6.0", "6.7"]  # 3.604818 and 4.038834 times 1.6613 %


def test_letters_cover_every_pair_that_is_not_parted_and_no_other():
    order = [3, 1, 0, 2, 4]
    parted = {(3, 0), (3, 2), (3, 4), (1, 4)}
    letters = _letters(order, parted)
    for i in order:
        for j in order:
            if i < j:
                apart = (i, j) in parted or (j, i) in parted
                assert set(letters[i]).isdisjoint(letters[j]) is apart


def test_each_device_stands_at_its_best_height_or_at_the_one_asked_for():
    runs = [
        run("Reflector A", {400.0: 1.20, 500.0: 1.25}),
        run("Reflector B", {400.0: 1.30, 500.0: 1.10}),
    ]
    assert [row.mounting_height_mm for row in rank(runs).rows] == [400.0, 500.0]
    at_500 = rank(runs, mounting_height_mm=500.0)
    assert [row.name for row in at_500.rows] == ["Reflector A", "Reflector B"]
    assert {row.mounting_height_mm for row in at_500.rows} == {500.0}


def test_a_device_without_a_usable_map_is_named_beside_the_table():
    broken = evolve(run("Reflector C"), maps=(map_with(400.0, None),))
    found = rank([run("Reflector A"), run("Reflector B"), broken])
    assert [row.name for row in found.rows] == ["Reflector A", "Reflector B"]
    assert "Reflector C is not in the table: it has no usable map." in found.remarks


def test_without_a_usable_baseline_there_is_no_table():
    broken = evolve(run("Reflector A"), maps=())
    found = rank([broken, run("Reflector B")])
    assert found.rows == ()
    assert any("Reflector A is not in the table" in one for one in found.remarks)


def test_a_pair_that_is_not_alike_is_refused_until_accepted():
    runs = [run("Reflector A"), run("Reflector B"), run("Reflector C", area={"floor": "soil"})]
    found = rank(runs)
    assert found.rows == ()
    assert [(pair, one.name) for pair, one in found.refused] == [
        ("Reflector A and Reflector C", "floor"),
        ("Reflector B and Reflector C", "floor"),
    ]
    assert len(rank(runs, accept=["floor"]).rows) == 3
    with pytest.raises(NotAFactError):
        rank(runs, accept=["carpet"])


def test_one_run_is_no_ranking():
    with pytest.raises(ValueError, match="at least two"):
        rank([run()])


def test_among_five_equal_devices_a_difference_is_rarely_found_in_any_pair():
    random = np.random.default_rng(47)
    own = [0.001, 0.010, 0.005 / 2**0.5, 0.007 / 2**0.5]
    base = [run(f"Reflector {name}") for name in "ABCDE"]
    draws, parted = 400, 0
    for _ in range(draws):
        runs = [
            with_budgets(one, maps=(map_with(400.0, 1.2 * (1 + random.standard_normal(4) @ own)),))
            for one in base
        ]
        parted += len({row.group for row in rank(runs).rows}) > 1
    # Nominal 5 % for ten pairs together; ten pairs at 5 % each would come to some 29 %.
    assert binomtest(parted, draws).proportion_ci(0.95, method="exact").high <= 0.08
