"""A quantum sensor that is one number in the registers of a Modbus device."""

from __future__ import annotations

import math

import pytest

from drivers.modbus.options import QuantumSensorOptions, line_settings
from drivers.modbus.register_sensor import RegisterSensor
from drivers.options import OptionError
from tests.drivers.far_end import finish, wired
from tests.drivers.modbus.register_bank import RegisterBank, of_float


def bench(held, **options):
    made = QuantumSensorOptions(port="memory", **({"register": 0} | options))
    clock, _, line = wired(RegisterBank(made.address, held), line_settings(made))
    return clock, RegisterSensor("ppfd_umol_m2_s", made, line, clock, "light sensor")


def read(clock, sensor):
    sensor.start()
    (reading,) = finish(sensor, clock)
    return reading


@pytest.mark.parametrize(
    ("held", "options", "value"),
    [
        (of_float(0, 543.25), {}, 543.25),
        ({7: 0x2000, 8: 0x4419}, {"register": 7, "word_order": "little"}, 612.5),
        ({40: 5432}, {"register": 40, "type": "uint16", "scale": 0.1}, 543.2),
        ({0: 0xFFFE}, {"type": "int16"}, -2.0),
        ({0: 0, 1: 50000}, {"type": "uint32", "scale": 0.01, "function": 4}, 500.0),
    ],
)
def test_the_number_is_read_as_the_profile_describes_it(held, options, value):
    clock, sensor = bench(held, **options)
    reading = read(clock, sensor)
    assert (reading.quantity, reading.value) == ("ppfd_umol_m2_s", pytest.approx(value))


def test_its_window_ends_when_the_request_had_left_less_the_lag():
    clock, sensor = bench(of_float(0, 1.0), averaging_s=0.5, lag_s=0.2)
    reading = read(clock, sensor)
    left_s = 8 * 10 / 9600
    assert reading.window_end_s == pytest.approx(left_s - 0.2)
    assert reading.window_start_s == pytest.approx(left_s - 0.7)


@pytest.mark.parametrize(
    ("held", "options"),
    [
        ({0: 0x8000}, {"type": "int16", "no_value_codes": (-32768,)}),
        ({0: 0xFFFF}, {"type": "uint16", "scale": 0.1, "no_value_codes": (65534, 65535.0)}),
        (of_float(0, -9999.0), {"no_value_codes": (-9999.0,)}),
        (of_float(0, math.nan), {}),
        (of_float(0, math.inf), {}),
    ],
)
def test_a_number_that_means_no_value_is_missing(held, options):
    clock, sensor = bench(held, **options)
    assert read(clock, sensor).is_missing


def test_without_codes_every_number_is_a_value():
    clock, sensor = bench({0: 0x8000}, type="int16")
    assert read(clock, sensor).value == -32768.0


def test_a_sensor_without_identification_is_known_by_its_register():
    clock, sensor = bench(of_float(0, 1.0), address=5)
    sensor.start_identify()
    assert finish(sensor, clock, poll=sensor.poll_identity) == (
        "Modbus address 5: does not say who it is, its registers answer"
    )


def test_codes_must_be_numbers():
    with pytest.raises(OptionError, match="give a list of numbers"):
        QuantumSensorOptions(port="p", register=0, no_value_codes=("x",))
