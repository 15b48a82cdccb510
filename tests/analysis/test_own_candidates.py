"""The own height of a device is one at which the limits of its plan hold."""

from __future__ import annotations

from attrs import evolve

from analysis.comparison import compare
from analysis.own_candidates import candidates
from analysis.ranking import rank
from tests.analysis.comparable import run

AT_400_BEST = {400.0: 1.30, 500.0: 1.20}


PEAK_LIMIT = {"peak_ppfd_umol_m2_s": 1000.0}


def _peaks(run_, peaks_umol_m2_s):
    """The same run with other peaks, so that a limit parts its heights."""
    return evolve(
        run_,
        maps=tuple(
            evolve(one, uniformity=evolve(one.uniformity, maximum=peaks_umol_m2_s[at]))
            for at, one in enumerate(run_.maps)
        ),
    )


def _peaky(name):
    return _peaks(run(name, AT_400_BEST, limits=PEAK_LIMIT), (1001.0, 999.0))


def test_without_limits_every_usable_height_is_a_candidate():
    found = candidates(run("Reflector A", AT_400_BEST), "Reflector A")
    assert [maps[0].mounting_height_mm for maps in found.heights] == [400.0, 500.0]
    assert found.broken == {}
    assert found.left_out == ""


def test_a_height_at_which_a_limit_is_broken_is_not_chosen_although_its_efficacy_is_highest():
    limited = _peaky("Reflector A")
    rival = run("Reflector B", AT_400_BEST)
    of_two = compare(limited, rival)
    assert of_two.at_best.height_mm == (500.0, 400.0)
    remark = (
        "Not taken for an own height, because limits of the plan are broken there as read: "
        "Reflector A at 400 mm (peak PPFD)."
    )
    assert remark in of_two.remarks
    ranked = rank([limited, rival], mounting_height_mm=None)
    assert {row.name: row.mounting_height_mm for row in ranked.rows} == {
        "Reflector A": 500.0,
        "Reflector B": 400.0,
    }
    assert remark in ranked.remarks


def test_where_no_height_keeps_the_limits_all_of_them_stay_in():
    limited = run("Reflector A", AT_400_BEST, limits={"minimum_to_mean": 0.9999})
    found = candidates(limited, "Reflector A")
    assert [maps[0].mounting_height_mm for maps in found.heights] == [400.0, 500.0]
    assert found.broken == {400.0: ("min/mean",), 500.0: ("min/mean",)}
    assert found.left_out == ""


def test_one_height_left_by_the_limits_is_still_called_its_own():
    a, b = _peaky("Reflector A"), _peaky("Reflector B")
    assert "each at its own height (500 mm for both)" in compare(a, b).at_best.sentence
