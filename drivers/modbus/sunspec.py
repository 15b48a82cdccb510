"""The open SunSpec register models of power meters, as far as a bench needs them: bytes only.

A device holds, from one of three usual registers on, a marker, then models one after the other,
each with its number and length in front, then an end mark::

    40000  "SunS" | 1, 66, identity … | 203, 105, the meter … | 0xFFFF, 0

Meters come in two families that have the same quantities in other places: 201 to 204 with
integers and powers of ten beside them, 211 to 214 with floating-point numbers. The fourth digit
says how the meter is wired, which changes nothing here.

References
----------
The models as the SunSpec Alliance publishes them; the tests read every offset, type and
length used here from the definitions in its pysunspec2 package.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence

from attrs import field, frozen

MARKER = (0x5375, 0x6E53)
BASES = (40000, 0, 50000)
END = 0xFFFF
HEADER = 2  # number and length of a model
COMMON = 1
COMMON_COUNT = 68
#: A device with more models than this has no end mark.
MOST_MODELS = 64

_NOT_IMPLEMENTED = -0x8000
_LARGEST_EXPONENT = 10


@frozen
class Point:
    """Where a model holds one number, counted in registers from the number of the model.

    Attributes
    ----------
    name : str
        As the model calls it.
    offset : int
        Its first register.
    exponent : int or None
        The register of the power of ten that goes with an integer; None for a float32.
    unit : float
        What one of the model's units is in that of the quantity.
    """

    name: str
    offset: int
    exponent: int | None = None
    unit: float = 1.0


@frozen
class Model:
    """A family of meter models.

    Attributes
    ----------
    length : int
        Registers behind the header.
    count : int
        Registers to be read from the header on, to have all quantities.
    points : mapping of str to tuple of Point
        By quantity; the first that the meter has is taken.
    """

    length: int
    count: int
    points: Mapping[str, tuple[Point, ...]] = field(hash=False)


_INTEGER = Model(
    length=105,
    count=38,
    points={
        "wall_power_w": (Point("W", 18, 22),),
        "line_voltage_v": (Point("PhV", 7, 15), Point("PhVphA", 8, 15)),
        "line_current_a": (Point("A", 2, 6), Point("AphA", 3, 6)),
        "power_factor": (Point("PF", 33, 37, 0.01), Point("PFphA", 34, 37, 0.01)),
        "line_frequency_hz": (Point("Hz", 16, 17),),
    },
)
_FLOAT = Model(
    length=124,
    count=56,
    points={
        "wall_power_w": (Point("W", 28),),
        "line_voltage_v": (Point("PhV", 10), Point("PhVphA", 12)),
        "line_current_a": (Point("A", 2), Point("AphA", 4)),
        "power_factor": (Point("PF", 52), Point("PFphA", 54)),
        "line_frequency_hz": (Point("Hz", 26),),
    },
)
METERS: dict[int, Model] = dict.fromkeys((201, 202, 203, 204), _INTEGER) | dict.fromkeys(
    (211, 212, 213, 214), _FLOAT
)


@frozen
class Identity:
    """What the common model says. A device leaves empty what it does not know."""

    manufacturer: str
    model: str
    version: str
    serial_number: str

    def __str__(self) -> str:
        said = [self.manufacturer, self.model, self.version]
        name = " ".join(word for word in said if word) or "without a name"
        return name + (f", serial number {self.serial_number}" if self.serial_number else "")


def decode_identity(words: Sequence[int]) -> Identity:
    """Read the common model, its header in front."""

    def text(offset: int, size: int) -> str:
        data = b"".join(word.to_bytes(2, "big") for word in words[offset : offset + size])
        return data.split(b"\0")[0].decode("ascii", "replace").strip()

    return Identity(
        manufacturer=text(2, 16),
        model=text(18, 16),
        version=text(42, 8),
        serial_number=text(50, 16),
    )


def decode_meter(model: Model, words: Sequence[int]) -> dict[str, float]:
    """Read the quantities of a meter model, its header in front; NaN for what it has not.

    A quantity whose power of ten is not there, or none that the models allow, is missing too:
    its size cannot be known.
    """
    return {
        quantity: next(
            (value for point in points if not math.isnan(value := _value(point, words))), math.nan
        )
        for quantity, points in model.points.items()
    }


def _value(point: Point, words: Sequence[int]) -> float:
    if point.exponent is None:
        data = struct.pack(">HH", *words[point.offset : point.offset + 2])
        (number,) = struct.unpack(">f", data)
        value = float(number)
    else:
        number, exponent = _signed(words[point.offset]), _signed(words[point.exponent])
        if number == _NOT_IMPLEMENTED or abs(exponent) > _LARGEST_EXPONENT:
            return math.nan
        # Dividing by a whole power of ten rounds once; multiplying by its inverse, twice.
        scale = 10 ** abs(exponent)
        value = number * scale if exponent >= 0 else number / scale
    value *= point.unit
    if point.name.startswith("PF") and abs(value) > 1.0:
        return math.nan
    return value if math.isfinite(value) else math.nan


def _signed(word: int) -> int:
    return word - 0x10000 if word & 0x8000 else word
