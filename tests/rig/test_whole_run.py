"""A whole run on the virtual bench keeps to its order, its promises and its physical bound."""

from __future__ import annotations

import math
from importlib.resources import files

import numpy as np
import pytest
from attrs import evolve

from analysis import run_folder
from drivers.clock import VirtualClock
from drivers.simulated.attach import usual_instruments
from drivers.simulated.bench import VirtualBench
from rig.demo.person import VirtualPerson
from rig.faults import RunStopped
from tests.benchmarks.scan_bound import scan_ratio
from tests.rig.bench_run import bench_of, do_run, plan_of


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole")
    plan = plan_of(folder)
    profile, bench = bench_of(folder)
    path = do_run(folder, plan, profile, bench)
    return plan, profile, bench, run_folder.load(path)


def demo_scenario():
    return str(files("drivers.simulated.scenarios").joinpath("demo.toml"))


def light(run, role):
    table = run.readings
    return table[(table.role == role) & (table.instrument == "light_sensor")]


def power(run):
    table = run.readings
    return table[table.quantity == "wall_power_w"]


def test_a_finished_run_loads_without_damage_and_is_closed_with_hashes(finished):
    run = finished[-1]
    assert run.damage == ()
    assert run.descriptor["evenfall"]["is_closed"]


def test_every_cell_is_read_as_often_as_planned(finished):
    plan, _, _, run = finished
    counts = light(run, "grid").groupby(["grid_row", "grid_column"]).size()
    assert len(counts) == 9
    assert set(counts) == {plan.sampling.samples_per_point}


def test_the_phases_come_in_the_order_of_the_design(finished):
    events = list(finished[-1].events.event)
    wanted = [
        "run-begun",
        "caution-acknowledged",
        "homed",
        "dark-begun",
        "lamp-lit",
        "warm-up-begun",
        "lamp-stable",
        "map-begun",
        "map-ended",
        "run-ended",
    ]
    assert [event for event in events if event in wanted] == wanted


def test_the_reference_is_read_at_both_ends_of_the_map_and_in_between(finished):
    run = finished[-1]
    grid, reference = light(run, "grid"), light(run, "reference")
    assert reference.elapsed_s.min() < grid.elapsed_s.min()
    assert reference.elapsed_s.max() > grid.elapsed_s.max()
    # 9 points, revisited after 4 and 8, and at both ends: four visits of two samples.
    assert len(reference) == 4 * 2


def test_wall_power_is_never_more_than_a_second_old_while_measuring(finished):
    run = finished[-1]
    lit_s = float(run.events[run.events.event == "lamp-lit"].elapsed_s.iloc[0])
    moments = power(run)[power(run).elapsed_s >= lit_s].elapsed_s.to_numpy()
    # One second, and the time of an exchange on the wire.
    assert np.diff(moments).max() < 1.1


def test_every_grid_reading_has_wall_power_in_its_own_window(finished):
    run = finished[-1]
    watts = power(run)
    for _, row in light(run, "grid").iterrows():
        overlap = np.minimum(watts.window_end_s, row.window_end_s) - np.maximum(
            watts.window_start_s, row.window_start_s
        )
        assert (overlap > 0).any()


def test_a_light_reading_of_three_seconds_holds_three_of_wall_power(tmp_path):
    instruments = usual_instruments(VirtualBench.from_scenario(demo_scenario()))
    slow = evolve(instruments.light_sensor, measuring_s=3.1, averaging_s=3.0)
    plan = plan_of(tmp_path)
    profile, bench = bench_of(tmp_path, instruments=evolve(instruments, light_sensor=slow))
    run = run_folder.load(do_run(tmp_path, plan, profile, bench))
    watts = power(run)
    for _, row in light(run, "grid").iterrows():
        held = (watts.elapsed_s >= row.window_start_s) & (watts.elapsed_s <= row.window_end_s)
        assert row.window_end_s - row.window_start_s >= 3.0
        assert held.sum() >= 3


def test_the_monitor_is_read_in_every_window_of_the_map(finished):
    run = finished[-1]
    monitor = run.readings[run.readings.role == "monitor"]
    assert len(monitor) >= len(light(run, "grid")) + len(light(run, "reference"))


def test_readings_agree_with_the_truth_of_the_bench(finished):
    _, _, bench, run = finished
    grid = light(run, "grid")
    truth = np.array(
        [
            float(
                bench.virtual.truth.ppfd_map(
                    row.x_mm, row.y_mm, row.window_start_s, row.window_end_s
                )
            )
            for _, row in grid.iterrows()
        ]
    )
    # The bench's sensor is up to some per cent off (calibration, cosine); gross faults of
    # place, time or unit would be far beyond that.
    assert np.abs(grid.value.to_numpy() / truth - 1.0).max() < 0.10


def test_no_light_is_read_before_the_stage_has_arrived(finished):
    _, _, bench, run = finished
    for _, row in light(run, "grid").iterrows():
        true_x, true_y, _ = bench.virtual.gantry.position(row.window_start_s)
        assert math.hypot(true_x - row.x_mm, true_y - row.y_mm) < 2.0


def test_the_scan_takes_at_most_a_twentieth_longer_than_its_physical_bound(finished):
    plan, profile, _, run = finished
    assert scan_ratio(run, plan, profile) <= 1.05


def test_a_doubled_settling_time_fails_the_scan_bound(tmp_path):
    planned = plan_of(tmp_path)
    doubled = plan_of(tmp_path, sampling={"settle_s": 2 * planned.sampling.settle_s})
    profile, bench = bench_of(tmp_path)
    run = run_folder.load(do_run(tmp_path, doubled, profile, bench))
    assert scan_ratio(run, planned, profile) > 1.05


class Hasty(VirtualPerson):
    """Says that the lamp is lit, and goes to light it."""

    WALKS_S = 40.0

    def ask(self, prompt):
        if prompt.kind != "lamp-on":
            super().ask(prompt)
            return
        self._answer = prompt.choices[0]
        later_s = self._clock.elapsed_s() + self.WALKS_S
        self._clock.call_at(later_s, lambda: self._bench.switch_lamp(True, later_s))


def test_time_on_counts_from_when_the_lamp_is_seen_to_be_lit(tmp_path):
    plan = plan_of(tmp_path)
    profile, bench = bench_of(tmp_path)
    hasty = Hasty(bench, plan.device.name)
    run = run_folder.load(do_run(tmp_path, plan, profile, bench, operator=hasty))
    events = run.events
    said = events[(events.event == "answer") & (events.subject == "lamp-on")]
    said_s = float(said.elapsed_s.iloc[0])
    lit_s = float(events[events.event == "lamp-lit"].elapsed_s.iloc[0])
    assert lit_s >= said_s + Hasty.WALKS_S


def test_two_heights_by_hand_are_two_installations_with_a_cooled_lamp_between(tmp_path):
    plan = plan_of(tmp_path, heights={"mounting_height_mm": [400.0, 500.0]})
    profile, bench = bench_of(tmp_path, scenario={"gantry": {"travel_z_mm": None}})
    run = run_folder.load(do_run(tmp_path, plan, profile, bench))
    grid = light(run, "grid")
    assert set(zip(grid.installation, grid.mounting_height_mm, strict=True)) == {
        (1, 400.0),
        (2, 500.0),
    }
    events = run.events
    off_s = float(events[events.event == "lamp-off"].elapsed_s.iloc[0])
    lit_s = float(events[events.event == "lamp-lit"].elapsed_s.iloc[-1])
    assert lit_s - off_s >= plan.lamp.minimum_off_s


def test_a_height_axis_is_driven_and_the_rule_checked_again(tmp_path):
    plan = plan_of(tmp_path, heights={"mounting_height_mm": [400.0, 500.0]})
    profile, bench = bench_of(tmp_path, scenario={"gantry": {"travel_z_mm": [250.0, 900.0]}})
    run = run_folder.load(do_run(tmp_path, plan, profile, bench))
    events = list(run.events.event)
    assert events.count("lamp-lit") == 1
    assert events.count("lamp-stable") == 2
    assert set(light(run, "grid").installation) == {1}


def test_a_run_is_the_same_twice_to_the_byte(tmp_path):
    files = []
    for name in ("a", "b"):
        folder = tmp_path / name
        folder.mkdir()
        plan = plan_of(folder)
        profile, bench = bench_of(folder)
        files.append((do_run(folder, plan, profile, bench) / "readings.csv").read_bytes())
    assert files[0] == files[1]


def test_an_unstable_lamp_is_refused_when_the_wait_is_over(tmp_path):
    plan = plan_of(
        tmp_path,
        warm_up={"limit_percent": 0.02, "minimum_on_s": 300.0, "maximum_s": 900.0},
    )
    profile, bench = bench_of(tmp_path)
    with pytest.raises(RunStopped, match="not stable after 15 min") as stopped:
        do_run(tmp_path, plan, profile, bench)
    assert stopped.value.exit_code == 1
    run = run_folder.load(stopped.value.folder)
    assert "warm-up-timeout" in set(run.events.event)
    assert not len(light(run, "grid"))


def test_the_virtual_bench_is_the_one_the_profile_names(tmp_path):
    _, bench = bench_of(tmp_path)
    assert isinstance(bench.clock, VirtualClock)
    assert isinstance(bench.virtual, VirtualBench)
    assert usual_instruments(bench.virtual).light_sensor.address == "0"
