"""Contrasts of a map: spots against the field around them, corners and edges against the mean."""

import math

import numpy as np
import pytest
from attrs import evolve

from analysis.causes import Budget, Cause, Influence
from analysis.contrasts import Contrasts
from analysis.hot_spots import Spot
from analysis.uncertainty import evaluate
from tests.analysis.comparable import map_with

NORMAL_REACH = 1.959964
CENTRE = Spot(row=2, column=2, x_mm=600.0, y_mm=600.0, ppfd=600.0, background=500.0, excess=0.2,
              threshold=0.05, kind="hot")  # fmt: skip


def the_map(**changes):
    """5 × 5 equal areas at 500, the one in the middle at 600."""
    ppfd = np.full(25, 500.0)
    ppfd[12] = 600.0
    return map_with(400.0, 1.2, ppfd=ppfd, **changes)


def budget(map_, light, *, is_per_cell=False):
    cause = Cause(key="one", name="one", kind="B", distribution="normal", source="by hand")
    return Budget(
        influences=(Influence(cause=cause, light=light, is_per_cell=is_per_cell),),
        ppfd=map_.ppfd,
        weights_m2=map_.grid.weights_m2,
        plane_efficacy_umol_j=1.2,
        continuous_variation=None,
        variation_left=0.0,
        reinstallation=0.01,
        reinstallation_source="by hand",
    )


def with_contrasts(map_, of):
    contrasts = Contrasts(map_, of)
    evaluate(of, see=contrasts.see)
    return contrasts.intervals()


def test_the_noise_of_a_spot_and_of_the_24_cells_around_it_is_in_its_excess():
    map_ = the_map(spots=(CENTRE,), corner_deficit=None, edge_deficit=None)
    (excess,) = with_contrasts(map_, budget(map_, np.full(25, 0.01), is_per_cell=True))["spots"]
    # 1 % of the spot, 1 % / √24 of the field around it, of a ratio of 1.2.
    standard = 1.2 * 0.01 * math.sqrt(1 + 1 / 24)
    assert excess.value == 0.2
    assert excess.standard == pytest.approx(standard, rel=0.04)
    assert excess.half_width == pytest.approx(NORMAL_REACH * standard, rel=0.06)


def test_what_acts_on_all_cells_alike_leaves_every_contrast_alone():
    map_ = the_map(spots=(CENTRE,), corner_deficit=0.1, edge_deficit=-0.02)
    found = with_contrasts(map_, budget(map_, np.full(25, 0.05)))
    for one in (*found["spots"], found["corner_deficit"], found["edge_deficit"]):
        assert one.half_width == pytest.approx(0.0, abs=1e-12)


def test_what_acts_on_the_corners_alone_moves_them_against_the_mean():
    map_ = the_map(spots=(), corner_deficit=0.1, edge_deficit=None)
    light = np.zeros(25)
    light[[0, 4, 20, 24]] = 0.02
    found = with_contrasts(map_, budget(map_, light))
    # Four of 25 cells at 500, of a mean of 504: 2 % of a corner moves the mean by 0.317 %.
    mean_moves = 0.02 * 4 * 500 / (25 * 504)
    standard = 0.9 * (0.02 - mean_moves)
    assert found["corner_deficit"].standard == pytest.approx(standard, rel=0.03)
    assert found["corner_deficit"].value == 0.1
    assert "edge_deficit" not in found


def test_other_spots_are_no_part_of_the_field_around_one():
    beside = evolve(CENTRE, column=3)
    map_ = the_map(spots=(CENTRE, beside), corner_deficit=None, edge_deficit=None)
    light = np.zeros(25)
    light[13] = 0.03
    first, second = with_contrasts(map_, budget(map_, light))["spots"]
    assert first.half_width == pytest.approx(0.0, abs=1e-12)
    assert second.standard == pytest.approx(1.2 * 0.03, rel=0.04)


def test_a_map_without_spots_and_deficits_has_nothing_to_contrast():
    map_ = the_map(spots=(), corner_deficit=None, edge_deficit=None)
    assert with_contrasts(map_, budget(map_, np.full(25, 0.01))) == {}
