"""The instruments of the virtual bench that speak Modbus, as data."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping

from attrs import field, frozen
from attrs.validators import ge, gt, in_, le, matches_re

from drivers.modbus import sunspec
from drivers.simulated.peer import Fault

#: How each type is packed, high byte first, and the integer range it has.
_FORMATS = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f"}
_RANGES = {
    "int16": (-0x8000, 0x7FFF),
    "uint16": (0, 0xFFFF),
    "int32": (-0x8000_0000, 0x7FFF_FFFF),
    "uint32": (0, 0xFFFF_FFFF),
}


@frozen(kw_only=True)
class Register:
    """Where one quantity stands.

    Attributes
    ----------
    quantity : str
        Name in the glossary.
    register : int
        Address of its first register, counted from 0 as on the wire.
    type : str
        ``"float32"``, ``"int16"``, ``"uint16"``, ``"int32"`` or ``"uint32"``.
    scale : float
        What one step of the register means, in the unit of the quantity.
    function : int
        3 for a holding register, 4 for an input register.
    word_order : str
        ``"big"``: high word first; ``"little"``: low word first.
    """

    quantity: str
    register: int = field(validator=ge(0))
    type: str = field(default="float32", validator=in_(_FORMATS))
    scale: float = field(default=1.0, validator=gt(0.0))
    function: int = field(default=3, validator=in_((3, 4)))
    word_order: str = field(default="big", validator=in_(("big", "little")))

    def words(self, value: float) -> list[int]:
        """Return the registers that hold `value`, in the order of their addresses."""
        packed = struct.pack(">" + _FORMATS[self.type], self._raw(value))
        words = list(struct.unpack(f">{len(packed) // 2}H", packed))
        return words if self.word_order == "big" else words[::-1]

    def _raw(self, value: float) -> float | int:
        if self.type == "float32":
            return value / self.scale
        lowest, highest = _RANGES[self.type]
        if math.isnan(value):  # What meters of open register models say for "not available".
            return lowest if lowest else highest
        return max(lowest, min(highest, round(max(lowest, min(highest, value / self.scale)))))


def _usual_registers() -> tuple[Register, ...]:
    quantities = (
        "wall_power_w",
        "line_voltage_v",
        "line_current_a",
        "power_factor",
        "line_frequency_hz",
    )
    return tuple(Register(quantity=name, register=2 * n) for n, name in enumerate(quantities))


@frozen(kw_only=True)
class ModbusMeter:
    """The meter as data.

    Attributes
    ----------
    address : int
        1 to 247.
    baud : int
        Rate of the line; sets the silence that ends a frame. [1/s]
    vendor, product, revision : str
        What it says of itself (device identification, function 43).
    serial : str
        Its serial number, said behind the product; empty if it says none.
    refresh_s : float
        Time between two refreshes of its registers. [s]
    averaging_s : float
        Length of the window each refresh is the mean of. [s]
    reply_delay_s : float
        From the end of a request to the first byte of the reply; never less than the
        silence that the protocol wants. [s]
    registers : tuple of Register
    line : str
        Section of the instrument whose line it sits on; its own where empty.
    faults : tuple of Fault
    """

    address: int = field(default=1, validator=[ge(1), le(247)])
    baud: int = field(default=9600, validator=gt(0))
    vendor: str = "Virtual bench"
    product: str = "Power meter"
    revision: str = "1.0"
    serial: str = field(default="SIM-0100", validator=matches_re(r"[ -~]{0,32}"))
    refresh_s: float = field(default=0.1, validator=gt(0.0))
    averaging_s: float = field(default=0.3, validator=gt(0.0))
    reply_delay_s: float = field(default=0.006, validator=ge(0.0))
    registers: tuple[Register, ...] = field(factory=_usual_registers)
    line: str = ""
    faults: tuple[Fault, ...] = ()

    @property
    def silence_s(self) -> float:
        """The 3.5 characters of silence that end a frame; 1.75 ms above 19 200 baud. [s]"""
        return 3.5 * 11 / self.baud if self.baud <= 19_200 else 0.00175

    def held(self, values: Mapping[str, float], function: int) -> dict[int, int]:
        """Return what each register holds that this function code reads."""
        return {
            register.register + offset: word
            for register in self.registers
            if register.function == function
            for offset, word in enumerate(register.words(values[register.quantity]))
        }


@frozen(kw_only=True)
class ModbusSensor(ModbusMeter):
    """A quantum sensor on Modbus as data: what a meter has, and what its data sheet states.

    Attributes
    ----------
    lag_s, step_umol_m2_s, noise_umol_m2_s : float
        As of `Sdi12Sensor`. [s, µmol m⁻² s⁻¹]
    """

    address: int = field(default=2, validator=[ge(1), le(247)])
    product: str = "Quantum sensor"
    serial: str = ""
    averaging_s: float = field(default=0.8, validator=gt(0.0))
    registers: tuple[Register, ...] = (Register(quantity="ppfd_umol_m2_s", register=0),)
    lag_s: float = field(default=0.15, validator=ge(0.0))
    step_umol_m2_s: float = field(default=0.1, validator=gt(0.0))
    noise_umol_m2_s: float = field(default=1.0, validator=ge(0.0))


@frozen(kw_only=True)
class ModbusThermometer(ModbusMeter):
    """A thermometer on Modbus as data: what a meter has, and the limit in its profile.

    Attributes
    ----------
    highest_c : float or None
        Above it the run stops. [°C]
    """

    address: int = field(default=4, validator=[ge(1), le(247)])
    product: str = "Thermometer"
    serial: str = ""
    registers: tuple[Register, ...] = (Register(quantity="temperature_c", register=0),)
    highest_c: float | None = 90.0


@frozen(kw_only=True)
class SunSpecMeter(ModbusMeter):
    """A meter with the open SunSpec register models as data. It has no other registers.

    Attributes
    ----------
    model : int
        201 to 204 have integers with powers of ten, 211 to 214 floating-point numbers.
    base : int
        Register at which its marker stands.
    exponents : mapping of str to int
        Power of ten of each quantity, for the integers.
    """

    registers: tuple[Register, ...] = ()
    model: int = field(default=201, validator=in_(sunspec.METERS))
    base: int = field(default=40000, validator=in_(sunspec.BASES))
    exponents: Mapping[str, int] = field(
        factory=lambda: {
            "wall_power_w": -1,
            "line_voltage_v": -1,
            "line_current_a": -3,
            "power_factor": -2,
            "line_frequency_hz": -2,
        },
        hash=False,
    )

    def held(self, values: Mapping[str, float], function: int) -> dict[int, int]:
        """Return what each register holds: marker, identity, the meter, end mark."""
        if function != 3:
            return {}
        common = [0] * sunspec.COMMON_COUNT
        common[0:2] = [sunspec.COMMON, sunspec.COMMON_COUNT - sunspec.HEADER]
        for offset, said in ((2, self.vendor), (18, self.product), (42, self.revision)):
            _put_text(common, offset, said)
        _put_text(common, 50, self.serial)
        words = [*sunspec.MARKER, *common, *self._meter(values), sunspec.END, 0]
        return dict(enumerate(words, start=self.base))

    def _meter(self, values: Mapping[str, float]) -> list[int]:
        model = sunspec.METERS[self.model]
        is_float = all(points[0].exponent is None for points in model.points.values())
        # What nobody filled in is "not implemented".
        blank = [0x7FC0, 0x0000] if is_float else [0x8000, 0x8000]
        words = [self.model, model.length, *(blank * model.length)[: model.length]]
        for quantity, (point, *_) in model.points.items():
            value = values.get(quantity, math.nan) / point.unit
            if point.exponent is None:
                words[point.offset : point.offset + 2] = struct.unpack(
                    ">HH", struct.pack(">f", value)
                )
            elif not math.isnan(value):
                exponent = self.exponents[quantity]
                words[point.exponent] = exponent & 0xFFFF
                words[point.offset] = round(value / 10.0**exponent) & 0xFFFF
        return words


def _put_text(words: list[int], offset: int, said: str) -> None:
    data = said.encode("ascii", "replace")
    data += b"\0" * (len(data) % 2)
    for n in range(0, len(data), 2):
        words[offset + n // 2] = int.from_bytes(data[n : n + 2], "big")
