"""The warm-up form, level · (1 − exp(−rate · time)), held to certified figures and to our records.

The fit that reads a time constant here is scipy's. Its own check is NIST's data set Misra1a, the
same form: 14 points, certified b1 = 2.3894212918E+02 and b2 = 5.5015643181E-04, standard deviations
2.7070075241E+00 and 7.2668688436E-06 (NIST Statistical Reference Datasets, nonlinear regression,
lower level of difficulty; certified figures read in a public copy, the data from memory and
confirmed by the fit that they lead to).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit

from analysis.run_folder import load
from analysis.stabilisation import rule_from_plan, time_to_stable
from analysis.summary import summarise
from tests import synthetic_run

DOSE = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1,
        760.0]  # fmt: skip
RISE = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47,
        81.78]  # fmt: skip


def warm_up(time, level, rate):
    return level * (1 - np.exp(-rate * time))


def test_the_fit_gives_the_certified_figures_of_misra1a():
    found, spread = curve_fit(warm_up, DOSE, RISE, p0=(250.0, 5e-4))
    assert found == pytest.approx([238.94212918, 5.5015643181e-4], rel=1e-6)
    assert np.sqrt(np.diag(spread)) == pytest.approx([2.7070075241, 7.2668688436e-6], rel=1e-4)


def test_the_warm_up_that_a_summary_shows_has_the_time_constant_of_its_lamp(tmp_path):
    run = summarise(load(synthetic_run.write_run(tmp_path / "run")))
    warm = run.warm_up
    seconds = warm.light[0] - warm.on_since_s
    # Each reading is of the second before it; 0.5 µmol/m²/s of it are there in the dark.
    (level, rate), _ = curve_fit(warm_up, seconds - 0.5, warm.light[1] - 0.5, p0=(400.0, 1 / 200))
    assert level == pytest.approx(500.0, rel=1e-6)
    assert 1 / rate == pytest.approx(synthetic_run.WARM_UP_TIME_CONSTANT_S, rel=1e-6)


def test_a_lamp_is_stable_when_its_closed_form_says(tmp_path):
    # y = 1 − exp(−t / 4 min) rises by less than 0.5 % of its end in 15 minutes from
    # 4 min · ln((1 − e^(−15/4)) / 0.005) = 21.098 min on (closed form, no published value). A
    # window of 15 blocks of a minute spans 14 minutes between the middles of its ends, with
    # block means that are higher by sinh(1/8) / (1/8): 0.26 %.
    rule = rule_from_plan(
        {
            "warm_up": {
                "block_s": 60.0,
                "window_s": 900.0,
                "limit_percent": 0.5,
                "minimum_on_s": 0.0,
            }
        }
    )
    seconds = np.arange(0.5, 3600.0, 1.0)
    light = 1 - np.exp(-seconds / 240.0)
    constant = np.full(len(seconds), 600.0)
    found = time_to_stable(rule, light=(seconds, light), power=(seconds, constant), on_since_s=0.0)
    span = 1 - np.exp(-14 / 4)
    blocks = np.sinh(1 / 8) * 8
    # The window begins half a minute before the middle of its first block, and ends 15 minutes
    # later; a rule that asks for the slope too can only say so later.
    by_span_min = 4 * np.log(span * blocks / 0.005) - 0.5 + 15.0
    assert found.light_s is not None
    assert found.light_s / 60 >= by_span_min - 1e-6
    assert found.light_s / 60 <= by_span_min + 3.0
