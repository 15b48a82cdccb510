"""Our Modbus drivers over the loopback against pymodbus's own network server."""

from __future__ import annotations

import struct

import pytest
from pymodbus import FramerType
from sunspec2 import device

from drivers.bus import Bus
from drivers.clock import SystemClock
from drivers.errors import DeviceFault, NoReply, PortLost
from drivers.modbus.options import (
    PowerMeterOptions,
    QuantumSensorOptions,
    RegisterOptions,
    SunSpecMeterOptions,
)
from drivers.modbus.power_meter import PowerMeter
from drivers.modbus.register_sensor import RegisterSensor
from drivers.modbus.sunspec_meter import SunSpecMeter
from drivers.options import tcp_address
from drivers.tcp_line import TcpLine
from tests.drivers.far_end import finish
from tests.wire.serial_server import words_of_float
from tests.wire.tcp_server import TcpServer

pytestmark = pytest.mark.wire


def sunspec_image() -> list[int]:
    """A SunSpec meter laid out by pysunspec2, not by us."""
    common, meter = device.Model(model_id=1), device.Model(model_id=203)
    for name, said in (("Mn", "Maker"), ("Md", "PM-7"), ("SN", "A-0042")):
        common.points[name].value = said
    for name, exponent in (("W", -1), ("V", -1), ("A", -3), ("PF", -1), ("Hz", -2)):
        meter.points[f"{name}_SF"].value = exponent
    for name, value in (("W", 612.5), ("PhV", 230.1), ("A", 2.713), ("PF", 98.0), ("Hz", 49.98)):
        meter.points[name].cvalue = value
    data = b"SunS" + common.get_mb() + meter.get_mb() + b"\xff\xff\x00\x00"
    return list(struct.unpack(f">{len(data) // 2}H", data))


@pytest.fixture(scope="module")
def server():
    made = TcpServer(
        {
            1: {40: [*words_of_float(612.5), 2301]},
            2: {0: words_of_float(543.25)},
            3: {40000: sunspec_image()},
        }
    )
    yield f"tcp://127.0.0.1:{made.port}"
    made.close()


@pytest.fixture
def open_bus():
    opened = []

    def make(port):
        clock = SystemClock()
        opened.append(Bus(TcpLine(*tcp_address(port), clock), clock))
        return opened[-1], clock

    yield make
    for bus in opened:
        bus.line.close()


MAP = [
    RegisterOptions(quantity="wall_power_w", register=40),
    RegisterOptions(quantity="line_voltage_v", register=42, type="uint16", scale=0.1),
]


def power_meter(port, bus, clock, **options):
    made = PowerMeterOptions(port=port, **({"registers": MAP} | options))
    return PowerMeter(made, bus, clock, "wattmeter")


def measured(instrument, clock):
    instrument.start()
    return {reading.quantity: reading.value for reading in finish(instrument, clock)}


def test_registers_are_read(server, open_bus):
    bus, clock = open_bus(server)
    meter = power_meter(server, bus, clock)
    for _ in range(3):
        found = measured(meter, clock)
        assert found == {"wall_power_w": 612.5, "line_voltage_v": pytest.approx(230.1)}


def test_the_server_says_who_it_is(server, open_bus):
    bus, clock = open_bus(server)
    meter = power_meter(server, bus, clock)
    meter.start_identify()
    found = finish(meter, clock, poll=meter.poll_identity)
    assert found == "Modbus address 1: Evenfall PM-2 2.0"


def test_a_register_that_is_not_there_is_refused(server, open_bus):
    bus, clock = open_bus(server)
    rows = [RegisterOptions(quantity="wall_power_w", register=900)]
    meter = power_meter(server, bus, clock, registers=rows)
    meter.start()
    with pytest.raises(DeviceFault, match=r"exception 2 \(illegal data address\)"):
        finish(meter, clock)


def test_a_sunspec_meter_is_found_and_read(server, open_bus):
    bus, clock = open_bus(server)
    meter = SunSpecMeter(SunSpecMeterOptions(port=server, address=3), bus, clock, "wattmeter")
    assert measured(meter, clock) == pytest.approx(
        {
            "wall_power_w": 612.5,
            "line_voltage_v": 230.1,
            "line_current_a": 2.713,
            "power_factor": 0.98,
            "line_frequency_hz": 49.98,
        }
    )
    meter.start_identify()
    found = finish(meter, clock, poll=meter.poll_identity)
    assert found == "Modbus address 3: Maker PM-7, serial number A-0042"


def test_two_units_behind_one_connection_are_read_in_turn(server, open_bus):
    bus, clock = open_bus(server)
    meter = power_meter(server, bus, clock)
    options = QuantumSensorOptions(port=server, address=2, register=0)
    sensor = RegisterSensor("ppfd_umol_m2_s", options, bus, clock, "light sensor")
    done = {meter: [], sensor: []}
    for instrument in done:
        instrument.start()
    while min(map(len, done.values())) < 50:
        for instrument, values in done.items():
            if (readings := instrument.poll()) is not None:
                values.append(readings[0].value)
                instrument.start()
        clock.wait_until(min(one.wake_s for one in done), watching=[bus.line])
    assert set(done[meter]) == {612.5}
    assert set(done[sensor]) == {543.25}
    assert abs(len(done[meter]) - len(done[sensor])) <= 1


def test_a_unit_that_is_not_there_gives_no_value(server, open_bus):
    bus, clock = open_bus(server)
    meter = power_meter(server, bus, clock, address=9, reply_within_s=0.2)
    meter.start()
    with pytest.raises((NoReply, DeviceFault)):
        finish(meter, clock)


def test_rtu_frames_pass_through_a_device_server(open_bus):
    server = TcpServer({1: {40: [*words_of_float(612.5), 2301]}}, framer=FramerType.RTU)
    try:
        port = f"tcp://127.0.0.1:{server.port}"
        bus, clock = open_bus(port)
        meter = power_meter(port, bus, clock, framing="rtu")
        assert measured(meter, clock)["wall_power_w"] == 612.5
    finally:
        server.close()


def test_a_server_that_goes_away_is_a_lost_port(open_bus):
    server = TcpServer({1: {40: [*words_of_float(612.5), 2301]}})
    port = f"tcp://127.0.0.1:{server.port}"
    bus, clock = open_bus(port)
    meter = power_meter(port, bus, clock)
    assert measured(meter, clock)["wall_power_w"] == 612.5
    server.close()
    meter.start()
    with pytest.raises(PortLost, match=r"^wattmeter, tcp://"):
        finish(meter, clock)
