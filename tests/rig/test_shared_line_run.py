"""A whole run with the wattmeter and both light sensors on one RS-485 line of the virtual bench."""

from __future__ import annotations

import pytest
from attrs import evolve

from analysis.run_folder import load
from drivers.simulated.attach import usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.instruments import Instruments
from drivers.simulated.modbus_makes import ModbusSensor, SunSpecMeter
from drivers.simulated.peer import Fault
from drivers.simulated.scenario import packaged
from rig.demo.show import HurriedStorage
from tests.rig.bench_run import bench_of, do_run, plan_of

FAULTS = (
    Fault(kind="drop", at_exchange=20),
    Fault(kind="delay", at_exchange=35, delay_s=0.52),
    Fault(kind="wrong-address", at_exchange=50, address="1"),
    Fault(kind="truncate", at_exchange=70, keep_bytes=4),
)


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shared")
    instruments = evolve(
        usual_instruments(VirtualBench.from_scenario(packaged("demo"))),
        power_meter=SunSpecMeter(address=1),
        light_sensor=ModbusSensor(line="power_meter", address=2, faults=FAULTS),
        monitor_sensor=ModbusSensor(line="power_meter", address=3),
    )
    profile, bench = bench_of(folder, instruments=instruments)
    path = do_run(folder, plan_of(folder), profile, bench, storage=HurriedStorage())
    return profile, load(path)


def of(run, quantity, instrument):
    table = run.readings
    return table[(table["quantity"] == quantity) & (table["instrument"] == instrument)]


def test_the_profile_has_three_instruments_on_one_port(finished):
    profile, _ = finished
    kinds = {
        name: entry.kind
        for name, entry in profile.instruments.items()
        if entry.options.port == "bench:power_meter"
    }
    assert kinds == {
        "light_sensor": "modbus-quantum-sensor",
        "monitor_sensor": "modbus-quantum-sensor",
        "power_meter": "sunspec-power-meter",
    }


def test_every_point_is_read_with_the_monitor_beside_it(finished):
    _, run = finished
    light = of(run, "ppfd_umol_m2_s", "light_sensor")
    grid = light[(light["role"] == "grid") & (light["status"] == "ok")]
    assert len(grid) == 9 * 2
    assert (grid["value"] > 50.0).all()
    assert len(of(run, "ppfd_umol_m2_s", "monitor_sensor")) >= len(grid)
    # The two samples of a point are of one light: a value of another point would stand out.
    spread = grid.groupby(["grid_row", "grid_column"])["value"].agg(lambda v: v.max() / v.min())
    assert spread.max() < 1.05


def test_wall_power_is_read_at_least_once_a_second_all_the_time(finished):
    _, run = finished
    power = of(run, "wall_power_w", "power_meter")
    # A light sensor that is silent holds the line for half a second.
    assert power["window_end_s"].diff().max() < 1.6
    assert power["window_end_s"].diff().median() < 1.05
    begun_s = run.events[run.events["event"] == "map-begun"]["elapsed_s"].iloc[0]
    lit = power[power["window_start_s"] > begun_s]
    assert len(lit) > 50
    assert lit["value"].max() < 1.05 * lit["value"].min()


def test_faults_of_one_instrument_on_the_line_are_not_those_of_another(finished):
    _, run = finished
    told = run.events[run.events["event"] == "fault"]
    assert set(told["subject"]) == {"light_sensor"}
    assert len(told) == len(FAULTS)
    failed = run.readings[run.readings["status"] != "ok"]
    assert set(failed["instrument"]) == {"light_sensor"}


def test_an_instrument_is_put_on_the_line_of_another_in_the_file_of_instruments():
    made = Instruments.from_table(
        {
            "format": 1,
            "light_sensor": {"speaks": "modbus", "line": "power_meter", "address": 2},
            "power_meter": {"speaks": "sunspec", "model": 213, "base": 0},
        }
    )
    assert isinstance(made.light_sensor, ModbusSensor)
    assert (made.light_sensor.line, made.power_meter.model) == ("power_meter", 213)
