"""Whole runs of the virtual bench: two light sensors on one SDI-12 bus, and one that prints."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import evolve

from analysis.run_folder import load
from drivers.simulated.ascii_printer import AsciiPrinter
from drivers.simulated.attach import usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.instruments import Sdi12Sensor
from drivers.simulated.peer import Fault
from drivers.simulated.scenario import packaged
from rig.demo.show import HurriedStorage
from tests.rig.bench_run import bench_of, do_run, plan_of

pytestmark = pytest.mark.slow

SHARED = {
    "monitor_sensor": Sdi12Sensor(address="1", serial="SIM-0002", line="light_sensor"),
}
# A character garbled, a line cut, one that never came, and one doubled.
LINE_FAULTS = (
    Fault(kind="garble", at_exchange=30, at_byte=2),
    Fault(kind="truncate", at_exchange=45, keep_bytes=6),
    Fault(kind="drop", at_exchange=60),
    Fault(kind="double", at_exchange=70),
)
PRINTS = {"light_sensor": AsciiPrinter(free_running=True, interval_s=0.5, faults=LINE_FAULTS)}


@pytest.fixture(scope="module", params=[SHARED, PRINTS], ids=["shared", "prints"])
def finished(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("run")
    usual = usual_instruments(VirtualBench.from_scenario(packaged("demo")))
    profile, bench = bench_of(folder, instruments=evolve(usual, **request.param))
    path = do_run(folder, plan_of(folder), profile, bench, storage=HurriedStorage())
    return load(path)


def light(run, instrument, role):
    table = run.readings
    is_it = (table["instrument"] == instrument) & (table["role"] == role)
    return table[is_it & (table["quantity"] == "ppfd_umol_m2_s") & (table["status"] == "ok")]


def test_every_point_is_read_and_the_monitor_beside_it(finished):
    grid, beside = (
        light(finished, "light_sensor", "grid"),
        light(finished, "monitor_sensor", "monitor"),
    )
    assert len(grid) == 9 * 2
    assert len(beside) >= len(grid)


def test_no_wrong_value_stands_among_the_samples_of_a_point(finished):
    grid = light(finished, "light_sensor", "grid")
    values = grid.groupby(["grid_row", "grid_column"])["value"]
    assert values.agg(lambda v: v.max() / v.min()).max() < 1.05
    assert np.isfinite(grid["value"]).all()


def test_the_monitor_is_read_in_the_window_of_the_light(finished):
    grid = light(finished, "light_sensor", "grid")
    beside = light(finished, "monitor_sensor", "monitor")
    apart_s = [np.abs(beside["window_end_s"] - end_s).min() for end_s in grid["window_end_s"]]
    assert max(apart_s) < 1.6
