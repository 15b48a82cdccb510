"""Runs at several heights: what is used, what is left out, and what is said."""

import math
import re

import numpy as np
import pytest
from attrs import evolve

from analysis import run_folder
from analysis.figures.height_curves import height_trade_off
from analysis.figures.style import to_png
from analysis.height_curves import Plane, height_curves
from analysis.height_limits import CLEARANCE, HOT_SPOTS, PEAK, ceiling, decide
from analysis.heights import Heights, NoHeights, heights
from analysis.report import height_words
from analysis.results import Condition
from analysis.summary import summarise
from tests import synthetic_run
from tests.analysis.test_height_curves import cells

LIMITS = {"peak_ppfd_umol_m2_s": 1500.0, "mean_ppfd_umol_m2_s": 380.0}
DRAWS = 1000
#: Right below a Lambertian point source of 1000 µmol/s: 1000 / (π h²) = 1500.
TRUE_MM = 1000 * math.sqrt(1000 / (1500 * math.pi))


def run_of(folder, heights_mm, *, limits=None, field=synthetic_run.lambertian, **given):
    sections = given.pop("sections", {})
    plan = synthetic_run.plan(
        heights={"mounting_height_mm": heights_mm},
        limits=LIMITS if limits is None else limits,
        **sections,
    )
    path = synthetic_run.write_run(folder / "run", plan=plan, field=field, noise=0.002, **given)
    return summarise(run_folder.load(path))


def found_in(*arguments, **given) -> Heights:
    found = heights(run_of(*arguments, **given), draws=DRAWS)
    assert isinstance(found, Heights)
    return found


@pytest.fixture(scope="module")
def three(tmp_path_factory):
    return run_of(tmp_path_factory.mktemp("three"), [400.0, 500.0, 600.0])


def test_the_range_not_decided_brackets_the_true_height_of_a_run_with_known_light(three):
    found = heights(three, draws=DRAWS)
    low, high = found.answer.undecided_mm
    assert pytest.approx(460.66, abs=0.01) == TRUE_MM
    assert low < TRUE_MM < high
    assert found.answer.binding.key == PEAK
    assert high == found.answer.lowest_mm
    # The default budget of a bench of good class: calibration and more, some 3.2 % standard, so
    # by hand 460.66 × (1 + 1.645 × 0.032 / 2) = 472.8.
    assert found.answer.lowest_mm == pytest.approx(472.8, abs=5.0)


def test_the_same_run_gives_the_same_answer_digit_by_digit(three):
    first, second = (heights(three, draws=DRAWS) for _ in range(2))
    assert first.answer == second.answer


def test_the_verdict_says_how_low_and_why(three):
    said = height_words.verdict(heights(three, draws=DRAWS))
    assert said.startswith("Hang Reflector S between 47")
    assert ": below that the peak PPFD may pass 1500 µmol m⁻² s⁻¹; above it the mean" in said
    assert said.endswith("the mean PPFD may fall short of 380 µmol m⁻² s⁻¹.")


def test_the_table_holds_the_planes_and_the_answer(three):
    rows = height_words.rows(heights(three, draws=DRAWS))
    assert [row.label for row in rows] == ["measured", "lowest", "measured", "measured"]
    # Right below at 600 mm: 884.194 (check-values section 6); the default budget gives ± 6 to 7 %.
    value, half = (float(part) for part in rows[-1].cells[3].split(" ± "))
    assert value == pytest.approx(884.194, rel=0.02)
    assert 0.05 < half / value < 0.075


def test_at_the_planes_the_bands_are_those_of_the_maps_own_budgets(three):
    curves = heights(three, draws=4000).curves
    for map_ in three.maps:
        at = int(np.flatnonzero(curves.heights_mm == map_.mounting_height_mm)[0])
        for curve, stated in (
            (curves.flux, map_.uncertainty.delivered_flux_umol_s),
            (curves.mean, map_.uncertainty.mean_ppfd_umol_m2_s),
            (curves.efficacy, map_.uncertainty.plane_efficacy_umol_j),
            (curves.min_to_mean, map_.uncertainty.min_to_mean),
        ):
            half = (stated.high - stated.low) / 2
            # 4000 draws put the end of a 95 % interval within some 3 % of the half-width.
            assert curve.value[at] == pytest.approx(stated.value, abs=0.1 * half)
            low, high = curve.quantile(0.025)[at], curve.quantile(0.975)[at]
            assert (low, high) == pytest.approx((stated.low, stated.high), abs=0.12 * half)


def test_an_efficacy_that_one_height_lacks_is_stated_for_none(three):
    dark = evolve(
        three.maps[0],
        plane_efficacy_umol_j=None,
        plane_efficacy_from_means=None,
        budget=evolve(three.maps[0].budget, plane_efficacy_umol_j=None),
    )
    found = heights(evolve(three, maps=(dark, *three.maps[1:])), draws=DRAWS)
    assert found.curves.efficacy is None
    assert found.answer.lowest_mm == pytest.approx(472.8, abs=5.0)
    said = height_words.sentences(found)
    assert "Plane efficacy is not stated: not every height used has a wall power." in said
    assert {row.cells[0] for row in height_words.rows(found)} == {"–"}


def test_what_height_costs_is_known_better_than_the_flux_itself(three):
    (said,) = (one for one in height_words.sentences(heights(three, draws=DRAWS)) if "falls" in one)
    found = re.match(
        r"From 400 to 600 mm the delivered flux falls by ([\d.]+).% ± ([\d.]+).%", said
    )
    change, half = (float(part) for part in found.groups())
    # Closed form of check-values section 6, F = 4 F(0.6, 0.6, h), worked by hand for h = 0.4:
    # A = 1.5, F = 2 · 1.5/√3.25 · atan(1.5/√3.25) · 4/(2π) = 0.7352; for 0.6 it is 0.554126.
    assert change == pytest.approx(100 * (1 - 0.554126 / 0.7352), abs=0.6)
    assert 0.1 < half < 3.0  # the flux of one height alone has ± 6 %


def test_radiant_heat_is_not_measured_unless_a_temperature_at_the_plane_was_logged(three):
    said = height_words.sentences(heights(three, draws=DRAWS))
    assert "Radiant heat not measured." in said
    logged = evolve(
        three,
        conditions={"temperature_c": Condition(mean=27.0, minimum=26.0, maximum=28.5)},
        instruments=({"name": "thermometer", "place": "plane, middle"},),
    )
    said = height_words.sentences(heights(logged, draws=DRAWS))
    assert any("logged at the plane: mean 27.0 °C, highest 28.5 °C" in one for one in said)
    elsewhere = evolve(logged, instruments=({"name": "thermometer", "place": "reflector"},))
    assert "Radiant heat not measured." in height_words.sentences(heights(elsewhere, draws=DRAWS))


def test_a_plane_with_missing_points_is_left_out_and_named(tmp_path):
    run = run_of(tmp_path, [400.0, 500.0], skip={(2, 3)})
    found = heights(run, draws=DRAWS)
    assert isinstance(found, NoHeights)
    said = height_words.sentences(found)
    assert len(said) == 2
    assert said[0].startswith("Installation 1, mounting height 400 mm: not used, it has 80 of 81")
    assert "is not known: no map of this run can be used" in height_words.verdict(found)
    # With the other plane whole, that one alone is judged.
    whole = run_of(tmp_path / "whole", [500.0])
    mixed = evolve(whole, maps=(run.maps[0], *whole.maps))
    found = heights(mixed, draws=DRAWS)
    assert found.range_mm == (500.0, 500.0)
    assert len(found.left_out) == 1


def test_a_map_that_drifted_beyond_its_limit_is_left_out_and_named(three):
    first = three.maps[0]
    drifted = evolve(first, drift=evolve(first.drift, accepted=False, span=0.05))
    found = heights(evolve(three, maps=(drifted, *three.maps[1:])), draws=DRAWS)
    assert found.range_mm == (500.0, 600.0)
    assert found.left_out == (
        "Installation 1, mounting height 400 mm: not used, the light drifted by 5.0\u202f%, more "
        "than its limit.",
    )
    assert found.answer.goes_beyond_below
    assert "at or beyond the range measured" in height_words.verdict(found)


def test_one_height_is_judged_there_and_nowhere_else(tmp_path):
    found = found_in(tmp_path, [500.0])
    assert found.range_mm == (500.0, 500.0)
    said = height_words.verdict(found)
    assert said.startswith("Reflector S holds every limit at 500 mm, the only height measured")
    assert (found.next_height.mounting_height_mm, found.next_height.where) == (400.0, "below")


def test_several_installations_at_a_height_are_one_plane(three):
    again = [evolve(map_, installation=2) for map_ in three.maps]
    found = heights(evolve(three, maps=(*three.maps, *again)), draws=DRAWS)
    assert found.installations == (2, 2, 2)
    assert found.curves.planes_mm.tolist() == [400.0, 500.0, 600.0]
    said = height_words.sentences(found)
    assert any(one.startswith("Mean of several installations: 400 mm of 2") for one in said)


def test_without_a_limit_in_the_plan_no_height_is_named(tmp_path):
    found = found_in(tmp_path, [400.0, 500.0], limits={})
    said = height_words.verdict(found)
    assert "is not decided: the plan states no limit for the light" in said
    assert found.next_height is None


def test_the_clearance_of_the_device_is_kept(tmp_path):
    found = found_in(
        tmp_path,
        [450.0, 600.0],
        sections={"device": {"name": "Reflector S", "clearance_mm": 520.0}},
    )
    assert found.answer.lowest_mm == 520.0
    assert found.answer.binding.key == CLEARANCE
    said = height_words.verdict(found)
    assert said.startswith("Hang Reflector S between 520 and ")
    assert ": that is its clearance, and every limit of the light holds there; above it" in said


def test_a_clearance_without_any_limit_for_the_light_is_all_that_is_said(tmp_path):
    found = found_in(
        tmp_path,
        [450.0, 600.0],
        limits={},
        sections={"device": {"name": "Reflector S", "clearance_mm": 520.0}},
    )
    assert height_words.verdict(found) == (
        "Hang Reflector S at 520 mm or higher (measured up to 600 mm): that is its clearance, the "
        "plan states no limit for the light."
    )


def test_limits_that_hold_nowhere_are_named_one_by_one(tmp_path):
    found = found_in(
        tmp_path, [300.0, 350.0], limits={"peak_ppfd_umol_m2_s": 1500.0, "minimum_to_mean": 0.5}
    )
    # By hand right below at 350 mm: 1000 / (π 0.35²) = 2598, so both pass for sure.
    assert height_words.verdict(found) == (
        "No height from 300 to 350 mm holds every limit for Reflector S: the peak PPFD passes 1500 "
        "µmol m⁻² s⁻¹ and min/mean falls short of 0.5 at each of them."
    )


def test_limits_that_exclude_each_other_are_set_side_by_side(tmp_path):
    found = found_in(
        tmp_path,
        [400.0, 600.0],
        limits={"peak_ppfd_umol_m2_s": 1000.0, "mean_ppfd_umol_m2_s": 470.0},
    )
    said = height_words.verdict(found)
    assert said.startswith("No height from 400 to 600 mm holds every limit for Reflector S at once")
    assert "peak PPFD at most 1000 µmol m⁻² s⁻¹ is sure from 5" in said
    assert "and mean PPFD at least 470 µmol m⁻² s⁻¹ is sure from 400 to 4" in said


def spotted_below(height_with_spot_mm):
    """A smooth field with one facet of two cells, 20 % up, at low heights only."""

    def field(x_mm, y_mm, height_mm):
        smooth = synthetic_run.lambertian(x_mm, y_mm, 700.0) * (700.0 / height_mm) ** 2
        near = (np.abs(x_mm - 866.7) < 70) & (np.abs(y_mm - 800.0) < 70)
        return smooth * np.where(near & (height_mm < height_with_spot_mm), 1.2, 1.0)

    return field


def test_a_hot_spot_at_the_lower_plane_binds_between_the_planes(tmp_path):
    found = found_in(
        tmp_path, [500.0, 600.0], limits={"peak_ppfd_umol_m2_s": 5000.0}, field=spotted_below(550)
    )
    assert found.answer.binding.key == HOT_SPOTS
    assert 500.0 < found.answer.lowest_mm <= 600.0
    assert "below that there are hot spots" in height_words.verdict(found)
    assert found.next_height.where == "between"


def test_hot_spots_at_every_height_are_named_and_left_aside(tmp_path):
    found = found_in(
        tmp_path, [500.0, 600.0], limits={"peak_ppfd_umol_m2_s": 1150.0}, field=spotted_below(999)
    )
    assert found.leaves_spots_aside
    assert found.answer.binding.key == PEAK
    assert height_words.verdict(found).startswith(
        "Leaving aside the hot spots, which are seen at every height measured, hang Reflector S"
    )


def test_a_grid_too_coarse_for_hot_spots_is_said_to_be(tmp_path):
    found = found_in(tmp_path, [500.0, 600.0], sections={"grid": {"rows": 4, "columns": 4}})
    assert not found.spots_judged
    assert any("Hot spots are not judged" in one for one in height_words.sentences(found))


def test_the_figure_is_drawn_for_every_kind_of_answer(three, tmp_path):
    for found in (
        heights(three, draws=DRAWS),
        found_in(tmp_path / "none", [300.0, 350.0]),
        found_in(tmp_path / "free", [400.0, 500.0], limits={}),
    ):
        png = to_png(height_trade_off(found, title="Mounting height"), 50)
        assert png.startswith(b"\x89PNG")
        assert png == to_png(height_trade_off(found, title="Mounting height"), 50)


def test_a_height_called_sure_is_too_low_in_one_of_twenty_benches():
    # 300 benches of inverse-square light that crosses 1000 at 489.9 mm, each with an error of its
    # calibration (2.5 %), of each hanging (1 %) and of each cell (0.5 %) that nobody knows; the
    # draws hold the same standard uncertainties. False "sure" is due in 5 %: 15 of 300, and 4 to
    # 29 is the exact 99.9 % range of the binomial distribution.
    grid, rng = cells(3), np.random.default_rng(8)
    heights_mm, draws = [400.0, 450.0, 500.0, 600.0], 400
    too_low = 0
    for bench in range(300):

        def errors(count):
            calibration = 0.025 * rng.standard_normal((count, 1))
            return [
                calibration
                + 0.01 * rng.standard_normal((count, 1))
                + 0.005 * rng.standard_normal((count, len(grid)))
                for _ in heights_mm
            ]

        planes = []
        for height_mm, error, drawn in zip(heights_mm, errors(1), errors(draws), strict=True):
            read = 240e6 / height_mm**2 * (1 + error[0])
            planes.append(
                Plane(
                    mounting_height_mm=height_mm,
                    ppfd=read,
                    ppfd_draws=read * (1 + drawn),
                    flux_draws=(read * (1 + drawn)) @ grid.weights_m2,
                    plane_efficacy_umol_j=None,
                    efficacy_draws=None,
                )
            )
        curves = height_curves(grid, planes, seed=bench)
        answer = decide([ceiling(PEAK, curves, curves.peak, 1000.0)], (400.0, 600.0))
        too_low += answer.lowest_mm < math.sqrt(240e3)
    assert 4 <= too_low <= 29
