"""Sensors that share an SDI-12 bus, and one that prints lines, on pseudo-terminals."""

import threading

import pytest

from drivers.ascii_line.options import AsciiLightSensorOptions
from drivers.ascii_line.options import line_settings as ascii_settings
from drivers.ascii_line.sensor import AsciiLineInstrument
from drivers.bus import Bus
from drivers.clock import SystemClock
from drivers.sdi12.options import QuantumSensorOptions
from drivers.sdi12.options import line_settings as sdi12_settings
from drivers.sdi12.sensor import QuantumSensor
from drivers.serial_line import SerialLine
from drivers.simulated.ascii_peer import AsciiPeer
from drivers.simulated.ascii_printer import AsciiPrinter
from drivers.simulated.instruments import Sdi12Sensor
from drivers.simulated.sdi12_peer import Sdi12Peer
from drivers.simulated.shared_wire import SharedWire
from drivers.simulated.terminals import Terminals

pytestmark = pytest.mark.wire


class Served:
    """One peer on a terminal, served by a thread for as long as the test lasts."""

    def __init__(self, peer, seconds_per_byte):
        self.clock = SystemClock()
        self._terminals = Terminals({"port": peer}, {"port": seconds_per_byte}, self.clock)
        self.port = self._terminals.ports["port"]
        self._ended = False
        self._thread = threading.Thread(target=self._serve)

    def _serve(self):
        while not self._ended:
            self._terminals.serve(self.clock.elapsed_s() + 0.05)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._ended = True
        self._thread.join(5.0)
        self._terminals.close()


def finish_all(instruments, clock):
    left, found = list(instruments), {}
    while left:
        for one in list(left):
            is_due = clock.elapsed_s() >= one.wake_s or any(line.readable() for line in one.lines)
            if is_due and (readings := one.poll()) is not None:
                found[one] = readings[0].value
                left.remove(one)
        if left:
            lines = [line for one in left for line in one.lines]
            clock.wait_until(min(one.wake_s for one in left), watching=lines)
    return [found[one] for one in instruments]


def test_two_sensors_on_one_terminal_measure_at_the_same_time():
    values = {"0": 100.5, "1": 222.5}
    peer = SharedWire(
        [
            Sdi12Peer(
                Sdi12Sensor(address=address, measuring_s=0.9),
                lambda start_s, end_s, value=value: value,
                carries_breaks=False,
            )
            for address, value in values.items()
        ]
    )
    with Served(peer, 10 / 1200) as served:
        options = [
            QuantumSensorOptions(
                port=served.port, address=one, character_format="8N1", send_break=False, crc=True
            )
            for one in values
        ]
        line = SerialLine(served.port, sdi12_settings(options[0]), served.clock)
        bus = Bus(line, served.clock)
        sensors = [
            QuantumSensor(one, bus, served.clock, f"sensor {one.address}") for one in options
        ]
        try:
            began_s = served.clock.elapsed_s()
            for sensor in sensors:
                sensor.start()
            assert finish_all(sensors, served.clock) == [100.5, 222.5]
            # One after another, each announcing 1 s, would take more than 2 s.
            assert served.clock.elapsed_s() - began_s < 2.0
        finally:
            for sensor in sensors:
                sensor.close()


@pytest.mark.parametrize("free_running", [False, True])
def test_a_sensor_that_prints_lines_is_read_on_a_terminal(free_running):
    peer = AsciiPeer(
        AsciiPrinter(free_running=free_running, interval_s=0.3), lambda start_s, end_s: 55.5
    )
    with Served(peer, 10 / 9600) as served:
        options = AsciiLightSensorOptions(
            port=served.port,
            mode="listen" if free_running else "poll",
            request="READ\r\n",
            pattern=r"PAR=(?P<value>\d+\.\d) umol",
            interval_s=0.3,
            identity_request="ID\r\n",
            identity_pattern="VIRTUAL.*",
        )
        line = SerialLine(served.port, ascii_settings(options), served.clock)
        sensor = AsciiLineInstrument(options, line, served.clock, "light sensor")
        try:
            for _ in range(2):
                sensor.start()
                assert finish_all([sensor], served.clock) == [55.5]
        finally:
            sensor.close()
