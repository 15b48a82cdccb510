"""How the marker is found, the models walked, and what a meter without them is told."""

from __future__ import annotations

import pytest

from drivers.errors import DeviceFault, NoReply
from drivers.modbus.options import SunSpecMeterOptions, line_settings
from drivers.modbus.sunspec_meter import SunSpecMeter
from drivers.simulated.modbus_makes import SunSpecMeter as Data
from tests.drivers.far_end import finish, wired
from tests.drivers.modbus.register_bank import RegisterBank

TRUE = {
    "wall_power_w": 612.5,
    "line_voltage_v": 230.1,
    "line_current_a": 2.713,
    "power_factor": 0.98,
    "line_frequency_hz": 49.98,
}
MARKER = {40000: 0x5375, 40001: 0x6E53}


def bench(held, **options):
    made = SunSpecMeterOptions(port="memory", **options)
    bank = RegisterBank(1, held)
    clock, _, line = wired(bank, line_settings(made))
    return clock, bank, SunSpecMeter(made, line, clock, "wattmeter")


def measured(meter, clock):
    meter.start()
    return {reading.quantity: reading for reading in finish(meter, clock)}


@pytest.mark.parametrize(
    ("base", "tried"), [(40000, [40000]), (0, [40000, 0]), (50000, [40000, 0, 50000])]
)
def test_the_marker_is_looked_for_at_the_three_bases_in_order(base, tried):
    clock, bank, meter = bench(Data(base=base).held(TRUE, 3))
    found = measured(meter, clock)
    assert {name: reading.value for name, reading in found.items()} == pytest.approx(TRUE)
    assert [first for first, count in bank.asked if first in (40000, 0, 50000)] == tried
    at = base + 2
    assert bank.asked[len(tried) :] == [(at, 2), (at + 68, 2), (at + 68, 38)]


def test_once_found_a_reading_is_one_request():
    clock, bank, meter = bench(Data(model=213).held(TRUE, 3))
    measured(meter, clock)
    bank.asked.clear()
    found = measured(meter, clock)
    assert bank.asked == [(40070, 56)]
    assert len({reading.window_end_s for reading in found.values()}) == 1


def test_a_stated_base_is_the_only_one_tried():
    clock, bank, meter = bench(Data(base=0).held(TRUE, 3), base=50000)
    meter.start()
    with pytest.raises(DeviceFault, match="no SunSpec marker"):
        finish(meter, clock)
    assert bank.asked == [(50000, 2)]


def test_a_device_that_is_silent_about_a_base_is_asked_at_the_next():
    clock, bank, meter = bench(Data(base=0).held(TRUE, 3))
    bank.silent = (40000,)
    assert measured(meter, clock)["wall_power_w"].value == pytest.approx(612.5)


def test_a_device_that_is_silent_altogether_gave_no_reply():
    clock, bank, meter = bench({})
    bank.silent = (40000, 0, 50000)
    meter.start()
    with pytest.raises(NoReply, match="no reply to"):
        finish(meter, clock)


def test_a_device_without_the_marker_is_told_by_what_it_holds():
    clock, _, meter = bench({40000: 0x1234, 40001: 0x5678, 0: 1})
    meter.start()
    with pytest.raises(DeviceFault) as caught:
        finish(meter, clock)
    assert str(caught.value) == (
        "wattmeter, memory address 1: no SunSpec marker (5375 6E53) at register 40000: 1234 5678; "
        "0: refused with exception 2 (illegal data address); 50000: refused with exception 2 "
        "(illegal data address). Switch SunSpec on in the meter, or use kind = "
        '"modbus-power-meter" with the registers of its manual.'
    )


def test_other_models_before_the_meter_are_walked_over():
    # An inverter model of 50 registers stands between identity and meter.
    held = Data().held(TRUE, 3)
    for register in sorted((r for r in held if r >= 40070), reverse=True):
        held[register + 52] = held[register]
    held |= {40070: 103, 40071: 50}
    clock, _, meter = bench(held)
    assert measured(meter, clock)["wall_power_w"].value == pytest.approx(612.5)


def test_models_without_a_meter_are_named():
    held = MARKER | {40002: 1, 40003: 66, 40070: 103, 40071: 50, 40122: 0xFFFF, 40123: 0}
    clock, _, meter = bench(held)
    meter.start()
    with pytest.raises(DeviceFault, match=r"holds the SunSpec models 1, 103, and no meter among"):
        finish(meter, clock)


def test_models_without_end_are_given_up():
    held = MARKER | dict.fromkeys(range(40002, 40002 + 400), 0)
    clock, bank, meter = bench(held)
    meter.start()
    with pytest.raises(DeviceFault, match="no meter among"):
        finish(meter, clock)
    assert len(bank.asked) == 1 + 64


def test_a_meter_of_another_length_is_not_read():
    held = Data().held(TRUE, 3) | {40071: 104}
    held |= {40002 + 68 + 2 + 104: 0xFFFF, 40002 + 68 + 2 + 105: 0}
    clock, _, meter = bench(held)
    meter.start()
    with pytest.raises(DeviceFault, match="holds the SunSpec models 1, 201, and no meter"):
        finish(meter, clock)


def test_a_meter_that_was_exchanged_is_looked_for_again():
    clock, bank, meter = bench(Data().held(TRUE, 3))
    measured(meter, clock)
    bank.held = Data(model=213).held(TRUE, 3)
    meter.start()
    with pytest.raises(DeviceFault, match="and now model 213 of length 124"):
        finish(meter, clock)
    assert measured(meter, clock)["wall_power_w"].value == pytest.approx(612.5)


def test_its_identity_has_the_serial_number():
    clock, _, meter = bench(Data(serial="A-0042").held(TRUE, 3), serial_number="A-0042")
    meter.start_identify()
    assert finish(meter, clock, poll=meter.poll_identity) == (
        "Modbus address 1: Virtual bench Power meter 1.0, serial number A-0042"
    )
    assert meter.serial_number == "A-0042"


def test_another_serial_number_than_the_profile_has_is_refused():
    clock, _, meter = bench(Data(serial="A-0042").held(TRUE, 3), serial_number="A-0007")
    meter.start_identify()
    with pytest.raises(DeviceFault, match="has the serial number 'A-0042'; the rig profile has"):
        finish(meter, clock, poll=meter.poll_identity)


def test_a_meter_without_a_common_model_has_no_name():
    full = Data().held(TRUE, 3)
    held = MARKER | {r - 68: word for r, word in full.items() if r >= 40070}
    clock, _, meter = bench(held)
    meter.start_identify()
    assert "does not say who it is" in finish(meter, clock, poll=meter.poll_identity)
