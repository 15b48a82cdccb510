"""Differences of two maps cell by cell, and their noise, by hand.

The budgets of `comparable` give each cell 0.5 % of its own from repeatability, 0.007 / sqrt(2) from
the angles of each device, and 1 % from each hanging; the calibration of the one sensor cancels.
Together, for b ÷ a: sqrt(2 · 0.005² + 0.007² + 2 · 0.01²) = 1.7292 %.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from attrs import evolve

from analysis.difference import DifferentGridsError, difference
from analysis.effects import Effect
from analysis.grid import grid_from_plan
from analysis.report.difference_part import difference_maps
from tests.analysis.comparable import INSTRUMENTS, map_with, run, with_budgets

NOISE = math.sqrt(2 * 0.005**2 + 0.007**2 + 2 * 0.01**2)


def lit(device, *levels, height_mm=400.0, **changes):
    """One run, a hanging for each level; `levels` are numbers or one for each of 25 cells."""
    one = run(device)
    maps = [
        map_with(height_mm, 1.2, installation=at, ppfd=np.broadcast_to(level, 25).astype(float))
        for at, level in enumerate(levels, 1)
    ]
    return with_budgets(one, maps=tuple(maps), **changes)


def maps_of(*levels, device="Reflector A", **changes):
    return lit(device, *levels, **changes).maps


def test_each_cell_is_the_second_over_the_first_less_one():
    first = np.full(25, 500.0)
    second = first.copy()
    second[[0, 7, 24]] = [550.0, 480.0, 500.0]
    found = difference(maps_of(first), maps_of(second, device="Reflector B"))
    assert found.relative[[0, 7, 24]] == pytest.approx([0.10, -0.04, 0.0])
    # Equal areas: (50 - 20) / (25 · 500).
    assert found.of_flux == pytest.approx(30 / 12500)


def test_noise_is_what_the_two_do_not_share():
    found = difference(maps_of(500.0), maps_of(550.0, device="Reflector B"))
    assert found.half_width == pytest.approx(1.1 * 1.959964 * NOISE)


def test_the_calibration_of_another_sensor_does_not_cancel():
    other = ({**INSTRUMENTS[0], "serial_number": "Q-2"}, INSTRUMENTS[1])
    found = difference(maps_of(500.0), maps_of(500.0, device="Reflector B", instruments=other))
    assert found.half_width == pytest.approx(1.959964 * math.hypot(NOISE, 0.05 * math.sqrt(2)))


@pytest.mark.parametrize(
    ("level", "is_noise"), [(1.0350, True), (1.0352, False), (0.9673, True), (0.9671, False)]
)
def test_a_cell_is_noise_as_long_as_its_interval_holds_zero(level, is_noise):
    # The interval is x ± 1.959964 · 1.7292 % · x = x ± 3.3892 % · x, so it ends at 1 for
    # x = 1 / (1 - 0.033892) = 1.03508 and for x = 1 / 1.033892 = 0.96722.
    found = difference(maps_of(500.0), maps_of(500.0 * level, device="Reflector B"))
    assert set(found.is_noise) == {is_noise}


def test_the_mean_of_two_hangings_halves_the_square_of_what_each_has_for_itself():
    found = difference(maps_of(490.0, 510.0), maps_of(500.0, 500.0, device="Reflector B"))
    assert found.relative == pytest.approx(0.0)
    # Angles belong to the device at its height, so they are the same in both hangings.
    square = (2 * 0.005**2 + 2 * 0.01**2) / 2 + 0.007**2
    assert found.half_width == pytest.approx(1.959964 * math.sqrt(square))


def test_three_hangings_put_their_own_scatter_in_place_of_the_declared_one():
    # 490, 500, 510: 2 % in every cell, over the root of 3, known to two degrees of freedom.
    found = difference(maps_of(490.0, 500.0, 510.0), maps_of(500.0, device="Reflector B"))
    hung = 0.02**2 / 3
    rest = 0.005**2 / 3 + 0.005**2 + 0.007**2 + 0.01**2
    freedom = (hung + rest) ** 2 / (hung**2 / 2)
    assert 11 < freedom < 13
    # Student's t, 97.5 %: 2.2010 for 11 and 2.1604 for 13 degrees of freedom (table).
    coverage = found.half_width[0] / math.sqrt(hung + rest)
    assert 2.1604 < coverage < 2.2010


def test_what_the_bench_did_between_the_runs_is_taken_off_every_cell():
    faded = Effect(name="x", change=math.log(0.96), standard=0.01, source="", remark="")
    found = difference(maps_of(500.0), maps_of(480.0, device="Reflector B"), [faded])
    assert found.relative == pytest.approx(0.0)
    assert found.of_flux == pytest.approx(0.0)
    assert found.half_width == pytest.approx(1.959964 * math.hypot(NOISE, 0.01))


def test_other_grids_are_refused():
    (one,) = maps_of(500.0)
    area = {"shape": "rectangle", "width_mm": 1200.0, "depth_mm": 1200.0}
    layout = {"layout": "cell-centres", "rows": 4, "columns": 4}
    grid = grid_from_plan({"area": area, "grid": layout})
    with pytest.raises(DifferentGridsError, match="5 × 5 points and 4 × 4 points have no cells"):
        difference([one], [evolve(one, grid=grid)])


def test_the_best_device_is_set_over_each_other_at_each_common_height():
    runs = [run("Reflector A", {400.0: 1.2, 500.0: 1.2}), run("Reflector B", {400.0: 1.3}),
            run("Reflector C", {400.0: 1.1, 500.0: 1.1, 600.0: 1.1})]  # fmt: skip
    maps, remarks = difference_maps(runs, ["Reflector A", "Reflector C", "Reflector B"])
    assert [(one.first, one.second, one.height_mm) for one in maps] == [
        ("Reflector A", "Reflector C", 400.0),
        ("Reflector A", "Reflector C", 500.0),
        ("Reflector A", "Reflector B", 400.0),
    ]
    assert remarks == []
    assert len({one.scale.top_percent for one in maps}) == 1
