"""Several Modbus devices on one pair of wires, each asked as often as it can be."""

from __future__ import annotations

import itertools
import math

import pytest

from drivers.bus import Bus
from drivers.clock import VirtualClock
from drivers.errors import DriverError, NoReply
from drivers.line import SerialSettings
from drivers.memory_line import MemoryLine
from drivers.modbus.frames import silent_interval_s
from drivers.modbus.options import (
    PowerMeterOptions,
    QuantumSensorOptions,
    RegisterOptions,
    SunSpecMeterOptions,
)
from drivers.modbus.power_meter import PowerMeter
from drivers.modbus.register_sensor import RegisterSensor
from drivers.modbus.sunspec_meter import SunSpecMeter
from drivers.simulated.modbus_makes import SunSpecMeter as SunSpecData
from tests.drivers.far_end import ScriptedPeer
from tests.drivers.modbus.register_bank import RegisterBank, of_float

BAUD = 9600
BYTE_S = 10 / BAUD
SILENCE_S = 3.5 * 11 / BAUD


def sensor_bank(address, **how):
    return RegisterBank(address, of_float(0, 100.0 * address), varies=True, **how)


def are_of(address, values):
    """Say whether readings are those of the sensor at this address, none twice, none stale."""
    in_order = all(before < after for before, after in itertools.pairwise(values))
    return in_order and bool(values) and all(0 <= v - 100.0 * address < 1.0 for v in values)


class Shared:
    """Three quantum sensors at addresses 1, 2 and 3, and the loop that asks them all."""

    def __init__(self, *banks, is_tcp=False, reply_within_s=0.5):
        self.clock = VirtualClock()
        self.banks = banks or tuple(sensor_bank(n) for n in (1, 2, 3))
        self.free_s: dict[int, float] = {}
        self.peer = ScriptedPeer(self.answer)
        self.line = MemoryLine("bus", SerialSettings(BAUD), self.clock, self.peer)
        self.bus = Bus(self.line, self.clock)
        framing = "tcp" if is_tcp else "rtu"
        self.devices = [
            RegisterSensor(
                "ppfd_umol_m2_s",
                QuantumSensorOptions(
                    port="bus",
                    address=bank.address,
                    register=0,
                    framing=framing,
                    reply_within_s=reply_within_s,
                ),
                self.bus,
                self.clock,
                f"sensor {bank.address}",
            )
            for bank in self.banks
        ]
        self.values = {device: [] for device in self.devices}
        self.faults = {device: [] for device in self.devices}

    def answer(self, request):
        """A device answers one request after the other, however long the first one takes."""
        now_s = self.clock.elapsed_s()
        parts = []
        for n, bank in enumerate(self.banks):
            for delay_s, reply in bank(request):
                leaves_s = max(now_s + delay_s, self.free_s.get(n, 0.0) + 0.001)
                self.free_s[n] = leaves_s + len(reply) * BYTE_S
                parts.append((leaves_s - now_s, reply))
        return parts

    def run(self, for_s):
        """Ask each anew as soon as it has answered or failed."""
        polls = 0
        for device in self.devices:
            device.start()
        while self.clock.elapsed_s() < for_s:
            for device in self.devices:
                if self.clock.elapsed_s() < device.wake_s and not self.line.readable():
                    continue
                polls += 1
                try:
                    readings = device.poll()
                except DriverError as fault:
                    self.faults[device].append(fault)
                    device.start()
                    continue
                if readings is not None:
                    self.values[device] += [reading.value for reading in readings]
                    device.start()
            self.clock.wait_until(
                min(device.wake_s for device in self.devices), watching=[self.line]
            )
        return polls


def test_three_devices_keep_the_line_as_busy_as_it_can_be():
    shared = Shared()
    shared.run(20.0)
    # Request of 8 bytes, 5 ms, reply of 9 bytes, then t3.5: nothing else.
    exchange_s = 8 * BYTE_S + 0.005 + 9 * BYTE_S + SILENCE_S
    done = sum(len(values) for values in shared.values.values())
    assert done == pytest.approx(20.0 / exchange_s, abs=1.0)


def test_no_frame_follows_another_within_the_silent_interval():
    shared = Shared()
    shared.run(5.0)
    events = [event for event in shared.line.events if event.kind in ("in", "out")]
    assert len(events) > 200
    for before, after in itertools.pairwise(events):
        if after.kind == "out":
            assert after.start_s - before.end_s >= silent_interval_s(BAUD) - 1e-9
        else:
            assert after.start_s >= before.end_s


def test_each_gets_its_own_value_and_none_starves():
    shared = Shared()
    shared.run(20.0)
    counts = [len(values) for values in shared.values.values()]
    assert max(counts) - min(counts) <= 1
    for n, values in enumerate(shared.values.values(), start=1):
        assert are_of(n, values)


def test_waiting_devices_are_not_polled_without_need():
    # With each of the three polled at every turn, at each of its wakings, that is some 15 polls
    # for an exchange; a loop that spins would make thousands.
    shared = Shared()
    polls = shared.run(10.0)
    done = sum(len(values) for values in shared.values.values())
    assert polls < 20 * done


def test_one_silent_device_does_not_stop_the_others():
    shared = Shared(sensor_bank(1), sensor_bank(2, silent=(0,)), sensor_bank(3), reply_within_s=0.1)
    shared.run(10.0)
    first, silent, third = shared.devices
    assert shared.values[silent] == []
    assert all(isinstance(fault, NoReply) for fault in shared.faults[silent])
    # A round is two exchanges and one time allowed.
    round_s = 2 * (17 * BYTE_S + 0.005 + SILENCE_S) + 8 * BYTE_S + 0.1 + SILENCE_S
    for device, address in ((first, 1), (third, 3)):
        assert are_of(address, shared.values[device])
        assert len(shared.values[device]) == pytest.approx(10.0 / round_s, rel=0.05)
        assert shared.faults[device] == []


@pytest.mark.parametrize("late_s", [0.11, 0.125, 0.14, 0.2, 0.35])
def test_a_late_reply_of_one_is_never_taken_for_another(late_s):
    # One in five replies of the second device comes after its time, in somebody else's turn or
    # across it, where the two garble each other on a real wire.
    banks = [sensor_bank(n) for n in (1, 2, 3)]
    banks[1].delays_s = [late_s, *[0.005] * 4] * 40
    shared = Shared(*banks, reply_within_s=0.1)
    shared.run(10.0)
    for n, device in enumerate(shared.devices, start=1):
        assert are_of(n, shared.values[device])
        assert len(shared.values[device]) > 30
    assert shared.faults[shared.devices[1]]


def test_the_others_lose_nothing_to_a_whole_late_reply():
    banks = [sensor_bank(n) for n in (1, 2, 3)]
    # 0.1 s are allowed; the late one of 2 comes 12 ms into the turn of 3, whose reply takes 80 ms.
    banks[1].delays_s = [0.125]
    banks[2].delay_s = 0.08
    shared = Shared(*banks, reply_within_s=0.1)
    shared.run(0.5)
    assert [len(shared.faults[device]) for device in shared.devices] == [0, 1, 0]
    assert are_of(3, shared.values[shared.devices[2]])


def test_a_device_that_is_given_up_hands_its_turn_on():
    shared = Shared(reply_within_s=0.5)
    first, second, _ = shared.devices
    first.start()
    second.start()
    first.poll()
    second.poll()
    assert second.wake_s == math.inf
    first.cancel()
    assert second.wake_s == -math.inf


def test_stale_replies_behind_one_gateway_are_told_apart_by_their_numbers():
    banks = [sensor_bank(n, is_tcp=True) for n in (1, 2, 3)]
    banks[1].delays_s = [0.15, 0.005] * 30
    shared = Shared(*banks, is_tcp=True, reply_within_s=0.1)
    shared.run(5.0)
    numbers = [int.from_bytes(request[:2], "big") for _, request in shared.peer.requests]
    assert numbers == list(range(1, len(numbers) + 1))
    for n, device in enumerate(shared.devices, start=1):
        assert are_of(n, shared.values[device])
    assert shared.faults[shared.devices[0]] == shared.faults[shared.devices[2]] == []


def test_instruments_of_different_kinds_share_a_bus():
    sun = SunSpecData(address=4)
    true = dict.fromkeys(("wall_power_w", "line_voltage_v", "line_current_a"), 100.0)
    sun_bank = RegisterBank(4, sun.held(true | {"power_factor": 1.0, "line_frequency_hz": 50.0}, 3))
    shared = Shared(
        RegisterBank(1, of_float(0, 100.0)), RegisterBank(9, of_float(40, 612.5)), sun_bank
    )
    meter = PowerMeter(
        PowerMeterOptions(
            port="bus",
            address=9,
            registers=[RegisterOptions(quantity="wall_power_w", register=40)],
        ),
        shared.bus,
        shared.clock,
        "meter",
    )
    sunspec = SunSpecMeter(
        SunSpecMeterOptions(port="bus", address=4), shared.bus, shared.clock, "other meter"
    )
    shared.devices = [shared.devices[0], meter, sunspec]
    shared.values = {device: [] for device in shared.devices}
    shared.faults = {device: [] for device in shared.devices}
    shared.run(3.0)
    assert set(shared.values[shared.devices[0]]) == {100.0}
    assert set(shared.values[meter]) == {612.5}
    assert shared.values[sunspec][0] == 100.0
    assert all(faults == [] for faults in shared.faults.values())
