"""The same map read several times under one hanging: on the bench, after a kill, when watched."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from analysis import run_folder
from analysis.heights import heights as heights_of
from analysis.plane_results import usable_maps
from analysis.replicates import spreads
from analysis.report.findings import find
from analysis.summary import summarise
from analysis.tidy import maps_table
from rig.course import Stay, stays
from rig.estimate import estimate
from rig.live.story import Story
from rig.results import draw_pictures
from rig.unattended import refusals
from tests.rig.bench_run import bench_of, do_run, plan_of
from tests.rig.test_chain_against_truth import EXACT
from tests.rig.test_course import DRIVEN
from tests.rig.test_resume import BRIEF, STILL, Watcher, killed_at, resumed

LABELS = [
    "installation 1, mounting height 400 mm, replicate 1",
    "installation 1, mounting height 400 mm, replicate 2",
    "installation 1, mounting height 500 mm, replicate 1",
    "installation 1, mounting height 500 mm, replicate 2",
]


def twice(folder, **heights):
    plan = plan_of(
        folder,
        **BRIEF,
        heights={"mounting_height_mm": [400.0, 500.0], "replicates": 2, **heights},
        lamp={"minimum_off_s": 60.0},
    )
    profile, bench = bench_of(folder, scenario={**STILL, **DRIVEN}, errors=EXACT)
    return plan, profile, bench


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole")
    plan, profile, bench = twice(folder)
    person = Watcher(bench, plan.device.name)
    run = run_folder.load(do_run(folder, plan, profile, bench, operator=person))
    return run, summarise(run), person


def test_replicates_follow_one_another_where_the_device_hangs(tmp_path):
    plan = plan_of(
        tmp_path,
        heights={
            "mounting_height_mm": [500.0, 400.0],
            "replicates": 2,
            "installations": 2,
            "return_to_first": True,
        },
    )
    driven = stays(plan, has_height_axis=True)
    assert driven[:4] == (Stay(500, 1, 1), Stay(500, 1, 2), Stay(400, 1, 1), Stay(400, 1, 2))
    assert {stay.installation for stay in driven[4:]} == {2}
    by_hand = stays(plan, has_height_axis=False)
    # By hand each height is hung anew, and the return is one more hanging with one map.
    assert [stay.installation for stay in by_hand] == [1, 1, 2, 2, 3, 3, 4, 4, 5]
    assert by_hand[-1] == Stay(500.0, 5)


def test_each_replicate_is_a_map_under_one_hanging_without_a_new_warm_up(whole):
    run, summary, person = whole
    assert [one.label for one in summary.maps] == LABELS
    assert all(one.is_complete for one in summary.maps)
    assert person.asked.count("lamp-on") == 1
    events = list(run.events.event)
    assert events.count("hung") == 1
    for name in ("map-begun", "map-ended"):
        assert list(run.events[run.events.event == name].detail) == LABELS
    # Lamp and height stay as they are: only the way to another height is waited for.
    assert events.count("lamp-stable") == 2


def test_on_a_bench_without_noise_replicates_are_alike(whole):
    _, summary, _ = whole
    for at in (0, 2):
        np.testing.assert_allclose(summary.maps[at].ppfd, summary.maps[at + 1].ppfd, rtol=1e-3)
    assert sum("2 maps were read under one hanging" in one for one in summary.remarks) == 2


def test_a_comparison_has_one_map_for_each_height(whole):
    _, summary, _ = whole
    heights, left_out = usable_maps(summary, "A")
    assert [[one.label for one in maps] for maps in heights] == [
        ["installation 1, mounting height 400 mm"],
        ["installation 1, mounting height 500 mm"],
    ]
    assert left_out == ()
    # Nor are they hangings where heights are chosen: drawing less than for an answer will do.
    assert heights_of(summary, draws=100).installations == (1, 1)


def test_pictures_and_tables_tell_replicates_apart(whole, tmp_path):
    _, summary, _ = whole
    table = maps_table([summary])
    assert table.replicate.tolist() == [1, 2, 1, 2]
    assert {f"{height:g}" for height in table.mounting_height_mm} == {"400", "500"}
    draw_pictures(find([summary]), tmp_path)
    drawn = [path.name for path in tmp_path.iterdir() if "-mm" in path.name]
    assert len(drawn) == 4
    assert all("replicate-" in name for name in drawn)


def test_the_live_page_shows_each_replicate(whole):
    run, _, _ = whole
    story = Story(run.path)
    while story.look():
        pass
    maps = story.snapshot(datetime(2026, 1, 5, tzinfo=UTC))["maps"]
    assert [told["label"] for told in maps.values()] == [
        f"{height} mm, replicate {number}" for height in (400, 500) for number in (1, 2)
    ]


@pytest.mark.parametrize("share", [0.0, 0.6])
def test_a_run_killed_in_its_second_replicate_and_resumed_has_the_same_maps(
    share, whole, tmp_path, monkeypatch
):
    run, summary, _ = whole
    second = summary.maps[1]
    killed_s = second.begun_s + share * (second.ended_s - second.begun_s)
    row = sum(int((table.elapsed_s <= killed_s).sum()) for table in (run.readings, run.events))
    plan, profile, bench = twice(tmp_path)
    path, _ = killed_at(tmp_path, plan, profile, bench, row, monkeypatch)
    again = summarise(resumed(path, tmp_path / "rig.toml", bench))
    assert [one.label for one in again.maps] == LABELS
    for one, before in zip(again.maps, summary.maps, strict=True):
        np.testing.assert_allclose(one.ppfd, before.ppfd, rtol=2e-3)


def test_what_would_be_done_counts_each_replicate_and_no_way_between_them(tmp_path):
    plan, profile, bench = twice(tmp_path)
    bench.close()
    steps = [step.what for step in estimate(plan, profile).steps]
    assert [what for what in steps if what.startswith("map of")] == [
        f"map of 9 points at {height} mm, replicate {number}"
        for height in (400, 500)
        for number in (1, 2)
    ]
    assert sum(what.startswith("drive to") for what in steps) == 2
    assert not [why for why in refusals(plan, profile) if "hangings" in why]


@pytest.mark.parametrize(("lamp", "is_beyond"), [(STILL["lamp"], False), ({}, True)])
def test_their_spread_is_the_noise_of_the_instruments_unless_the_lamp_itself_changes(
    lamp, is_beyond, tmp_path
):
    # The errors of the demo's bench, which the budget has never seen; with a lamp that stands still
    # from the first moment, and with one that is lit a minute before.
    plan = plan_of(tmp_path, **BRIEF, heights={"mounting_height_mm": [450.0], "replicates": 4})
    mains = STILL["mains"] if lamp else {}
    profile, bench = bench_of(tmp_path, scenario={"lamp": lamp, "mains": mains})
    (found,) = spreads(summarise(run_folder.load(do_run(tmp_path, plan, profile, bench))).maps)
    assert found.is_beyond == is_beyond
