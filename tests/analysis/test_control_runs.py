"""Only like-for-like results of the control share a chart, and what they say is put in words.

Each run is flat light of 500 µmol/m²/s times a factor on 1.44 m², from 600 W: 1.2 µmol/J times
that factor.
"""

import json
import re

import pytest

from analysis import run_folder
from analysis.control_runs import control_history
from analysis.control_words import began, bench_between, calibrated, silent, verdicts
from analysis.lab_runs import lab_runs
from analysis.run_folder import load
from analysis.summary import summarise
from tests.analysis.control_lab import add_run, new_lab


@pytest.fixture(scope="module")
def patch():
    with pytest.MonkeyPatch.context() as context:
        yield context


@pytest.fixture(scope="module")
def fading(tmp_path_factory, patch):
    """Nine nights, 30 days apart, each 1 % of the first darker; and a device between them."""
    lab = new_lab(tmp_path_factory.mktemp("lab") / "fading")
    for month in range(9):
        # A little up and down in turn, lest the line be perfect.
        add_run(lab, 30.0 * month, 1 - 0.01 * month + (-1) ** month * 1e-4, patch)
    for day in (1.0, 31.0):
        add_run(lab, day, 1.1, patch, device={"name": f"B{day:.0f}", "is_control": False})
    return lab


def test_the_runs_of_a_lab_come_in_the_order_of_time(fading):
    runs, problems = lab_runs(fading)
    assert problems == ()
    assert [run.said("device", "name") for run in runs[:4]] == [
        "Yardstick",
        "B1",
        "Yardstick",
        "B31",
    ]


def test_only_runs_of_the_control_are_on_its_chart(fading):
    (epoch,) = control_history(fading).epochs
    (chart,) = epoch.charts
    assert len(chart.results) == 9
    assert chart.control == "Yardstick (Y-1)"
    assert chart.mounting_height_mm == 400.0
    assert chart.efficacy.values[0] == pytest.approx(1.2, rel=1e-3)
    assert chart.mean.values[-1] == pytest.approx(460.0, rel=1e-3)


def test_fading_is_stated_per_month_with_its_interval_and_credited_to_nobody(fading):
    # 1 % of the first in 30 days; centre 0.96 of the first: 1 % · 30.44 / 30 / 0.96 = 1.06 %.
    (said,) = verdicts(control_history(fading).epochs[0])
    assert re.match("The bench has faded by 1.06\u202f% ± 0.0.\u202f% per month \\(control", said)
    assert "9 results from 2026-01-05 to 2026-09-02" in said
    assert "not credited to a device" in said


def test_a_comparison_is_told_what_the_bench_did_meanwhile(fading):
    # The two devices lie 30 days apart: 1 % of the first, 1 / 0.96 % of the centre.
    runs, _ = lab_runs(fading)
    compared = [summarise(load(run.folder)) for run in runs if not run.said("device", "is_control")]
    (said,) = bench_between(control_history(fading), compared)
    assert re.search(", by 1.04\u202f% ± 0.0.\u202f% over the 30 days of these runs", said)
    # Neither device was measured again, so nothing was taken off: the sentence must not say so.
    assert "it is still in the ratios of these runs" in said
    (seen,) = bench_between(control_history(fading), [*compared, compared[0]])
    assert seen.endswith("It is not credited to a device.")


def test_devices_on_another_bench_are_told_that_nothing_is_known(fading, tmp_path, patch):
    lab = new_lab(tmp_path / "other")
    folder = add_run(lab, 3.0, 1.0, patch, lamp={"sample": "L-99"}, device={"is_control": False})
    (said,) = bench_between(control_history(fading), [summarise(load(folder))])
    assert "is not known" in said


def test_a_lab_without_a_control_says_nothing(tmp_path, patch):
    lab = new_lab(tmp_path / "lab")
    folder = add_run(lab, 0.0, 1.0, patch, device={"is_control": False})
    history = control_history(lab)
    assert history.epochs == ()
    assert bench_between(history, [summarise(load(folder))]) == ()


def test_a_steady_bench_bounds_what_it_may_have_changed(tmp_path, patch):
    lab = new_lab(tmp_path / "lab")
    for at in range(8):
        last = add_run(lab, 10.0 * at, 1 + (-1) ** at * 0.002, patch)
    history = control_history(lab)
    (said,) = verdicts(history.epochs[0])
    assert said == (
        "The bench is steady (control reflector Yardstick (Y-1) at 400 mm, 8 results from "
        "2026-01-05 to 2026-03-16)."
    )
    (between,) = bench_between(history, [summarise(load(last))])
    assert between.startswith("The bench is steady over 8 results of the control reflector")
    assert "within the day it changed by no more than 0.0" in between


def test_few_results_decide_nothing(tmp_path, patch):
    lab = new_lab(tmp_path / "lab")
    add_run(lab, 0.0, 1.0, patch)
    (said,) = verdicts(control_history(lab).epochs[0])
    assert said == (
        "Not decided whether the bench is steady: control reflector Yardstick (Y-1) at 400 mm, 1 "
        "result of 2026-01-05; 8 are needed."
    )


def test_power_that_falls_with_the_light_points_at_mains_and_ballast(tmp_path, patch):
    lab = new_lab(tmp_path / "lab")
    for at in range(8):
        level = 1 - 0.01 * at + (-1) ** at * 1e-4
        add_run(lab, 30.0 * at, level, patch, power_w=600.0 * level)
    (said,) = verdicts(control_history(lab).epochs[0])
    assert "plane efficacy is steady" in said
    assert "look at mains and ballast" in said


@pytest.mark.parametrize(
    ("change", "fact"),
    [
        ({"area": {"walls_state_date": "2026-02-01"}}, "last cleaned or renewed differs"),
        ({"lamp": {"sample": "L-08"}}, "the lamp sample differs: L-01 for"),
    ],
)
def test_cleaned_walls_or_another_lamp_begin_a_new_chart_and_it_is_said(
    tmp_path, patch, change, fact
):
    lab = new_lab(tmp_path / "lab")
    add_run(lab, 0.0, 1.0, patch)
    add_run(lab, 9.0, 1.0, patch, lamp={"hours": 900.0})  # an older lamp is what is looked for
    add_run(lab, 18.0, 1.1, patch, **change)
    add_run(lab, 27.0, 1.0, patch)  # back again: it joins the first chart
    first, second = control_history(lab).epochs
    assert [len(epoch.charts[0].results) for epoch in (first, second)] == [3, 1]
    assert began(first) == ""
    assert began(second).startswith("A new chart begins")
    assert fact in began(second)


def test_each_mounting_height_has_its_own_chart(tmp_path, patch):
    lab = new_lab(tmp_path / "lab")
    add_run(lab, 0.0, 1.0, patch, heights={"mounting_height_mm": [500.0, 400.0]})
    (epoch,) = control_history(lab).epochs
    assert [chart.mounting_height_mm for chart in epoch.charts] == [400.0, 500.0]


def test_what_the_runs_do_not_state_is_named(tmp_path, patch):
    lab = new_lab(tmp_path / "lab")
    add_run(lab, 0.0, 1.0, patch, area={"walls_identity": ""})
    (epoch,) = control_history(lab).epochs
    assert "walls" in epoch.silent
    assert "walls" in silent(epoch)


def test_a_run_on_other_mains_is_left_off_by_name(tmp_path, patch):
    lab = new_lab(tmp_path / "lab")
    for at in range(3):
        add_run(lab, 9.0 * at, 1.0, patch)
    odd = add_run(lab, 40.0, 1.0, patch, line_voltage_v=218.5)
    (epoch,) = control_history(lab).epochs
    assert len(epoch.charts[0].results) == 3
    # 218.5 / 230 = 0.95.
    assert epoch.left_out == (
        f"{odd.name}: its mean line voltage was 218.5 V, 5.0\u202f% from the 230.0 V of most "
        "others.",
    )


def test_a_folder_that_cannot_be_read_is_named(tmp_path, patch):
    lab = new_lab(tmp_path / "lab")
    folder = add_run(lab, 0.0, 1.0, patch)
    descriptor = json.loads((folder / run_folder.DESCRIPTOR).read_text())
    del descriptor["created"]
    (folder / run_folder.DESCRIPTOR).write_text(json.dumps(descriptor))
    (lab / "runs" / "empty").mkdir()
    history = control_history(lab)
    assert history.epochs == ()
    assert [problem.split(" ")[0] for problem in history.problems] == [folder.name, "empty"]


def test_a_calibration_in_between_is_named_where_a_step_may_come_from(tmp_path, patch):
    lab = new_lab(tmp_path / "lab")
    for day, on in ((0.0, None), (9.0, "2025-03-01"), (18.0, "2025-03-01"), (27.0, "2026-01-30")):
        add_run(lab, day, 1.0, patch, calibrated_on=on)
    (epoch,) = control_history(lab).epochs
    told = calibrated(epoch)
    assert [sentence.split(" was")[0] for sentence in told] == [
        "The light sensor",
        "The power meter",
    ]
    assert "calibrated anew on 2026-01-30, between 2026-01-23T0900Z-yardstick and" in told[0]
