"""Heights, hangings and their order: what the plan says is what is done."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import run_folder
from analysis.summary import summarise
from rig import unattended
from rig.course import Stay, height_to_check, stays
from rig.demo.show import HurriedStorage
from rig.estimate import estimate
from rig.profile import read_profile
from rig.toml_faults import ConfigError
from tests.rig.bench_run import bench_of, do_run, plan_of
from tests.rig.test_chain_against_truth import EXACT
from tests.rig.test_resume import BRIEF, STILL, Killed, Watcher, killed_at, resumed

HEIGHTS = [500.0, 400.0, 600.0]
ONE_AFTER_THE_OTHER = [Stay(500.0, 1), Stay(400.0, 2), Stay(600.0, 3)]
DRIVEN = {"gantry": {**STILL["gantry"], "travel_z_mm": [250.0, 900.0]}}
BY_HAND = {"gantry": {**STILL["gantry"], "travel_z_mm": None}}


def course(folder, *, axis=False, **heights):
    plan = plan_of(folder, heights={"mounting_height_mm": HEIGHTS, **heights})
    return list(stays(plan, has_height_axis=axis))


def test_by_hand_each_height_is_a_hanging_of_its_own(tmp_path):
    assert course(tmp_path) == ONE_AFTER_THE_OTHER


def test_an_axis_drives_to_all_heights_under_one_hanging(tmp_path):
    assert course(tmp_path, axis=True) == [Stay(500.0, 1), Stay(400.0, 1), Stay(600.0, 1)]


def test_ascending_is_from_the_lowest_up(tmp_path):
    found = [stay.mounting_height_mm for stay in course(tmp_path, order="ascending")]
    assert found == [400.0, 500.0, 600.0]


def test_two_installations_are_two_rounds(tmp_path):
    assert course(tmp_path, installations=2) == [
        *ONE_AFTER_THE_OTHER,
        Stay(500.0, 4),
        Stay(400.0, 5),
        Stay(600.0, 6),
    ]
    rounds = [stay.installation for stay in course(tmp_path, axis=True, installations=2)]
    assert rounds == [1, 1, 1, 2, 2, 2]


def test_a_random_order_has_each_height_once_a_round_and_follows_from_its_seed(tmp_path):
    orders = {}
    for seed in range(30):
        found = course(tmp_path, order="random", seed=seed, installations=2, axis=True)
        heights = tuple(stay.mounting_height_mm for stay in found)
        assert sorted(heights[:3]) == sorted(heights[3:]) == sorted(HEIGHTS)
        again = course(tmp_path, order="random", seed=seed, installations=2, axis=True)
        assert found == again
        orders[heights] = orders.get(heights, 0) + 1
    # 36 orders of two rounds; thirty throws that gave fewer than eight of them would be no dice.
    assert len(orders) >= 8
    assert any(heights[:3] != heights[3:] for heights in orders)


def test_the_return_is_a_hanging_by_hand_and_a_check_by_an_axis(tmp_path):
    assert course(tmp_path, return_to_first=True) == [*ONE_AFTER_THE_OTHER, Stay(500.0, 4)]
    plan = plan_of(tmp_path, heights={"mounting_height_mm": HEIGHTS, "return_to_first": True})
    driven = stays(plan, has_height_axis=True)
    assert len(driven) == 3
    assert height_to_check(plan, driven, has_height_axis=True) == Stay(500.0, 1)
    assert height_to_check(plan, driven, has_height_axis=False) is None


@pytest.mark.parametrize(
    ("heights", "words"),
    [
        ({"order": "random"}, 'heights.seed is missing, and heights.order is "random"'),
        ({"seed": 3}, 'heights.seed is 3, and heights.order is "as listed"'),
        (
            {"mounting_height_mm": [400.0], "return_to_first": True},
            "there is nothing to come back from",
        ),
    ],
)
def test_keys_that_do_not_fit_together_are_faults_of_the_plan(heights, words, tmp_path):
    with pytest.raises(ConfigError, match=words):
        course(tmp_path, **heights)


def sweep(folder, scenario, **heights):
    plan = plan_of(
        folder,
        **BRIEF,
        heights={"mounting_height_mm": [400.0, 500.0], **heights},
        lamp={"minimum_off_s": 60.0},
    )
    profile, bench = bench_of(folder, scenario={**STILL, **scenario}, errors=EXACT)
    return plan, profile, bench


def test_by_an_axis_the_run_comes_back_and_says_how_the_first_height_reads(tmp_path):
    plan, profile, bench = sweep(tmp_path, DRIVEN, return_to_first=True)
    run = run_folder.load(do_run(tmp_path, plan, profile, bench))
    (check,) = run.events[run.events.event == "return-check"].itertuples()
    assert check.detail.startswith("5 points at 400 mm read ")
    change = float(check.detail.split("read ")[1].split(" %")[0])
    assert abs(change) < 0.2
    summary = summarise(run)
    assert [one.mounting_height_mm for one in summary.maps] == [400.0, 500.0]
    assert any(check.detail in remark for remark in summary.remarks)
    back = run.readings[
        (run.readings.role == "quick-look") & (run.readings.elapsed_s < check.elapsed_s)
    ]
    assert set(back.mounting_height_mm) == {400.0}


def test_a_run_killed_in_the_check_is_resumed_with_the_check_alone(tmp_path, monkeypatch):
    plan, profile, bench = sweep(tmp_path, DRIVEN, return_to_first=True)
    points = []

    def die(self, index, place, *way):
        if place.role == "quick-look" and place.mounting_height_mm == 400.0 and points[-1:] == [1]:
            raise Killed
        if place.role == "grid" and place.mounting_height_mm == 500.0:
            points.append(1)
        return visit(self, index, place, *way)

    from rig.points import Points

    visit = Points.visit
    with monkeypatch.context() as patched:
        patched.setattr(Points, "visit", die)
        path, _ = killed_at(tmp_path, plan, profile, bench, 10**9, monkeypatch)
    run = resumed(path, tmp_path / "rig.toml", bench)
    events = list(run.events.event)
    assert events.count("map-begun") == 2
    assert "map-resumed" not in events
    assert events.count("return-check") == 1


def test_two_installations_by_hand_are_four_hangings_and_four_maps(tmp_path):
    plan, profile, bench = sweep(tmp_path, BY_HAND, installations=2)
    person = Watcher(bench, plan.device.name)
    run = run_folder.load(do_run(tmp_path, plan, profile, bench, operator=person))
    assert person.asked.count("height") == 4
    off, lit = (
        run.events[run.events.event == f"lamp-{state}"].elapsed_s.to_numpy()
        for state in ("off", "lit")
    )
    assert (lit[1:] - off[:3] >= plan.lamp.minimum_off_s).all()
    maps = summarise(run).maps
    assert [(one.installation, one.mounting_height_mm) for one in maps] == [
        (1, 400.0),
        (2, 500.0),
        (3, 400.0),
        (4, 500.0),
    ]
    np.testing.assert_allclose(maps[0].ppfd, maps[2].ppfd, rtol=2e-3)


def test_a_second_installation_under_an_axis_is_hung_by_a_person_with_the_lamp_cooled(tmp_path):
    plan, profile, bench = sweep(tmp_path, DRIVEN, installations=2)
    person = Watcher(bench, plan.device.name)
    run = run_folder.load(do_run(tmp_path, plan, profile, bench, operator=person))
    assert person.asked.count("height") == 1
    assert len(run.events[run.events.event == "lamp-lit"]) == 2
    assert [(m.installation, m.mounting_height_mm) for m in summarise(run).maps] == [
        (1, 400.0),
        (1, 500.0),
        (2, 400.0),
        (2, 500.0),
    ]


@pytest.mark.parametrize(
    ("scenario", "heights"),
    [(DRIVEN, {"return_to_first": True}), (BY_HAND, {"return_to_first": True})],
)
def test_the_estimate_follows_the_course(scenario, heights, tmp_path):
    plan, profile, bench = sweep(tmp_path, scenario, **heights)
    foreseen = estimate(plan, profile)
    run = run_folder.load(do_run(tmp_path, plan, profile, bench, storage=HurriedStorage()))
    took_s = run.events.elapsed_s.iloc[-1]
    assert foreseen.duration_s == pytest.approx(took_s, rel=0.12)


@pytest.mark.parametrize(
    ("scenario", "heights", "hangings"),
    [(BY_HAND, {}, 2), (DRIVEN, {"installations": 2}, 2), (DRIVEN, {}, 1)],
)
def test_a_plan_that_needs_hands_is_not_run_unattended(scenario, heights, hangings, tmp_path):
    plan, _, _ = sweep(tmp_path, scenario, **heights)
    profile = read_profile(tmp_path / "rig.toml")
    refused = [found for found in unattended.refusals(plan, profile) if "hang" in found]
    assert len(refused) == (hangings > 1)
