"""From the reply to a message of queries to the values of the profile's rows. Touches no port."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from drivers.ascii_line.codec import compile_form
from drivers.scpi import codec
from drivers.scpi.codec import NotAReply, Overrange
from drivers.scpi.options import QueryOptions

#: One message: each query that it is made of, with the rows that its reply holds.
Message = Sequence[tuple[str, Sequence[QueryOptions]]]
Values = list[tuple[QueryOptions, float]]


class PowerOverrange(Overrange):
    """Wall power itself is beyond what the instrument can state."""


def plan_messages(rows: Sequence[QueryOptions], *, joined: bool) -> list[Message]:
    """Gather rows with the same query, and all queries into one message where that is allowed."""
    by_query: dict[str, list[QueryOptions]] = {}
    for row in rows:
        by_query.setdefault(row.query, []).append(row)
    queries = list(by_query.items())
    return [queries] if joined else [[query] for query in queries]


def values_of(message: Message, reply: bytes) -> Values:
    """Return the value of each row; NaN where the instrument says that there is none.

    Raises
    ------
    NotAReply
        It is not what these queries are answered by. The message says why.
    PowerOverrange
        Wall power is infinite. Another quantity that is, a power factor without current, is
        missing.
    """
    return [(row, _value(row, written)) for row, written in _assigned(message, reply)]


def disagreement(before: Values, latest: Values) -> str | None:
    """Say which value differs from the one before by more than its row allows, or None."""
    for (row, first), (_, second) in zip(before, latest, strict=True):
        if row.agrees_within is None or (math.isnan(first) and math.isnan(second)):
            continue
        if not abs(first - second) <= row.agrees_within:
            return f"{row.quantity} is {first:g}, then {second:g}"
    return None


def _assigned(message: Message, reply: bytes) -> Iterator[tuple[QueryOptions, str]]:
    """Give each row its part of the reply."""
    units = codec.text_of(reply).split(";")
    if len(units) != len(message):
        raise NotAReply(f"it has {len(units)} parts, {len(message)} were asked for")
    for (query, rows), unit in zip(message, units, strict=True):
        written = unit.split(",")
        expected = max(row.fields or row.field for row in rows)
        if len(written) != expected:
            raise NotAReply(
                f"{len(written)} values to {query}, not {expected} (if it is always so, state "
                "'fields' of this query in the rig profile)"
            )
        for row in rows:
            yield row, written[row.field - 1].strip(" ")


def _value(row: QueryOptions, written: str) -> float:
    try:
        value = codec.decode_number(written)
    except Overrange as beyond:
        if row.quantity == "wall_power_w":
            raise PowerOverrange(str(beyond)) from beyond
        return math.nan
    if math.isnan(value):
        return value
    if row.pattern is not None and not compile_form(row.pattern).fullmatch(written):
        raise NotAReply(f"{written!r} does not match the pattern {row.pattern!r}")
    return value * row.scale
