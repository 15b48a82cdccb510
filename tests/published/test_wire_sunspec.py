"""SunSpec models against the definitions and the code that the SunSpec Alliance publishes.

Source of every expected offset, type and length: the JSON model definitions inside the
pysunspec2 package (Apache-2.0), read here as they are; its encoder makes the register images
that our decoder reads, and its client reads our simulated meter.
"""

from __future__ import annotations

import json
import math
import struct
from importlib.resources import files

import pytest
from sunspec2 import device, mb
from sunspec2.modbus.client import SunSpecModbusClientDevice

from drivers.modbus import sunspec
from drivers.simulated.modbus_makes import SunSpecMeter

INTEGER, FLOAT = (201, 202, 203, 204), (211, 212, 213, 214)
TRUE = {
    "wall_power_w": 612.5,
    "line_voltage_v": 230.1,
    "line_current_a": 2.713,
    "power_factor": 0.98,
    "line_frequency_hz": 49.98,
}
UNITS = {
    "wall_power_w": "W",
    "line_voltage_v": "V",
    "line_current_a": "A",
    "power_factor": "PF",
    "line_frequency_hz": "Hz",
}


def definition(number: int) -> dict[str, tuple[int, dict]]:
    """Return offset and definition of each point, from the package's own JSON."""
    file = files("sunspec2").joinpath(f"models/json/model_{number}.json")
    points, offset = {}, 0
    for point in json.loads(file.read_text(encoding="utf-8"))["group"]["points"]:
        points[point["name"]] = (offset, point)
        offset += point["size"]
    points["(end)"] = (offset, {})
    return points


def words_of(model: device.Model) -> list[int]:
    data = model.get_mb()
    return list(struct.unpack(f">{len(data) // 2}H", data))


def test_marker_bases_and_end_are_those_of_the_package():
    assert struct.pack(">2H", *sunspec.MARKER) == b"SunS"
    assert list(sunspec.BASES) == SunSpecModbusClientDevice().base_addr_list
    assert sunspec.END == mb.SUNS_END_MODEL_ID
    assert definition(1)["Mn"][0] == sunspec.HEADER


@pytest.mark.parametrize("number", [*INTEGER, *FLOAT])
def test_every_offset_type_and_unit_is_that_of_the_definition(number):
    points, model = definition(number), sunspec.METERS[number]
    assert model.length + sunspec.HEADER == points["(end)"][0]
    last = 0
    for quantity, alternatives in model.points.items():
        for point in alternatives:
            offset, defined = points[point.name]
            assert point.offset == offset
            last = max(last, offset + defined["size"])
            unit = defined["units"]
            if unit == "Pct":
                assert (quantity, point.unit) == ("power_factor", 0.01)
            else:
                assert (unit, point.unit) == (UNITS[quantity], 1.0)
            if number in INTEGER:
                exponent, defined_exponent = points[defined["sf"]]
                assert (defined["type"], point.exponent) == ("int16", exponent)
                assert defined_exponent["type"] == "sunssf"
                last = max(last, exponent + 1)
            else:
                assert (defined["type"], point.exponent) == ("float32", None)
    assert model.count >= last


def test_a_meter_number_is_known_exactly_if_the_package_has_it():
    assert sorted(sunspec.METERS) == sorted([*INTEGER, *FLOAT])
    for number in sunspec.METERS:
        name = json.loads(
            files("sunspec2").joinpath(f"models/json/model_{number}.json").read_text("utf-8")
        )["group"]["name"]
        assert name.startswith("ac_meter")


@pytest.mark.parametrize("number", INTEGER)
def test_integers_with_powers_of_ten_are_read_as_the_package_writes_them(number):
    model = device.Model(model_id=number)
    for name, exponent in (("W", -1), ("V", -1), ("A", -3), ("PF", -1), ("Hz", -2)):
        model.points[f"{name}_SF"].value = exponent
    for name, value in (("W", 612.5), ("PhV", 230.1), ("A", 2.713), ("PF", 98.0), ("Hz", 49.98)):
        model.points[name].cvalue = value
    assert sunspec.decode_meter(sunspec.METERS[number], words_of(model)) == pytest.approx(TRUE)


def test_a_positive_power_of_ten_and_a_negative_number():
    model = device.Model(model_id=203)
    model.points["W_SF"].value = 2
    model.points["W"].value = -15
    assert sunspec.decode_meter(sunspec.METERS[203], words_of(model))["wall_power_w"] == -1500.0


@pytest.mark.parametrize("number", FLOAT)
def test_floats_are_read_as_the_package_writes_them(number):
    model = device.Model(model_id=number)
    for name, value in (("W", 612.5), ("PhV", 230.1), ("A", 2.713), ("PF", 0.98), ("Hz", 49.98)):
        model.points[name].value = value
    assert sunspec.decode_meter(sunspec.METERS[number], words_of(model)) == pytest.approx(TRUE)


def test_a_float_is_big_endian():
    # 1234.5 = 449A5000: IEEE 754 by hand, 1.2055664 · 2^10.
    words = [213, 124, *([0] * 124)]
    words[28:30] = [0x449A, 0x5000]
    assert sunspec.decode_meter(sunspec.METERS[213], words)["wall_power_w"] == 1234.5


@pytest.mark.parametrize("number", [*INTEGER, *FLOAT])
def test_what_is_not_implemented_is_missing(number):
    # The package fills a new model with its not-implemented values.
    found = sunspec.decode_meter(sunspec.METERS[number], words_of(device.Model(model_id=number)))
    assert sorted(found) == sorted(TRUE)
    assert all(math.isnan(value) for value in found.values())


@pytest.mark.parametrize("exponent", [mb.SUNS_UNIMPL_SUNSSF, 11, -11])
def test_a_number_without_a_sound_power_of_ten_is_missing(exponent):
    model = device.Model(model_id=201)
    model.points["W"].value = 6125
    model.points["W_SF"].value = exponent
    assert math.isnan(sunspec.decode_meter(sunspec.METERS[201], words_of(model))["wall_power_w"])


def test_a_phase_is_taken_where_the_meter_has_no_mean_over_phases():
    model = device.Model(model_id=201)
    model.points["V_SF"].value = 0
    model.points["PhVphA"].value = 229
    found = sunspec.decode_meter(sunspec.METERS[201], words_of(model))
    assert found["line_voltage_v"] == 229.0


def test_a_power_factor_beyond_one_is_missing():
    model = device.Model(model_id=211)
    model.points["PF"].value = 98.0  # per cent where the model has a fraction, or noise
    found = sunspec.decode_meter(sunspec.METERS[211], words_of(model))
    assert math.isnan(found["power_factor"])


def test_identity_is_read_as_the_package_writes_it():
    common = device.Model(model_id=1)
    for name, said in (("Mn", "Maker"), ("Md", "PM-7"), ("Vr", "1.2"), ("SN", "A-0042")):
        common.points[name].value = said
    words = words_of(common)
    assert len(words) == sunspec.COMMON_COUNT
    identity = sunspec.decode_identity(words)
    assert identity == sunspec.Identity("Maker", "PM-7", "1.2", "A-0042")
    assert str(identity) == "Maker PM-7 1.2, serial number A-0042"


class Reader(SunSpecModbusClientDevice):
    """The package's own client, over a meter's registers instead of a connection."""

    def __init__(self, meter: SunSpecMeter) -> None:
        super().__init__()
        self._held = meter.held(TRUE, 3)

    def connect(self, *_, **__):
        pass

    def disconnect(self):
        pass

    def is_connected(self):
        return True

    def read(self, addr, count, **_):
        if addr not in self._held:
            raise ValueError("illegal data address")
        words = [self._held.get(register, 0) for register in range(addr, addr + count)]
        return struct.pack(f">{count}H", *words)


@pytest.mark.parametrize("base", sunspec.BASES)
@pytest.mark.parametrize("number", [*INTEGER, *FLOAT])
def test_the_package_reads_our_simulated_meter(number, base):
    reader = Reader(SunSpecMeter(model=number, base=base, serial="SIM-7"))
    try:
        reader.scan()
    except ValueError:
        pytest.fail("the package's client did not find the models")
    assert reader.base_addr == base
    assert reader.common[0].SN.value == "SIM-7"
    (meter,) = reader.models[number]
    percent = 100.0 if number in INTEGER else 1.0
    assert meter.W.cvalue == pytest.approx(612.5)
    assert meter.PhV.cvalue == pytest.approx(230.1)
    assert meter.A.cvalue == pytest.approx(2.713)
    assert meter.PF.cvalue == pytest.approx(0.98 * percent)
    assert meter.Hz.cvalue == pytest.approx(49.98)
    assert meter.VA.value is None or math.isnan(meter.VA.value)
