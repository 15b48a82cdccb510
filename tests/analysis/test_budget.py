"""Terms of a ratio: shared causes cancel, others count from both sides."""

from __future__ import annotations

import math

import pytest

from analysis.budget import Combined, Term, combine


def _term(in_a, in_b, shared=False, freedom=math.inf):
    return Term(
        name="cause",
        in_a=in_a,
        in_b=in_b,
        is_shared=shared,
        source="by hand",
        degrees_of_freedom=freedom,
    )


def test_a_shared_cause_leaves_the_difference_of_its_effects():
    assert _term(0.05, 0.05, shared=True).in_ratio == 0
    assert _term(0.05, 0.02, shared=True).in_ratio == pytest.approx(0.03)


def test_a_cause_of_its_own_counts_from_both_sides():
    assert _term(0.03, 0.04).in_ratio == pytest.approx(0.05)


def test_terms_add_by_their_squares():
    assert combine([_term(0.03, 0.0), _term(0.0, 0.04)]).standard == pytest.approx(0.05)


def test_a_budget_of_nothing_is_refused():
    with pytest.raises(ValueError, match="no term"):
        combine([_term(0.05, 0.05, shared=True)])


def test_declared_terms_are_covered_by_the_normal_value():
    # 1.959964: any normal table.
    assert combine([_term(0.01, 0.0)]).coverage() == pytest.approx(1.959964, abs=1e-6)


@pytest.mark.parametrize(
    ("freedom", "t"), [(1, 12.7062), (2, 4.30265), (5, 2.57058), (10, 2.22814), (50, 2.00856)]
)
def test_measured_terms_are_covered_by_student_t(freedom, t):
    # Any t table, 95 % two-sided; computed with scipy.stats for the project's check values.
    assert combine([_term(0.01, 0.0, freedom=freedom)]).coverage() == pytest.approx(t, abs=1e-4)


def test_p_value_is_five_per_cent_where_the_interval_ends():
    for freedom in (math.inf, 7.0):
        whole = Combined(standard=0.01, degrees_of_freedom=freedom)
        assert whole.p_value(whole.coverage() * 0.01) == pytest.approx(0.05)
        assert whole.p_value(0.0) == pytest.approx(1.0)
