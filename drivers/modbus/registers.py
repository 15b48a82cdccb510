"""From register words to numbers, and from a register map to few requests."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

from attrs import frozen

from drivers.line import Line
from drivers.modbus.options import NumberOptions, RegisterOptions

MOST_REGISTERS = 125  # in one request, by the standard

_FORMATS = {"float32": ">f", "int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I"}


@frozen
class Request:
    """One read of neighbouring registers, and the quantities that it brings."""

    function: int
    first: int
    count: int
    rows: tuple[RegisterOptions, ...]


def width(row: NumberOptions) -> int:
    """Return how many registers the number takes."""
    return struct.calcsize(_FORMATS[row.type]) // 2


def plan_requests(rows: Sequence[RegisterOptions], bridged: int) -> tuple[Request, ...]:
    """Gather rows that lie at most `bridged` registers apart into one request each."""
    requests: list[Request] = []
    for row in sorted(rows, key=lambda row: (row.function, row.register)):
        end = row.register + width(row)
        if requests:
            last = requests[-1]
            count = max(last.first + last.count, end) - last.first
            if (
                last.function == row.function
                and row.register <= last.first + last.count + bridged
                and count <= MOST_REGISTERS
            ):
                requests[-1] = Request(last.function, last.first, count, (*last.rows, row))
                continue
        requests.append(Request(row.function, row.register, end - row.register, (row,)))
    return tuple(requests)


def wire_s(requests: Sequence[Request], line: Line) -> float:
    """Return the time that requests and replies take on a serial line. [s]"""
    characters = sum(8 + 5 + 2 * request.count for request in requests)
    return characters * line.seconds_per_byte


def decode(row: NumberOptions, request: Request, words: Sequence[int]) -> float:
    """Return the scaled value of one row; NaN where the device has no number to give."""
    start = row.register - request.first
    mine = list(words[start : start + width(row)])
    if row.word_order == "little":
        mine.reverse()
    (number,) = struct.unpack(_FORMATS[row.type], struct.pack(f">{len(mine)}H", *mine))
    value = float(number) * row.scale
    return value if math.isfinite(value) and number not in row.no_value_codes else math.nan
