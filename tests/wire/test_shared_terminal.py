"""Three Modbus instruments of the virtual bench on one pseudo-terminal, read over real ports.

minimalmodbus reads them too: a second opinion on what the far end says.
"""

from __future__ import annotations

import threading

import minimalmodbus
import pytest

from drivers.bus import Bus
from drivers.clock import SystemClock
from drivers.line import SerialSettings
from drivers.modbus.options import QuantumSensorOptions
from drivers.modbus.register_sensor import RegisterSensor
from drivers.serial_line import SerialLine
from drivers.simulated.modbus_makes import ModbusSensor
from drivers.simulated.modbus_peer import ModbusPeer
from drivers.simulated.shared_wire import SharedWire
from drivers.simulated.terminals import Terminals

pytestmark = pytest.mark.wire

BAUD = 19200
VALUES = {1: 100.5, 2: 200.25, 3: 300.125}


def sensor(address):
    data = ModbusSensor(address=address, baud=BAUD)
    return ModbusPeer(data, lambda start_s, end_s: {"ppfd_umol_m2_s": VALUES[address]})


@pytest.fixture
def port():
    clock = SystemClock()
    wire = SharedWire([sensor(address) for address in VALUES])
    with Terminals({"bus": wire}, {"bus": 10 / BAUD}, clock) as terminals:
        ended = threading.Event()

        def serve():
            while not ended.is_set():
                terminals.serve(clock.elapsed_s() + 0.05)

        thread = threading.Thread(target=serve)
        thread.start()
        yield terminals.ports["bus"]
        ended.set()
        thread.join(5.0)


def test_three_sensors_on_one_port_are_read_in_turn(port):
    clock = SystemClock()
    bus = Bus(SerialLine(port, SerialSettings(BAUD), clock), clock)
    done = {
        RegisterSensor(
            "ppfd_umol_m2_s",
            QuantumSensorOptions(port=port, address=address, baud=BAUD, register=0),
            bus,
            clock,
            "light sensor",
        ): []
        for address in VALUES
    }
    for instrument in done:
        instrument.start()
    while min(map(len, done.values())) < 10:
        for instrument, values in done.items():
            if (readings := instrument.poll()) is not None:
                values.append(readings[0].value)
                instrument.start()
        clock.wait_until(min(one.wake_s for one in done), watching=[bus.line])
    for instrument, value in zip(done, VALUES.values(), strict=True):
        assert set(done[instrument]) == {value}
    assert max(map(len, done.values())) - min(map(len, done.values())) <= 1
    for instrument in done:
        instrument.close()
    assert bus.line.fileno() is None


def test_minimalmodbus_reads_the_same_from_the_shared_line(port):
    for address, value in VALUES.items():
        client = minimalmodbus.Instrument(port, address)
        client.serial.baudrate = BAUD
        client.serial.timeout = 0.5
        assert client.read_float(0) == value
        client.serial.close()
