"""Is one device better than the other? Plane efficacy of two runs, like for like.

**Verdicts**, from the ratio of plane efficacies and its 95 % interval:

- ``more``: the interval leaves out 1;
- ``no measurable difference (x % would have been seen)``: it holds 1, and its half-width is at
  most the relevant difference (4 % unless told otherwise). x is the true difference that this
  comparison would have called ``more`` 19 times in 20;
- ``not decided``: it holds 1 and is wider than that.

One hanging of each device leaves a half-width of some 3.3 %, nearly all of it from terms that
are declared and not measured, which is why the relevant difference is not set below that.

**Budget.** Causes are shared or not (`analysis.map_budget`): what is one variable for both runs,
as the calibration of one light sensor and the gain of one power meter, cancels as far as it acts
on both alike. How a device hangs is declared for one or two installations, and the verdict then
says "as installed"; from three installations at one height on, their own spread is used. What the
bench did between the runs and what choosing the best height does are taken off as far as known,
and the rest is a term (`analysis.order`, `analysis.own_height`).

**Guard.** Runs that are not alike are refused, see `analysis.likeness`.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Final

from attrs import field, frozen

from analysis.budget import CONFIDENCE, Term, combine
from analysis.digits import percent
from analysis.effects import Effect, taken_off
from analysis.likeness import Mismatch, check_facts, mismatches, names_of
from analysis.own_candidates import candidates, remark_on
from analysis.own_height import own_heights
from analysis.plane_results import (
    ENOUGH_INSTALLATIONS,
    SAME_HEIGHT_MM,
    Result,
    best,
    ratio_terms,
    results,
)
from analysis.results import RunSummary
from analysis.series import remarks_on

MORE: Final = "more"
NO_DIFFERENCE: Final = "no measurable difference"
NOT_DECIDED: Final = "not decided"

RELEVANT: Final = 0.04
"""Half-width up to which an interval around 1 counts as no measurable difference. [fraction]"""
SEEN: Final = 0.95
"""Probability with which a difference of the stated size would have been called "more"."""


@frozen(kw_only=True)
class Verdict:
    """What can be said at one height, or with each device at its own.

    Attributes
    ----------
    words : str
        ``"more"``, ``"no measurable difference"`` or ``"not decided"``.
    sentence : str
        The verdict for people, on its own feet.
    greater, lesser : str
        Which device has the higher plane efficacy, decided or not.
    ratio : float
        Plane efficacy of `greater` over that of `lesser`, 1 or above.
    half_width : float
        Of the 95 % interval of `ratio`.
    would_have_been_seen : float
        Difference that would have been called "more" 19 times in 20. [fraction]
    height_mm : tuple of float
        Mounting height of a and of b. [mm]
    b_to_a : float
        Plane efficacy of the second run over that of the first.
    standard_uncertainty : float
        Relative, of the ratio. [fraction]
    p_value : float
        Of no difference; two-sided.
    terms : tuple of Term
        The budget.
    """

    words: str
    sentence: str
    greater: str
    lesser: str
    ratio: float
    half_width: float
    would_have_been_seen: float
    height_mm: tuple[float, float]
    b_to_a: float
    standard_uncertainty: float
    p_value: float
    terms: tuple[Term, ...]


@frozen(kw_only=True)
class Comparison:
    """Two runs side by side.

    Attributes
    ----------
    a, b : str
        Names of the runs.
    mismatches : tuple of Mismatch
        All facts in which they are not alike.
    refused : tuple of Mismatch
        Those of them that were not accepted; with any, there is no verdict.
    at_heights : tuple of Verdict
        One for each mounting height that both were measured at, lowest first.
    at_best : Verdict or None
        Each at the height where its own plane efficacy is highest, of those that keep the limits
        of its plan (`analysis.own_candidates`).
    remarks : tuple of str
        What was accepted, what is not compared and why, and how many specimens this is about.
    """

    a: str
    b: str
    mismatches: tuple[Mismatch, ...]
    refused: tuple[Mismatch, ...]
    at_heights: tuple[Verdict, ...] = ()
    at_best: Verdict | None = None
    remarks: tuple[str, ...] = field(default=())

    @property
    def is_refused(self) -> bool:
        """Whether a mismatch stands in the way."""
        return bool(self.refused)


def compare(
    a: RunSummary, b: RunSummary, *, accept: Collection[str] = (), relevant: float = RELEVANT
) -> Comparison:
    """Compare the plane efficacy of two runs at equal heights, and each at its best.

    Parameters
    ----------
    a, b : RunSummary
        The runs.
    accept : collection of str
        Names of mismatches (`analysis.likeness.FACTS`) that are put up with.
    relevant : float
        Half-width up to which an interval around 1 is called no measurable difference.
        [fraction]

    Returns
    -------
    Comparison
        Without verdicts if a mismatch is not accepted.

    Raises
    ------
    NotAFactError
        `accept` holds a name that is no fact.
    """
    check_facts(accept)
    name_a, name_b = names_of((a, b))
    found = mismatches(a, b, (name_a, name_b))
    refused = tuple(one for one in found if one.name not in accept)
    if refused:
        return Comparison(a=name_a, b=name_b, mismatches=found, refused=refused)
    results_a, left_out_a = results(a, name_a)
    results_b, left_out_b = results(b, name_b)
    remarks = [
        f"Accepted, and not in the ± figures: {one.sentence}."
        for one in found
        if one.name not in ("light sensor", "power meter")
    ]
    remarks += [*left_out_a, *left_out_b]
    at_heights = []
    for of_a in results_a:
        for of_b in results_b:
            if abs(of_a.mounting_height_mm - of_b.mounting_height_mm) <= SAME_HEIGHT_MM:
                at_heights.append(judge(name_a, of_a, name_b, of_b, relevant))
    at_best = None
    if results_a and results_b:
        own_a, own_b = candidates(a, name_a), candidates(b, name_b)
        best_a, best_b = best(own_a.of(results_a)), best(own_b.of(results_b))
        own = own_heights([(name_a, own_a.heights), (name_b, own_b.heights)])
        not_taken = remark_on([own_a.left_out, own_b.left_out])
        remarks += not_taken
        choice = own.effect(0, 1)
        effects = () if choice is None else (choice,)
        at_best = judge(
            name_a,
            best_a,
            name_b,
            best_b,
            relevant,
            effects=effects,
            at_own=own.is_choice or bool(not_taken),
        )
        remarks += [one.remark for one in effects if one.remark]
    if not at_heights:
        remarks.append(f"{name_a} and {name_b} have no usable map at a common mounting height.")
    remarks += remarks_on((a, b))
    remarks.append(_specimens(a, b, name_a, name_b))
    return Comparison(
        a=name_a,
        b=name_b,
        mismatches=found,
        refused=(),
        at_heights=tuple(at_heights),
        at_best=at_best,
        remarks=tuple(remarks),
    )


def judge(
    name_a: str,
    a: Result,
    name_b: str,
    b: Result,
    relevant: float = RELEVANT,
    *,
    decided: bool | None = None,
    effects: Sequence[Effect] = (),
    at_own: bool = False,
    pairs: int = 1,
) -> Verdict:
    """Give the verdict on two results.

    Parameters
    ----------
    name_a, name_b : str
        What the devices are called in the sentence.
    a, b : Result
        Their plane efficacies.
    relevant : float
        See `compare`. [fraction]
    decided : bool or None
        Whether they differ, where many pairs are judged together; None judges by the interval.
    effects : sequence of Effect
        What stands between the two beside their devices: its known part is taken off the ratio,
        the rest is a term of it.
    at_own : bool
        Whether each stands at the best of its own heights; said even where that is one height.
    pairs : int
        How many pairs are judged together: what would have been seen is larger among many.
    """
    terms = (*ratio_terms(a, b), *(one.term for one in effects))
    whole = combine(terms)
    b_to_a = taken_off(b.efficacy_umol_j / a.efficacy_umol_j, effects)
    greater, lesser = (name_b, name_a) if b_to_a >= 1 else (name_a, name_b)
    ratio = max(b_to_a, 1 / b_to_a)
    reach = whole.coverage() * whole.standard
    half_width = ratio * reach
    # The first step of Holm's rule, which every pair passes that is told apart at all.
    told_from = whole.quantile(1 - (1 - CONFIDENCE) / 2 / pairs)
    seen = (told_from + whole.quantile(SEEN)) * whole.standard
    if decided or (decided is None and ratio - 1 > half_width):
        words, tail = MORE, ""
        said = (
            f"{greater} delivers {percent(ratio - 1)} ± {percent(half_width)} more per joule "
            f"than {lesser}"
        )
    elif half_width <= relevant:
        words, tail = NO_DIFFERENCE, f" ({percent(seen)} would have been seen)"
        said = f"there is no measurable difference per joule between {name_a} and {name_b}"
    else:
        words, tail = NOT_DECIDED, f" ({percent(seen)} would have been seen)"
        said = (
            f"it is not decided whether {name_a} or {name_b} delivers more per joule; the "
            f"difference is {percent(ratio - 1)} ± {percent(half_width)}"
        )
    return Verdict(
        words=words,
        sentence=f"{_as_installed(a, b)}, {said}{_place(name_a, a, name_b, b, at_own)}{tail}.",
        greater=greater,
        lesser=lesser,
        ratio=ratio,
        half_width=half_width,
        would_have_been_seen=seen,
        height_mm=(a.mounting_height_mm, b.mounting_height_mm),
        b_to_a=b_to_a,
        standard_uncertainty=whole.standard,
        p_value=whole.p_value(1 - 1 / ratio),
        terms=terms,
    )


def _place(name_a: str, a: Result, name_b: str, b: Result, at_own: bool) -> str:
    if abs(a.mounting_height_mm - b.mounting_height_mm) <= SAME_HEIGHT_MM:
        at = f"{a.mounting_height_mm:g} mm"
        return f", each at its own height ({at} for both)" if at_own else f" at {at}"
    return (
        f", each at its own height ({name_a} at {a.mounting_height_mm:g} mm, "
        f"{name_b} at {b.mounting_height_mm:g} mm)"
    )


def _as_installed(a: Result, b: Result) -> str:
    count = min(len(a.efficacies), len(b.efficacies))
    if count < ENOUGH_INSTALLATIONS:
        return "As installed"
    return f"Over {count} installations each"


def _specimens(a: RunSummary, b: RunSummary, name_a: str, name_b: str) -> str:
    if a.specimen and b.specimen:
        return (
            f"This is about one specimen of each: {a.specimen} for {name_a}, {b.specimen} for "
            f"{name_b}. Others of the same make can differ."
        )
    return "This is about one specimen of each; others of the same make can differ."
