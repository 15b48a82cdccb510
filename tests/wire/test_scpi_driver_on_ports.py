"""Our SCPI driver over real ports: a TCP connection on the loopback, and a pseudo-terminal."""

import threading

import pytest

from drivers.clock import SystemClock
from drivers.errors import DeviceFault, NoReply, PortLost
from drivers.options import tcp_address
from drivers.scpi.options import QueryOptions, ScpiPowerMeterOptions, line_settings
from drivers.scpi.power_meter import PowerMeter
from drivers.serial_line import SerialLine
from drivers.simulated.peer import Fault
from drivers.simulated.scpi_meter import ScpiMeter
from drivers.simulated.scpi_peer import ScpiPeer
from drivers.simulated.terminals import Terminals
from drivers.tcp_line import TcpLine
from tests.drivers.far_end import finish
from tests.wire.peer_on_tcp import PeerOnTcp

pytestmark = pytest.mark.wire

VALUES = {"wall_power_w": 612.5, "line_voltage_v": 230.1}
QUERIES = [
    QueryOptions(quantity="wall_power_w", query="FETC:ALL?", field=1, fields=5),
    QueryOptions(quantity="line_voltage_v", query="MEAS:VOLT?"),
]


def peer_of(**data):
    every = VALUES | {"line_current_a": 2.75, "power_factor": 0.968, "line_frequency_hz": 50.0}
    return ScpiPeer(ScpiMeter(averaging_s=0.05, **data), lambda start_s, end_s: every)


def values(readings):
    return {reading.quantity: reading.value for reading in readings}


@pytest.fixture
def on_tcp():
    made = []

    def make(peer, **options):
        served = PeerOnTcp(peer)
        made.append(served)
        options = ScpiPowerMeterOptions(port=served.port, queries=QUERIES, **options)
        clock = SystemClock()
        meter = PowerMeter(options, TcpLine(*tcp_address(served.port), clock), clock, "wattmeter")
        made.append(meter)
        return served, meter, clock

    yield make
    for one in made:
        one.close()


def test_values_and_identity_come_over_tcp(on_tcp):
    _, meter, clock = on_tcp(peer_of(), serial_number="SIM-0101")
    for _ in range(5):
        meter.start()
        readings = finish(meter, clock)
        assert values(readings) == VALUES
        assert all(reading.window_end_s <= clock.elapsed_s() for reading in readings)
    meter.start_identify()
    assert "SIM-0101" in finish(meter, clock, poll=meter.poll_identity)


def test_a_silent_instrument_on_tcp_is_given_up_in_time(on_tcp):
    _, meter, clock = on_tcp(
        peer_of(faults=(Fault(kind="drop", at_exchange=1, exchanges=1),)), reply_within_s=0.2
    )
    meter.start()
    begun_s = clock.elapsed_s()
    with pytest.raises(NoReply):
        finish(meter, clock)
    assert clock.elapsed_s() - begun_s < 1.0
    meter.start()
    assert values(finish(meter, clock)) == VALUES


def test_an_error_over_tcp_is_told(on_tcp):
    _, meter, clock = on_tcp(peer_of(faults=(Fault(kind="error", at_exchange=2, code=-222),)))
    meter.start()
    with pytest.raises(DeviceFault, match="Data out of range"):
        finish(meter, clock)


def test_an_instrument_that_hangs_up_is_a_lost_port(on_tcp):
    served, meter, clock = on_tcp(peer_of())
    meter.start()
    finish(meter, clock)
    served.hang_up()
    meter.start()
    with pytest.raises(PortLost, match="wattmeter, tcp://127"):
        finish(meter, clock)


def test_values_come_over_a_serial_port():
    clock = SystemClock()
    with Terminals({"power_meter": peer_of()}, {"power_meter": 10 / 9600}, clock) as terminals:
        ended = threading.Event()

        def serve():
            while not ended.is_set():
                terminals.serve(clock.elapsed_s() + 0.05)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            port = terminals.ports["power_meter"]
            options = ScpiPowerMeterOptions(port=port, queries=QUERIES)
            line = SerialLine(port, line_settings(options), clock)
            meter = PowerMeter(options, line, clock, "wattmeter")
            for _ in range(2):
                meter.start()
                assert values(finish(meter, clock)) == VALUES
            meter.close()
        finally:
            ended.set()
            thread.join(5.0)
