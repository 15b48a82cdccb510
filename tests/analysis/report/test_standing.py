"""What several runs say together, beside the verdicts themselves."""

from __future__ import annotations

from analysis.report.standing import standing
from tests.analysis.comparable import run

BEST_AT_400 = {400.0: 1.3, 500.0: 1.2}


def _broken(*runs):
    return [one for one in standing(runs).sentences if one.startswith("Limits of the plan")]


def test_a_verdict_at_a_height_that_the_plan_does_not_allow_says_so():
    limits = {"peak_ppfd_umol_m2_s": 1.0, "minimum_to_mean": 0.999, "mean_ppfd_umol_m2_s": 9e3}
    a = run("Reflector A", BEST_AT_400, limits=limits)
    b = run("Reflector B", BEST_AT_400, limits={"peak_ppfd_umol_m2_s": 9e3})
    assert _broken(a, b) == [
        "Limits of the plan are broken at the heights compared: by Reflector A at 400 mm "
        "(peak PPFD, mean PPFD and min/mean). To keep them, it has to hang at another height."
    ]


def test_nothing_is_said_of_limits_that_are_kept_or_not_stated():
    kept = {"peak_ppfd_umol_m2_s": 9e3, "minimum_to_mean": 0.001, "mean_ppfd_umol_m2_s": 1.0}
    assert _broken(run("Reflector A", BEST_AT_400, limits=kept), run("Reflector B")) == []
