"""The instruments of the bench are data, and a fault of the data is told with its path."""

import tomllib

import pytest

from drivers.simulated import instruments
from drivers.simulated.instruments import Instruments
from drivers.simulated.spec import ScenarioError


def test_what_is_left_out_keeps_its_default():
    assert Instruments.from_table({}) == Instruments()
    assert Instruments().monitor_sensor.serial != Instruments().light_sensor.serial


def test_example_of_the_module_is_read():
    example = instruments.__doc__.split("::\n\n")[1]
    made = Instruments.from_table(tomllib.loads(example))
    assert [(f.kind, f.at_exchange) for f in made.light_sensor.faults] == [("drop", 12)]
    assert made.power_meter.baud == 19_200
    assert made.monitor_sensor is not None


def test_all_faults_are_told_at_once():
    table = {
        "light_sensor": {"adress": "0", "measuring_s": -1.0},
        "power_meter": {"address": 300},
        "stage": {"travel_x_mm": "far"},
    }
    with pytest.raises(ScenarioError) as caught:
        Instruments.from_table(table, "instruments.toml")
    told = "\n".join(caught.value.faults)
    for part in ("adress", "light_sensor", "power_meter", "travel_x_mm"):
        assert part in told
    assert len(caught.value.faults) >= 3


def test_newer_format_is_refused():
    with pytest.raises(ScenarioError, match="format is 2; this program reads format 1"):
        Instruments.from_table({"format": 2})
