"""Each kind has options that explain themselves, and can be made without a port."""

import subprocess
import sys

import attrs
import pytest

from drivers import registry
from drivers.ascii_line.options import AsciiLightSensorOptions
from drivers.clock import VirtualClock
from drivers.gcode.options import GantryOptions
from drivers.line import SerialSettings
from drivers.memory_line import MemoryLine
from drivers.modbus.options import PowerMeterOptions, RegisterOptions, SunSpecMeterOptions
from drivers.modbus.options import QuantumSensorOptions as ModbusSensorOptions
from drivers.options import OptionError
from drivers.scpi.options import QueryOptions, ScpiPowerMeterOptions
from drivers.sdi12.options import QuantumSensorOptions
from tests.drivers.far_end import ScriptedPeer

WATTS = RegisterOptions(quantity="wall_power_w", register=40)
TRAVEL = {"travel_x_mm": (0.0, 1200.0), "travel_y_mm": (0.0, 1200.0)}
EXAMPLES = {
    "sdi12-quantum-sensor": (QuantumSensorOptions(port="p"), "1200 7E1"),
    "ascii-line-light-sensor": (
        AsciiLightSensorOptions(port="p", request="R\r\n", pattern=r"(?P<value>[\d.]+)"),
        "9600 8N1",
    ),
    "modbus-power-meter": (PowerMeterOptions(port="p", registers=[WATTS]), "9600 8N1"),
    "modbus-quantum-sensor": (ModbusSensorOptions(port="p", register=0), "9600 8N1"),
    "sunspec-power-meter": (SunSpecMeterOptions(port="p"), "9600 8N1"),
    "scpi-power-meter": (
        ScpiPowerMeterOptions(
            port="p", queries=[QueryOptions(quantity="wall_power_w", query="MEAS:POW?")]
        ),
        "9600 8N1",
    ),
    "gcode-gantry": (GantryOptions(port="p", **TRAVEL), "115200 8N1"),
}


@pytest.mark.parametrize("name", registry.KINDS)
def test_every_option_has_a_unit_and_an_explanation(name):
    for field in attrs.fields(registry.KINDS[name].options):
        assert "unit" in field.metadata, field.name
        assert field.metadata["doc"].endswith("."), field.name


@pytest.mark.parametrize("name", EXAMPLES)  # that every kind can: tests/drivers/test_contract.py
def test_a_kind_can_be_made_from_few_options_and_has_the_line_of_its_protocol(name):
    kind = registry.KINDS[name]
    options, settings = EXAMPLES[name]
    assert isinstance(options, kind.options)
    made = kind.line_settings(options)
    assert f"{made.baud} {made.character_format}" == settings
    clock = VirtualClock()
    line = MemoryLine("memory", made, clock, ScriptedPeer(lambda request: ()))
    instrument = kind.make(options, line, clock, "thing on the bench")
    assert instrument.device.startswith("thing on the bench, memory")
    assert list(instrument.lines) == [line]
    assert not line.events  # nothing is sent by making it
    instrument.close()
    instrument.close()


def test_knowing_the_kinds_loads_no_driver():
    code = "import sys, drivers.registry; print([m for m in sys.modules if 'pymodbus' in m])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: PowerMeterOptions(port="p", registers=[WATTS], address=300),
            "address is 300; give a whole number from 1 to 255",
        ),
        (
            lambda: PowerMeterOptions(port="p", registers=[WATTS], averaging_s="x"),
            "averaging_s is 'x'; give a number in s, 0 or more",
        ),
        (
            lambda: PowerMeterOptions(port="p", registers=[]),
            "registers is []; give one [[power_meter.registers]] table",
        ),
        (
            lambda: RegisterOptions(quantity="watts", register=1),
            "quantity is 'watts'; give one of 'wall_power_w', 'line_voltage_v'",
        ),
        (
            lambda: RegisterOptions(quantity="wall_power_w", register=True),
            "register is True; give a whole number from 0 to 65535",
        ),
        (
            lambda: QuantumSensorOptions(port="p", address="10"),
            "address is '10'; give one letter or digit in quotes, e.g. '0'",
        ),
        (
            lambda: QuantumSensorOptions(port="p", send_break=1),
            "send_break is 1; give true or false",
        ),
        (
            lambda: QuantumSensorOptions(port="p", baud=1200.0),
            "baud is 1200.0; give one of 1200",
        ),
        (lambda: QuantumSensorOptions(port=""), "port is ''; give some text in quotes"),
        (
            lambda: QuantumSensorOptions(port="p", calibrated_on="2026-01-01"),
            "calibrated_on is '2026-01-01'; give a date without quotes",
        ),
        (
            lambda: GantryOptions(port="p", travel_x_mm=(10.0, 0.0), travel_y_mm=(0.0, 1.0)),
            "travel_x_mm is (10.0, 0.0); give two numbers in mm, the lower first",
        ),
        (
            lambda: GantryOptions(port="p", **TRAVEL, speed_mm_s=0),
            "speed_mm_s is 0; give a number in mm/s above 0",
        ),
        (
            lambda: GantryOptions(port="p", **TRAVEL, speed_mm_s=float("nan")),
            "speed_mm_s is nan; give a number in mm/s above 0",
        ),
    ],
)
def test_a_value_that_is_not_allowed_is_named_with_what_is(make, message):
    with pytest.raises(OptionError) as caught:
        make()
    assert str(caught.value).startswith(message)


def test_settings_refuse_what_no_wire_has():
    with pytest.raises(ValueError, match="data_bits"):
        SerialSettings(9600, data_bits=9)
