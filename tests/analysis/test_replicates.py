"""Replicates against hand calculation: their mean, their spread, and what they never are."""

from __future__ import annotations

import math

import numpy as np
import pytest
from attrs import evolve

from analysis.comparison import compare
from analysis.own_height import own_heights
from analysis.plane_results import results, usable_maps
from analysis.replicates import hangings, mean_of, replicate_in, replicates_at, spread_of
from analysis.results import RunSummary
from analysis.run_budget import with_uncertainty
from analysis.tidy import maps_table
from analysis.uncertainty import efficacy_sizes
from tests.analysis.comparable import CALIBRATION, GAIN, map_with, run, with_budgets
from tests.analysis.one_map import budget, influences, measured

NOISE = 0.005 / math.sqrt(25)
"""0.5 % at each of 25 equal cells: of their sum, and of the plane efficacy."""


def repeated(*efficacies: float, device: str = "Reflector A", more: tuple = ()) -> RunSummary:
    """Return a run with one hanging at 400 mm, read once for each value, and what else it has."""
    maps = tuple(map_with(400.0, one, replicate=at) for at, one in enumerate(efficacies, 1))
    return with_budgets(run(device), maps=(*maps, *more))


def of_name(sizes, name):
    return math.hypot(*(size for cause, size in sizes.items() if cause.name == name))


def test_the_mean_has_less_noise_and_as_much_of_all_else():
    one, four = (results(repeated(*[1.2] * count), "A")[0][0].sizes for count in (1, 4))
    assert of_name(one, "repeatability") == pytest.approx(NOISE)
    assert of_name(four, "repeatability") == pytest.approx(NOISE / 2)
    assert of_name(four, "calibration") == pytest.approx(CALIBRATION)
    assert of_name(four, "gain of the wattmeter") == pytest.approx(GAIN)
    assert of_name(four, "cosine error") == pytest.approx(of_name(one, "cosine error"))


def test_in_a_real_budget_only_noise_and_drift_are_of_one_replicate():
    first, second = (evolve(measured(), replicate=number) for number in (1, 2))
    keys = [{one.cause.key: one.cause.name for one in budget(map_).influences} for map_ in
            (first, second)]  # fmt: skip
    own = {name for key, name in keys[0].items() if key not in keys[1]}
    assert own == {"repeatability of a reading", "drift of the lamp during the map"}
    # Where the sensor stands is the same place again, and not what it was in another hanging.
    hung_anew = evolve(measured(), replicate=1, installation=2)
    (place,), (again,), (anew,) = (
        influences(budget(map_), "where the sensor stands at each point")
        for map_ in (first, second, hung_anew)
    )
    assert place.cause.key == again.cause.key != anew.cause.key


def test_a_position_error_does_not_get_smaller_by_reading_again():
    maps = [evolve(measured(), replicate=number) for number in (1, 2, 3)]
    maps = [evolve(one, budget=budget(one)) for one in maps]
    name = "where the sensor stands at each point"
    alone = of_name(efficacy_sizes(maps[0].budget), name)
    assert alone > 0
    assert of_name(efficacy_sizes(mean_of(maps).budget), name) == pytest.approx(alone)


def test_replicates_are_averaged_before_installations_are():
    hung_again = map_with(400.0, 1.3, installation=2)
    (found,), _ = results(repeated(1.1, 1.2, 1.3, more=(hung_again,)), "A")
    assert found.efficacies == pytest.approx((1.2, 1.3))
    assert found.efficacy_umol_j == pytest.approx(1.25)


def test_three_replicates_are_one_installation_in_a_comparison():
    verdict = compare(repeated(1.2, 1.2, 1.2), repeated(1.3, 1.3, 1.3, device="Reflector B"))
    (one,) = verdict.at_heights
    assert one.sentence.startswith("As installed")
    hung = [term for term in one.terms if term.name.startswith("re-installation")]
    assert [term.source for term in hung] == ["by hand"] * 2
    assert [math.hypot(term.in_a, term.in_b) for term in hung] == pytest.approx([0.01] * 2)


def test_many_replicates_at_one_height_do_not_make_its_hanging_surer():
    (one,), (many,) = (usable_maps(repeated(*[1.2] * count), "A")[0] for count in (1, 9))
    widths = [
        np.std(own_heights([("A", [maps, [map_with(500.0, 1.1, budget=maps[0].budget)]])]).chosen)
        for maps in (one, many)
    ]
    assert widths[1] == pytest.approx(widths[0], rel=0.02)


def test_the_mean_of_the_light_is_cell_by_cell():
    light = [np.full(25, 400.0), np.full(25, 500.0)]
    maps = with_budgets(
        run(),
        maps=tuple(map_with(400.0, 1.2, replicate=n, ppfd=one) for n, one in enumerate(light, 1)),
    ).maps
    (found,) = hangings(maps)
    assert found.ppfd == pytest.approx(np.full(25, 450.0))
    assert found.budget.ppfd == pytest.approx(np.full(25, 450.0))
    # Two cells of 0.5 % each, and 400 and 500 of 900 parts: by hand.
    (noise, other) = (
        one.light[0] for one in found.budget.influences if one.cause.name == "repeatability"
    )
    assert sorted((noise, other)) == pytest.approx([0.005 * 4 / 9, 0.005 * 5 / 9])


def test_maps_of_a_run_without_replicates_stay_what_they_are():
    maps = run(efficacies={400.0: (1.2, 1.3), 500.0: 1.1}).maps
    assert hangings(maps) == maps
    assert all("replicate" not in one.to_dict() for one in maps)
    assert "replicate" not in maps_table([run()])
    assert repeated(1.2).maps[0].to_dict()["replicate"] == 1


def test_a_spread_as_the_budget_has_it_is_no_more_than_chance():
    # Three values d apart have the standard deviation d. With two degrees of freedom the chance
    # of a chi-square beyond x is exp(−x/2): here x = 2.
    d = 1.2 * NOISE
    found = spread_of(repeated(1.2 - d, 1.2, 1.2 + d).maps)
    assert found.standard == pytest.approx(NOISE)
    assert found.expected == pytest.approx(NOISE)
    assert found.p_value == pytest.approx(math.exp(-1.0))
    assert not found.is_beyond
    assert found.sentence.startswith("Installation 1, mounting height 400 mm: 3 maps were read")
    assert found.sentence.endswith("no more than chance.")


def test_a_spread_beyond_the_budget_is_said_and_added_to_the_mean():
    d = 1.2 * 3 * NOISE
    whole = repeated(1.2 - d, 1.2, 1.2 + d)
    found = spread_of(whole.maps)
    assert found.p_value == pytest.approx(math.exp(-9.0))
    assert found.is_beyond
    assert "Something else changes from map to map" in found.sentence
    sizes = results(whole, "A")[0][0].sizes
    # By hand: the root of 3² − 1² noises is what is not known; of the mean of three, over √3.
    added = of_name(sizes, "what changes from one replicate to the next")
    assert added == pytest.approx(NOISE * math.sqrt(8 / 3))


def test_a_noise_known_to_few_visits_makes_the_chance_larger():
    d = 1.2 * NOISE
    maps = []
    for one in repeated(1.2 - d, 1.2, 1.2 + d).maps:
        known = [
            evolve(part, cause=evolve(part.cause, degrees_of_freedom=4.0))
            if part.cause.name == "repeatability"
            else part
            for part in one.budget.influences
        ]
        maps.append(evolve(one, budget=evolve(one.budget, influences=tuple(known))))
    # Three variances with 4 degrees of freedom each have 12 together; the chance of an F with 2
    # and n degrees of freedom beyond x is (1 + 2x/n)^(−n/2).
    assert spread_of(maps).p_value == pytest.approx((1 + 2 / 12) ** -6)


def test_points_are_held_against_their_noise_without_the_level_of_their_map():
    # The second map is 3 % brighter, and 12 of its 25 cells 1 % up, 12 of them 1 % down beside it:
    # by hand the root of 24/25 times half of 1 % squared.
    pattern = 1 + 0.01 * np.repeat([1.0, -1.0, 0.0], [12, 12, 1])
    light = [np.full(25, 500.0), 515.0 * pattern]
    maps = with_budgets(
        run(),
        maps=tuple(map_with(400.0, 1.2, replicate=n, ppfd=one) for n, one in enumerate(light, 1)),
    ).maps
    found = spread_of(maps)
    assert found.of_points == pytest.approx(0.01 * math.sqrt(24 / 25 / 2), rel=0.001)
    assert found.of_points_expected == pytest.approx(0.005)


def test_one_map_has_no_spread():
    assert spread_of(repeated(1.2).maps) is None


def test_the_run_says_how_its_replicates_repeat():
    whole = repeated(1.2, 1.2)
    assert [one for one in with_uncertainty(whole, {}).remarks if "under one hanging" in one]
    assert with_uncertainty(run(), {}).remarks == run().remarks


def test_a_row_belongs_to_the_map_that_was_begun_last_before_it():
    events = [
        {"event": "map-begun", "elapsed_s": 10.0, "detail": "installation 1, …, replicate 1"},
        {"event": "map-ended", "elapsed_s": 20.0, "detail": "installation 1, …, replicate 1"},
        {"event": "map-begun", "elapsed_s": 20.0, "detail": "installation 1, …, replicate 2"},
        {"event": "map-resumed", "elapsed_s": 30.0, "detail": "installation 1, …, replicate 2"},
        {"event": "map-begun", "elapsed_s": 40.0, "detail": "installation 2, … 400 mm"},
    ]
    moments = np.array([5.0, 10.0, 11.0, 20.0, 20.1, 31.0, 41.0])
    assert replicates_at(moments, events).tolist() == [0, 0, 1, 1, 2, 2, 0]
    assert replicates_at(moments, []).tolist() == [0] * 7


@pytest.mark.parametrize(
    ("detail", "number"),
    [
        ("installation 1, mounting height 400 mm, replicate 12", 12),
        ("installation 1, mounting height 400 mm", None),
        ("", None),
    ],
)
def test_an_event_names_a_replicate_or_none(detail, number):
    assert replicate_in(detail) == number
