"""Several runs of one device, and a bench that changed between runs; figures by hand.

One hanging each leaves a standard uncertainty of 1.6613 % in the ratio of two devices, as worked
by hand in `test_comparison`; what it leaves between two runs of one device is `again`.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import numpy as np
import pytest
from attrs import evolve

from analysis.comparison import MORE, compare
from analysis.devices import devices_of, moment_h
from analysis.order import change_of, order_effect
from analysis.ranking import rank
from analysis.report.standing import standing
from tests.analysis.comparable import run

U = math.sqrt(2.76e-4)
BEGAN = datetime.fromisoformat("2026-03-02T08:00:00+00:00")


def at(hours, device, efficacy, height_mm=400.0):
    """One run of a device so many hours after the first."""
    one = run(device, {height_mm: efficacy})
    begun = {**one.events[0], "utc": (BEGAN + timedelta(hours=hours)).isoformat()}
    return evolve(one, run_name=f"{device}-{hours}", events=(begun, *one.events[1:]))


def control(hours, efficacy):
    one = at(hours, "Reflector K", efficacy)
    return evolve(one, plan={**one.plan, "device": {**one.plan["device"], "is_control": True}})


def again(first, last):
    """Standard uncertainty of the ratio of two runs of one device."""
    return compare(first, last).at_heights[0].standard_uncertainty


def test_runs_of_one_device_and_specimen_are_one_device_in_the_order_of_time():
    a2, b, a1 = at(20, "Reflector A", 1.1), at(10, "Reflector B", 1.1), at(0, "Reflector A", 1.2)
    first, second = devices_of([a2, b, a1])
    assert (first.name, first.runs) == ("Reflector A", (a1, a2))
    assert (second.name, second.runs) == ("Reflector B", (b,))
    assert [one.installation for one in first.whole.maps] == [1, 2]


def test_runs_without_a_specimen_are_not_taken_for_one_device():
    runs = [evolve(at(hours, "Reflector A", 1.2), specimen="") for hours in (0, 10)]
    assert [one.name for one in devices_of(runs)] == [
        "Reflector A (Reflector A-0)",
        "Reflector A (Reflector A-10)",
    ]


def test_the_moment_of_a_run_is_the_middle_of_its_maps():
    one = at(0, "Reflector A", 1.2)
    (map_,) = one.maps
    middle = (map_.begun_s + map_.ended_s) / 2 / 3600
    assert moment_h(one) == pytest.approx(BEGAN.timestamp() / 3600 + middle)
    assert moment_h(evolve(one, events=())) is None


def test_in_a_b_a_half_of_what_the_bench_faded_is_taken_off():
    # The bench fades by 8 % in 20 h; both devices are the same. B, in the middle, reads 4 % low.
    a1, b, a2 = (
        at(0, "Reflector A", 1.200),
        at(10, "Reflector B", 1.152),
        at(20, "Reflector A", 1.104),
    )
    assert compare(a1, b).at_heights[0].words == MORE  # wrong: 4.2 % for the one who went first
    found = rank([a1, b, a2])
    row = next(one for one in found.rows if one.name == "Reflector B")
    assert row.to_baseline == pytest.approx(1.0)
    assert row.words != MORE
    (change,) = found.changes
    assert change.change == pytest.approx(math.log(1.104 / 1.2))
    assert change.standard == pytest.approx(again(a1, a2))
    assert change.is_beyond
    half_width = 100 * 1.959964 * again(a1, a2)
    assert change.sentence == (
        f"Reflector A was measured again: −8.0\u202f% ± {half_width:.1f}\u202f% from its first run "
        "to its last, 20 h later. That is the bench, and is not credited to a device."
    )


def test_a_true_difference_survives_a_fading_bench():
    # B is 12 % better and is measured when the bench is 2 % down.
    found = rank(
        [
            at(0, "Reflector A", 1.20),
            at(10, "Reflector B", 1.20 * 1.12 * 0.98),
            at(20, "Reflector A", 1.20 * 0.96),
        ]
    )
    assert found.rows[0].name == "Reflector B"
    assert found.rows[0].words == MORE
    assert found.rows[0].to_baseline == pytest.approx(1.12)


def test_off_the_middle_the_straight_line_is_read_at_the_moment_of_the_other():
    # Fading by 1 % an hour (in logarithm): A at 0 and 10 h, mean moment 5 h, B at 9 h.
    a = [at(hours, "Reflector A", 1.2 * math.exp(-0.01 * hours)) for hours in (0, 10)]
    b = at(9, "Reflector B", 1.2 * math.exp(-0.09))
    first, second = devices_of([a[0], b, a[1]])
    effect = order_effect(first, second, (400.0, 400.0), [change_of(first)])
    # Four tenths of the whole change of -0.10 lie between 5 h and 9 h; left are four tenths of
    # the change's own uncertainty, and a rectangle of half of it to both sides.
    assert effect.change == pytest.approx(-0.04)
    assert effect.standard == pytest.approx(math.hypot(0.4 * again(*a), 0.05 / math.sqrt(3)))
    assert rank([*a, b]).rows[0].to_baseline == pytest.approx(1.0, abs=0.002)


def test_a_control_that_changed_beyond_its_uncertainty_is_reported_and_taken_off():
    # The bench loses 6 % in 30 h; a third of it, in logarithm, between A at 10 and B at 20 h.
    runs = [
        control(0, 1.0),
        at(10, "Reflector A", 1.2 * 0.94 ** (1 / 3)),
        at(20, "Reflector B", 1.2 * 0.94 ** (2 / 3)),
        control(30, 0.94),
    ]
    found = rank(runs, baseline=1)
    assert {row.name for row in found.rows} == {"Reflector A", "Reflector B"}
    b = next(row for row in found.rows if row.name == "Reflector B")
    assert b.to_baseline == pytest.approx(1.0)
    whole = -math.log(0.94)
    left = math.hypot(again(runs[0], runs[3]) / 3, whole / 2 / math.sqrt(3))
    assert b.half_width == pytest.approx(1.959964 * math.hypot(U, left), rel=1e-3)
    assert found.changes[0].sentence.startswith(
        "The control reflector Reflector K was measured again: −6.0\u202f% ± "
    )
    together = standing(runs)
    assert any("not credited to a device" in one for one in together.sentences)
    assert any("takes off 2.0\u202f% of their ratio" in one for one in together.remarks)


def test_a_control_within_its_uncertainty_is_reported_and_takes_nothing_off():
    runs = [control(0, 1.0), at(10, "Reflector A", 1.2), at(20, "Reflector B", 1.2),
            control(30, 0.99)]  # fmt: skip
    found = rank(runs, baseline=1)
    assert found.rows[1].half_width == pytest.approx(1.959964 * U, rel=1e-4)
    assert found.changes[0].sentence.endswith("no more than its uncertainty.")


def test_a_control_that_was_not_there_at_the_time_only_widens():
    a, b = at(10, "Reflector A", 1.2), at(20, "Reflector B", 1.2)
    (kept,) = devices_of([control(0, 1.0), control(5, 0.94)])
    effect = order_effect(*devices_of([a, b]), (400.0, 400.0), [change_of(kept)])
    assert effect.change == 0
    assert effect.standard == pytest.approx(-math.log(0.94) / math.sqrt(3))
    assert "not both measured between" in effect.remark


def test_runs_of_unknown_time_have_no_order():
    a1, b, a2 = (
        evolve(one, events=())
        for one in (at(0, "Reflector A", 1.2), at(1, "Reflector B", 1.2), at(2, "Reflector A", 1.1))
    )
    found = rank([a1, b, a2])
    assert found.changes == ()
    assert "Each of the 2 runs of Reflector A counts as hung anew." in found.remarks
    assert any("whether the bench changed" in one.lower() for one in found.remarks)


def test_hangings_in_runs_of_their_own_put_their_spread_in_place_of_the_declared_term():
    values = (1.18, 1.20, 1.22)
    runs = [
        at(hour + shift, device, value)
        for shift, device in ((0, "Reflector A"), (1, "Reflector B"))
        for hour, value in zip((0, 4, 2), values, strict=True)
    ]
    (_, row) = rank(runs).rows
    assert row.sentence.startswith("Over 3 installations each, ")
    # Spread 0.02 of 1.2 over the root of 3 for each; see test_comparison. What the bench did is
    # a rectangle of half of ln(1.20 / 1.18), and a quarter of its own uncertainty.
    square = 2 * ((0.02 / 1.2) ** 2 / 3 + 0.001**2 / 3) + 0.005**2 + 0.007**2
    order = math.hypot(again(runs[0], runs[1]) / 4, math.log(1.20 / 1.18) / 2 / math.sqrt(3))
    assert row.half_width > 1.96 * math.hypot(math.sqrt(square), order)


def test_several_runs_of_one_device_alone_say_how_it_changed():
    together = standing([at(0, "Reflector A", 1.2), at(24, "Reflector A", 1.1)])
    assert together.headline.startswith("Reflector A was measured again: −8.3\u202f% ±")
    assert together.tables == ()


def test_a_fading_bench_leads_to_false_differences_no_more_often_than_stated():
    random = np.random.default_rng(53)
    own = [0.001, 0.010, 0.005 / 2**0.5, 0.007 / 2**0.5]
    runs = [at(0, "Reflector A", 1.2), at(10, "Reflector B", 1.2), at(20, "Reflector A", 1.2)]
    wrong, naive, draws = 0, 0, 200
    for _ in range(draws):
        fading = 0.002 * random.standard_normal() - 0.002
        # Cosine and quadrature belong to the device, hanging and readings to the run.
        device = {name: random.standard_normal(2) @ own[2:] for name in "AB"}
        made = []
        for hour, one in zip((0, 10, 20), runs, strict=True):
            value = 1.2 * math.exp(fading * hour) * (1 + random.standard_normal(2) @ own[:2])
            made.append(at(hour, one.device, value * (1 + device[one.device[-1]])))
        wrong += any(row.words == MORE for row in rank(made).rows)
        naive += compare(made[0], made[1]).at_heights[0].words == MORE
    assert wrong <= 0.05 * draws
    assert naive > 0.2 * draws
