"""Our Modbus driver over a real serial port against pymodbus's own server."""

import pytest

from drivers.clock import SystemClock
from drivers.errors import DeviceFault, NoReply
from drivers.modbus.options import PowerMeterOptions, RegisterOptions, line_settings
from drivers.modbus.power_meter import PowerMeter
from drivers.serial_line import SerialLine
from tests.drivers.far_end import finish
from tests.wire.serial_server import SerialServer, Wire, words_of_float

pytestmark = pytest.mark.wire

MAP = [
    RegisterOptions(quantity="wall_power_w", register=40),
    RegisterOptions(quantity="line_voltage_v", register=42, type="uint16", scale=0.1),
    RegisterOptions(quantity="line_current_a", register=43, type="int32", scale=0.001),
    RegisterOptions(quantity="power_factor", register=45, type="int16", scale=0.001),
]
WORDS = [*words_of_float(612.5), 2301, 0, 2750, 0x10000 - 968]


@pytest.fixture(scope="module")
def port():
    wire = Wire()
    server = SerialServer(wire.ports[1], WORDS)
    yield wire.ports[0]
    server.close()
    wire.close()


@pytest.fixture
def meter_with(port):
    made = []

    def make(**options):
        options = PowerMeterOptions(port=port, **({"registers": MAP} | options))
        clock = SystemClock()
        line = SerialLine(port, line_settings(options), clock)
        meter = PowerMeter(options, line, clock, "power meter")
        made.append(meter)
        return meter, clock

    yield make
    for meter in made:
        meter.close()


def values(readings):
    return {reading.quantity: reading.value for reading in readings}


@pytest.mark.parametrize("function", [3, 4])
def test_all_quantities_are_read(meter_with, function):
    rows = [
        RegisterOptions(
            quantity=row.quantity,
            register=row.register,
            type=row.type,
            scale=row.scale,
            function=function,
        )
        for row in MAP
    ]
    meter, clock = meter_with(registers=rows)
    for _ in range(3):
        meter.start()
        assert values(finish(meter, clock)) == pytest.approx(
            {
                "wall_power_w": 612.5,
                "line_voltage_v": 230.1,
                "line_current_a": 2.75,
                "power_factor": -0.968,
            }
        )


def test_the_server_says_who_it_is(meter_with):
    meter, clock = meter_with()
    meter.start_identify()
    assert finish(meter, clock, poll=meter.poll_identity) == "Modbus address 1: Evenfall PM-1 1.0"


def test_a_register_that_is_not_there_is_a_fault_of_the_device(meter_with):
    rows = [RegisterOptions(quantity="wall_power_w", register=900)]
    meter, clock = meter_with(registers=rows)
    meter.start()
    with pytest.raises(DeviceFault, match=r"exception 2 \(illegal data address\)"):
        finish(meter, clock)


def test_an_address_that_the_server_lacks_gives_an_error_and_no_value(meter_with):
    meter, clock = meter_with(address=9, reply_within_s=0.2)
    meter.start()
    with pytest.raises((NoReply, DeviceFault)):
        finish(meter, clock)
