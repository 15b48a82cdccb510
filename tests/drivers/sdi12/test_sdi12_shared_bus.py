"""Several sensors on one SDI-12 bus, against the simulated ones, which obey the standard.

The simulated sensor gives up a plain measurement when another sensor is addressed, sleeps when
it hears another address, and hears nothing without a break: so what is shown here would fail if
the driver did not keep to the rules.
"""

import time
from itertools import pairwise

import pytest

from drivers.bus import Bus
from drivers.clock import VirtualClock
from drivers.errors import DeviceFault, DriverError, NoReply
from drivers.memory_line import MemoryLine
from drivers.sdi12.options import QuantumSensorOptions, line_settings
from drivers.sdi12.sensor import QuantumSensor
from drivers.simulated.instruments import Sdi12Sensor
from drivers.simulated.peer import Fault
from drivers.simulated.sdi12_peer import Sdi12Peer
from drivers.simulated.shared_wire import SharedWire
from tests.drivers.far_end import finish

PPFD = {"0": 100.5, "1": 222.5, "a": 333.5}


def shared(*addresses, faults=None, **options):
    """Return clock, line and one sensor for each address."""
    peers = [
        Sdi12Peer(
            Sdi12Sensor(address=address, faults=(faults or {}).get(address, ())),
            lambda start_s, end_s, address=address: PPFD[address],
        )
        for address in addresses
    ]
    clock = VirtualClock()
    made = [QuantumSensorOptions(port="memory", address=one, **options) for one in addresses]
    line = MemoryLine("memory", line_settings(made[0]), clock, SharedWire(peers))
    bus = Bus(line, clock)
    return clock, line, [QuantumSensor(one, bus, clock, f"sensor {one.address}") for one in made]


def finish_all(sensors, clock):
    """Drive all that were started, as the rig's loop does; return readings, or failures."""
    results = {}
    left = list(sensors)
    while left:
        for sensor in list(left):
            is_due = clock.elapsed_s() >= sensor.wake_s or any(
                line.readable() for line in sensor.lines
            )
            if not is_due:
                continue
            try:
                readings = sensor.poll()
            except DriverError as error:
                readings = (error,)
            if readings is not None:
                results[sensor] = readings[0]
                left.remove(sensor)
        if left:
            lines = [line for sensor in left for line in sensor.lines]
            clock.wait_until(min(sensor.wake_s for sensor in left), watching=lines)
    return [results[sensor] for sensor in sensors]


def commands(line):
    return [event.data.decode() for event in line.events if event.kind == "out"]


def test_a_lone_sensor_measures_plainly_and_sensors_that_share_measure_concurrently():
    clock, line, (lone,) = shared("0")
    lone.start()
    finish(lone, clock)
    assert commands(line) == ["0M!", "0D0!"]
    clock, line, sensors = shared("0", "1")
    for sensor in sensors:
        sensor.start()
    finish_all(sensors, clock)
    assert commands(line) == ["0C!", "1C!", "0D0!", "1D0!"]


def test_three_sensors_measure_at_the_same_time_and_each_gives_its_own_value():
    began = time.perf_counter()
    clock, _, sensors = shared("0", "1", "a", crc=True, averaging_s=0.8)
    for sensor in sensors:
        sensor.start()
    readings = finish_all(sensors, clock)
    assert [reading.value for reading in readings] == [100.5, 222.5, 333.5]
    assert [sensor.retries for sensor in sensors] == [0, 0, 0]
    # By hand: 0.12 s for the first to begin, 1 s announced, 3 × 0.16 s to fetch. One after
    # another would take more than three seconds.
    assert clock.elapsed_s() == pytest.approx(0.12 + 1.0 + 3 * 0.16, abs=0.03)
    latest_start_s = max(reading.window_start_s for reading in readings)
    assert latest_start_s < min(reading.window_end_s for reading in readings)
    assert time.perf_counter() - began < 0.5


def test_each_turn_on_a_shared_bus_begins_with_a_break_and_its_marking():
    clock, line, sensors = shared("0", "1")
    for sensor in sensors:
        sensor.start()
    finish_all(sensors, clock)
    kinds = [event.kind for event in line.events]
    assert kinds == ["break", "marking", "out", "in"] * 4
    for event in line.events:
        if event.kind == "break":
            assert event.end_s - event.start_s >= 12e-3
        if event.kind == "marking":
            assert event.end_s - event.start_s >= 8.33e-3


def test_nobody_speaks_while_somebody_else_does():
    clock, line, sensors = shared("0", "1", "a", crc=True)
    for _ in range(3):
        for sensor in sensors:
            sensor.start()
        finish_all(sensors, clock)
    spoken = sorted((e.start_s, e.end_s) for e in line.events if e.kind in ("out", "in", "break"))
    assert all(before[1] <= after[0] + 1e-9 for before, after in pairwise(spoken))
    assert len(spoken) > 50


def test_a_plain_measurement_keeps_the_bus_until_its_value_is_fetched():
    clock, line, sensors = shared("0", "1", command="M")
    for sensor in sensors:
        sensor.start()
    readings = finish_all(sensors, clock)
    assert [reading.value for reading in readings] == [100.5, 222.5]
    assert commands(line) == ["0M!", "0D0!", "1M!", "1D0!"]


def test_the_simulated_sensor_does_give_up_a_plain_measurement_that_is_disturbed():
    # The check above can fail: without the bus held, this is what would come.
    clock, line, (first, _) = shared("0", "1", command="M")
    first.start()
    until_s = 0.1  # the answer to 0M! is there by then, its value is not
    while first.poll() is None and clock.elapsed_s() < until_s:
        clock.wait_until(min(until_s, first.wake_s), watching=first.lines)
    line.write(b"1!")
    with pytest.raises(DeviceFault, match="gave up the measurement"):
        finish(first, clock)


def test_a_silent_sensor_takes_its_tries_and_the_other_is_read_all_the_same():
    drop = (Fault(kind="drop", at_exchange=1, exchanges=1e9),)
    clock, _, (dead, alive) = shared("0", "1", faults={"0": drop}, reply_within_s=0.05)
    dead.start()
    alive.start()
    failure, reading = finish_all([dead, alive], clock)
    assert isinstance(failure, NoReply)
    assert str(failure).startswith("sensor 0, memory address 0: no reply to '0C!' in 0.05 s")
    assert reading.value == 222.5
    assert (dead.retries, alive.retries) == (5, 0)


def test_a_sensor_cancelled_between_start_and_fetch_leaves_the_bus_free():
    clock, _, (first, second) = shared("0", "1")
    first.start()
    while clock.elapsed_s() < 0.3:
        assert first.poll() is None
        clock.wait_until(min(0.3, first.wake_s), watching=first.lines)
    first.cancel()
    second.start()
    (reading,) = finish(second, clock)
    assert reading.value == 222.5


def test_closing_one_of_two_leaves_the_line_to_the_other():
    clock, _, (first, second) = shared("0", "1")
    first.close()
    first.close()
    second.start()
    (reading,) = finish(second, clock)
    assert reading.value == 222.5
