"""A whole run by hand: the same folder as a gantry's, whatever the person does at a point."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from analysis import run_folder
from analysis.grid import grid_from_plan
from analysis.report.journal import unusual
from analysis.summary import summarise
from rig import unattended
from rig.demo.person import VirtualPerson
from rig.done import look_back
from rig.faults import RunStopped
from rig.profile import cross_check
from tests.rig.bench_run import do_run
from tests.rig.hand.hand_run import (
    METER,
    SENSOR,
    Script,
    at,
    bench_by_hand,
    key,
    plan_by_hand,
    resume_by_hand,
    rig_by_hand,
    run_by_hand,
    typed,
)


def light(run, role="grid"):
    rows = run.readings
    return rows[(rows.role == role) & (rows.instrument == "light_sensor")]


def values_at(run, row, column):
    rows = light(run)
    return rows[(rows.grid_row == row) & (rows.grid_column == column)].value.tolist()


def events(run, name):
    rows = run.events[run.events.event == name]
    return list(zip(rows.subject, rows.detail, strict=True))


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """A run in which nobody does anything but what is asked."""
    folder, bench = run_by_hand(tmp_path_factory.mktemp("plain"))
    return run_folder.load(folder), bench


def test_the_map_is_that_of_the_bench(plain):
    run, bench = plain
    (map_,) = summarise(run).maps
    grid = map_.grid
    truth = bench.virtual.truth.ppfd_map(grid.x_mm, grid.y_mm, map_.begun_s, map_.ended_s)
    # Typed to 0.1; a person sets the sensor 1 mm off, the sensor has its own calibration error.
    assert np.allclose(map_.ppfd / map_.ppfd.mean(), truth / truth.mean(), rtol=0.015)
    assert map_.ppfd.mean() == pytest.approx(truth.mean(), rel=0.05)
    assert map_.n_used == map_.n_expected == 9


def test_what_was_typed_is_the_raw_reply_and_nothing_was_asked_twice(plain):
    run, _ = plain
    rows = light(run)
    assert len(rows) == 9
    assert [float(raw) for raw in rows.raw] == rows.value.tolist()
    assert not events(run, "typed-value")


def test_dark_and_warm_up_are_typed_too_and_judged_by_the_rule(plain):
    run, _ = plain
    assert len(light(run, "dark")) == 5
    assert len(events(run, "lamp-stable")) == 1
    warm = summarise(run).warm_ups[0]
    assert warm.verdict.both_s is not None
    lit_s = warm.on_since_s
    minutes = ((light(run, "warm-up").elapsed_s - lit_s) // 60.0).tolist()
    assert len(minutes) == len(set(minutes[1:])) + 1  # one value in each block of a minute


def test_wall_power_is_that_of_the_map_and_efficacy_of_its_means(plain):
    run, bench = plain
    (map_,) = summarise(run).maps
    truth_w = bench.virtual.truth.wall_power_w(map_.begun_s, map_.ended_s)
    assert map_.mean_wall_power_w == pytest.approx(truth_w, rel=0.01)
    assert map_.plane_efficacy_umol_j is None
    assert map_.plane_efficacy_from_means == pytest.approx(
        map_.delivered_flux_umol_s / map_.mean_wall_power_w
    )


def test_redo_keeps_both_values_and_the_later_counts(tmp_path):
    wrong = Script(("0,1", typed("400")), ("0,2", key("r")))
    folder, _ = run_by_hand(tmp_path, wrong)
    run = run_folder.load(folder)
    assert not wrong.steps
    first, second = values_at(run, 0, 1)
    assert first == 400.0
    assert second != 400.0
    (map_,) = summarise(run).maps
    assert map_.ppfd_raw[map_.grid.index_of(0, 1)] == second
    assert map_.n_reread == 1
    assert events(run, "point-redo") == [("row 1, column 2", "")]


def test_back_goes_to_the_point_before_and_on_from_where_one_was(tmp_path):
    folder, _ = run_by_hand(tmp_path, Script(("0,2", key("b"))))
    run = run_folder.load(folder)
    assert len(values_at(run, 0, 1)) == 2
    assert len(light(run)) == 10
    places = [(row, column) for row, column in zip(*_places(run), strict=True)]
    assert places[:4] == [(0, 0), (0, 1), (0, 1), (0, 2)]
    assert events(run, "point-back") == [("row 1, column 2", "")]


def _places(run):
    rows = light(run)
    return rows.grid_row.tolist(), rows.grid_column.tolist()


def test_a_point_that_is_skipped_is_missing_with_its_reason_and_the_run_is_complete(tmp_path):
    folder, _ = run_by_hand(
        tmp_path, Script(("1,2", key("s")), ("reason", typed("a pot stands there")))
    )
    run = run_folder.load(folder)
    assert events(run, "point-skipped") == [("row 2, column 3", "a pot stands there")]
    assert not values_at(run, 1, 2)
    assert len(events(run, "map-ended")) == len(events(run, "run-ended")) == 1
    (map_,) = summarise(run).maps
    assert map_.missing == ((1, 2),)
    assert map_.delivered_flux_umol_s is None
    assert any("8 of 9" in remark for remark in map_.remarks)
    told = [line.what for line in unusual(summarise(run).events)]
    assert "Row 2, column 3 was left out: a pot stands there." in told
    grid = grid_from_plan(run.plan)
    assert look_back(folder, grid, 1).is_finished


def test_several_readings_of_a_point_are_typed_one_after_the_other(tmp_path):
    folder, bench = run_by_hand(tmp_path, sampling={"samples_per_point": 2})
    run = run_folder.load(folder)
    assert len(values_at(run, 0, 0)) == 2
    heads = [view.headline for view in bench.lead.desk.views if view.row == view.column == 0]
    assert heads[-2:] == ["Point 1 of 9, reading 1 of 2", "Point 1 of 9, reading 2 of 2"]


def test_whoever_thinks_better_of_skipping_reads_the_point(tmp_path):
    folder, _ = run_by_hand(tmp_path, Script(("1,2", key("s")), ("reason", key("esc"))))
    run = run_folder.load(folder)
    assert not events(run, "point-skipped")
    assert len(values_at(run, 1, 2)) == 1


@pytest.mark.parametrize(
    ("answer", "recorded", "end"),
    [("k", 4312.0, "4312 was kept"), ("m", 431.2, "4312 was a slip"), ("t", 430.0, None)],
)
def test_a_slip_is_asked_about_and_the_last_word_is_the_persons(tmp_path, answer, recorded, end):
    steps = [("0,1", typed("4312")), ("doubt", key(answer))]
    if answer == "t":
        steps.append(("0,1", typed("430")))
    folder, bench = run_by_hand(tmp_path, Script(*steps))
    run = run_folder.load(folder)
    assert values_at(run, 0, 1)[:1] == [recorded]  # one far off is offered again at the end
    asked = [view.message for view in bench.lead.desk.views if view.message]
    assert asked[0].startswith("4312 follows ")
    assert asked[0].endswith("meant 431.2?")
    told = events(run, "typed-value")
    assert [detail.endswith(end) for _, detail in told[:1]] == ([True] if end else [])


@pytest.mark.parametrize("where", ["Dark reading, point 2 of 5", "reference"])
def test_where_the_run_needs_a_value_one_that_cannot_be_true_is_asked_for_again(tmp_path, where):
    folder, _ = run_by_hand(tmp_path, Script((where, typed("99999")), ("doubt", key("k"))))
    run = run_folder.load(folder)
    rows = light(run, where.split()[0].lower())
    assert list(rows.status).count("implausible") == 1
    summary = summarise(run)
    assert summary.dark.points == 5
    assert summary.maps[0].is_complete
    assert summary.maps[0].reference_visits == 4


def test_a_value_far_from_all_around_it_is_offered_to_be_read_again_at_the_end(tmp_path):
    """The first point has nothing beside it yet; 900 is 2.3 times what is there later."""
    folder, _ = run_by_hand(tmp_path, Script(("0,0", typed("900")), ("doubt", key("k"))))
    run = run_folder.load(folder)
    asked = dict(events(run, "prompt"))["suspect"]
    assert "far from those beside it at 1 point (row 1, column 1)" in asked
    first, second = values_at(run, 0, 0)  # the virtual person reads again
    assert first == 900.0
    (map_,) = summarise(run).maps
    assert map_.ppfd_raw[map_.grid.index_of(0, 0)] == second
    assert second == pytest.approx(369.0, rel=0.02)


def test_a_value_that_cannot_be_true_is_kept_on_record_and_is_no_value_of_the_point(tmp_path):
    folder, _ = run_by_hand(tmp_path, Script(("0,1", typed("91200")), ("doubt", key("k"))))
    run = run_folder.load(folder)
    rows = light(run)
    (row,) = rows[(rows.grid_row == 0) & (rows.grid_column == 1)].itertuples()
    assert (row.value, row.status) == (91200.0, "implausible")
    (map_,) = summarise(run).maps
    assert map_.missing == ((0, 1),)


def test_the_reference_read_again_is_the_one_that_counts(tmp_path):
    script = Script(("reference", typed("510")), ("0,0", key("r")), ("reference", typed("512.5")))
    folder, _ = run_by_hand(tmp_path, script)
    run = run_folder.load(folder)
    assert not script.steps
    assert light(run, "reference").value.tolist()[:2] == [510.0, 512.5]
    (map_,) = summarise(run).maps
    first = 512.5 - summarise(run).dark.mean
    assert map_.drift.values[0] == pytest.approx(first)
    assert map_.reference_visits == len(light(run, "reference")) - 1


def test_a_dark_value_read_again_stands_for_the_first(tmp_path):
    script = Script(
        ("Dark reading, point 2 of 5", typed("4")), ("Dark reading, point 3 of 5", key("r"))
    )
    folder, _ = run_by_hand(tmp_path, script)
    run = run_folder.load(folder)
    rows = light(run, "dark")
    assert len(rows) == 6
    counted = rows.value.drop(rows.index[1])
    assert summarise(run).dark.mean == pytest.approx(counted.mean())


def test_after_a_pause_the_reference_is_read_and_the_map_goes_on(tmp_path):
    folder, _ = run_by_hand(tmp_path, Script(("1,1", key("p"))))
    run = run_folder.load(folder)
    assert events(run, "paused") == [("operator", "Paused by the operator.")]
    assert len(events(run, "pause-ended")) == len(events(run, "map-resumed")) == 1
    assert len(events(run, "lamp-lit")) == len(events(run, "warm-up-begun")) == 1
    assert len(light(run)) == 9
    resumed_s = float(run.events[run.events.event == "map-resumed"].elapsed_s.iloc[0])
    rows = run.readings
    after = rows[(rows.elapsed_s > resumed_s) & (rows.instrument == "light_sensor")]
    assert after.role.tolist()[0] == "reference"
    assert (after.grid_row.iloc[1], after.grid_column.iloc[1]) == (1, 1)


@pytest.mark.parametrize(
    "where", ["Dark reading, point 3 of 5", "Warm-up, reference point", "power", "reference"]
)
def test_one_may_pause_anywhere_and_the_run_is_whole(tmp_path, where):
    folder, _ = run_by_hand(tmp_path, Script((where, key("p"))))
    run = run_folder.load(folder)
    assert len(events(run, "paused")) == len(events(run, "pause-ended")) == 1
    assert len(light(run)) == 9
    assert len(light(run, "dark")) == 5
    assert events(run, "run-ended")
    (map_,) = summarise(run).maps
    assert map_.is_complete


def test_a_wattmeter_on_a_port_that_is_lost_pauses_the_run_and_not_the_person(tmp_path):
    """The virtual plug is never put in again: after the pause the run stops, and is kept."""
    benches = []

    def unplugs(view):
        if at(view) == "1,1" and benches:
            benches.pop().instruments.power_meter.bus.line.unplug()

    plan = plan_by_hand(tmp_path, trouble={"pause_most_min": 1.0})
    profile = rig_by_hand(tmp_path, power_meter=METER)
    bench = bench_by_hand(profile, plan, unplugs)
    benches.append(bench)
    with pytest.raises(RunStopped, match="wattmeter") as caught:
        do_run(tmp_path, plan, profile, bench)
    run = run_folder.load(caught.value.folder)
    assert events(run, "paused")[0][0] == "power_meter"
    assert len(light(run)) == 4


def test_each_replicate_has_the_wall_power_that_was_read_off_in_it(tmp_path):
    """Four visits of the reference point in each of two maps, at 640 W and then at 650 W."""
    watts = iter(["640"] * 4 + ["650"] * 4)
    before = []

    def reads(view):
        before.append(at(view))
        return typed(next(watts)) if before[-2:] == ["reference", "power"] else None

    folder, _ = run_by_hand(
        tmp_path, reads, heights={"mounting_height_mm": [450.0], "replicates": 2}
    )
    maps = summarise(run_folder.load(folder)).maps
    assert [map_.mean_wall_power_w for map_ in maps] == [640.0, 650.0]


class GoneAway(VirtualPerson):
    """Does not come back from a pause."""

    def ask(self, prompt):
        if prompt.kind != "pause":
            super().ask(prompt)


def test_a_pause_ends_the_run_when_its_time_is_over(tmp_path):
    plan, profile = plan_by_hand(tmp_path), rig_by_hand(tmp_path)
    bench = bench_by_hand(profile, plan, Script(("1,1", key("p"))))
    with pytest.raises(RunStopped, match=r"Paused for 10 min, no longer") as caught:
        do_run(tmp_path, plan, profile, bench, operator=GoneAway(bench, plan.device.name))
    assert caught.value.folder is not None


def test_a_stop_can_be_gone_on_with_at_the_first_missing_point(tmp_path, plain):
    with pytest.raises(RunStopped) as caught:
        run_by_hand(
            tmp_path,
            Script(("0,1", key("s")), ("reason", typed("wet")), ("1,1", key("x"))),
        )
    assert caught.value.exit_code == 130
    folder = caught.value.folder
    assert len(light(run_folder.load(folder))) == 3
    bench = resume_by_hand(folder, tmp_path / "rig.toml")
    run = run_folder.load(folder)
    read = [at(view) for view in bench.lead.desk.views if at(view)[0].isdigit()]
    assert read == ["1,1", "1,0", "2,0", "2,1", "2,2"]
    assert len(light(run)) == 8
    assert events(run, "run-ended")
    (map_,) = summarise(run).maps
    assert map_.missing == ((0, 1),)


def test_a_point_that_was_left_out_and_then_read_is_not_offered_again_after_a_stop(tmp_path):
    script = Script(
        ("0,1", key("s")),
        ("reason", typed("wet")),
        ("0,2", key("b")),
        ("1,2", key("x")),
    )
    with pytest.raises(RunStopped) as caught:
        run_by_hand(tmp_path, script)
    folder = caught.value.folder
    assert len(values_at(run_folder.load(folder), 0, 1)) == 1
    bench = resume_by_hand(folder, tmp_path / "rig.toml")
    run = run_folder.load(folder)
    assert not [one for one in events(run, "prompt") if one[0] == "skipped"]
    read = [at(view) for view in bench.lead.desk.views if at(view)[0].isdigit()]
    assert read == ["1,2", "1,1", "1,0", "2,0", "2,1", "2,2"]
    assert len(light(run)) == 9


def test_killed_in_the_middle_and_gone_on_with_it_gives_the_same_map(tmp_path, plain):
    """What is on the disk when the person is asked for a point is all that a kill leaves."""
    left = tmp_path / "left"

    def killed_at(view):
        if at(view) == "2,0" and not left.exists():
            shutil.copytree(tmp_path / "lab", left)

    run_by_hand(tmp_path, killed_at)
    (folder,) = (left / "runs").glob("*/")
    assert len(light(run_folder.load(folder))) == 6
    resume_by_hand(folder, tmp_path / "rig.toml")
    run = run_folder.load(folder)
    assert len(light(run)) == 9
    (map_,), (whole,) = summarise(run).maps, summarise(plain[0]).maps
    assert np.allclose(map_.ppfd / map_.ppfd.mean(), whole.ppfd / whole.ppfd.mean(), rtol=0.01)


def test_a_sensor_on_a_port_is_read_by_itself_once_it_is_steady(tmp_path):
    folder, bench = run_by_hand(tmp_path, rig={"light_sensor": SENSOR, "power_meter": METER})
    run, views = run_folder.load(folder), bench.lead.desk.views
    (map_,) = summarise(run).maps
    assert map_.n_used == 9
    assert map_.plane_efficacy_umol_j is not None  # light and power of the same moments
    counted = [view.countdown_s for view in views if view.countdown_s is not None]
    assert max(counted) == 5.0  # step_back_s
    assert any("steady for 3 of 3 s" in view.live for view in views)
    # 5 dark, 9 points and the reference; where the sensor stands already nobody has to carry it.
    carried = [view for view in views if view.asks == "key" and view.countdown_s is None]
    assert len(carried) < bench.lead.desk.cues
    watched = light(run, "background")
    assert len(watched) >= 2 * bench.lead.desk.cues


def test_wall_power_that_is_left_out_stays_missing(tmp_path):
    folder, _ = run_by_hand(tmp_path, lambda view: key("l") if at(view) == "power" else None)
    run = run_folder.load(folder)
    rows = run.readings[run.readings.instrument == "power_meter"]
    assert len(rows) > 3
    assert set(rows.status) == {"missing"}
    (map_,) = summarise(run).maps
    assert map_.plane_efficacy_from_means is None
    assert "power not read" in events(run, "lamp-stable")[0][1]


def test_nobody_is_there_to_carry_a_sensor_by_night(tmp_path):
    plan, profile = plan_by_hand(tmp_path), rig_by_hand(tmp_path)
    (why,) = unattended.refusals(plan, profile)
    assert "nobody is there to carry the sensor" in why


def test_no_relay_lights_a_lamp_where_a_person_reaches_in(tmp_path):
    plan = plan_by_hand(tmp_path, lamp={"switching": "relay", "armed": True})
    (why,) = cross_check(plan, rig_by_hand(tmp_path))
    assert "a person carries the sensor" in why


def test_each_hanging_by_hand_is_an_installation_of_its_own(tmp_path):
    folder, _ = run_by_hand(
        tmp_path,
        heights={"mounting_height_mm": [450.0, 500.0]},
        grid={"rows": 2, "columns": 2},
        dark={"points": 0, "skip_reason": "cap on reads 0"},
    )
    run = run_folder.load(Path(folder))
    assert [m.installation for m in summarise(run).maps] == [1, 2]
    assert len(events(run, "hung")) == 2
