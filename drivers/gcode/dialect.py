"""What G-code motion controllers say and expect, as data.

Dialect ``"status-report"``, as spoken by controllers that answer a ``?`` at any time:

- A line ends in a line feed and is answered by ``ok`` once it is taken into the motion queue,
  or by ``error:N`` when it is refused. ``ok`` does not mean arrived.
- ``G4 P0.01`` (dwell) is a barrier: its ``ok`` comes when all motion before it has ended.
- ``?`` is not a line: it is picked out of the stream and answered by a report such as
  ``<Idle|MPos:10.000,20.000,0.000|FS:0,0>``. It may go unanswered while homing.
- ``ALARM:N`` comes unasked: motion was stopped, the position may be lost, lines are refused.
- On starting, the controller greets with one line such as ``Motion 1.1 ['$' for help]``.
- ``!`` holds the feed, Ctrl-X (18 hex) restarts the controller, which then greets again.
- ``$H`` homes; ``$I`` tells who it is, in lines in square brackets.
"""

from __future__ import annotations

import re

from attrs import frozen


@frozen(kw_only=True)
class Dialect:
    """The words of one family of motion controllers.

    Every command is without its line end. The patterns apply to whole lines without theirs.
    """

    name: str
    line_end: bytes
    home: bytes
    modes: bytes  # sent after homing: millimetres, absolute, feed in mm/min
    move: str  # formatted with axes ("X1.000 Y2.000") and feed_mm_min
    barrier: bytes
    barrier_s: float  # what the barrier itself takes
    status_request: bytes
    feed_hold: bytes
    reset: bytes
    identify: bytes
    ok: re.Pattern[bytes]
    error: re.Pattern[bytes]
    alarm: re.Pattern[bytes]
    banner: re.Pattern[bytes]
    status: re.Pattern[bytes]  # groups: state, fields
    message: re.Pattern[bytes]  # group: text
    idle_states: frozenset[str]
    alarm_states: frozenset[str]


STATUS_REPORT = Dialect(
    name="status-report",
    line_end=b"\n",
    home=b"$H",
    modes=b"G21 G90 G94",
    move="G53 G1 {axes} F{feed_mm_min:.1f}",
    barrier=b"G4 P0.01",
    barrier_s=0.01,
    status_request=b"?",
    feed_hold=b"!",
    reset=b"\x18",
    identify=b"$I",
    ok=re.compile(rb"ok"),
    error=re.compile(rb"error: ?(.+)"),
    alarm=re.compile(rb"ALARM: ?(.+)"),
    banner=re.compile(rb"\S+ \d\S* \['\$' for help\]"),
    status=re.compile(rb"<(\w+)(?::\d+)?((?:\|[^|<>]*)*)>"),
    message=re.compile(rb"\[(.*)\]"),
    idle_states=frozenset({"Idle"}),
    alarm_states=frozenset({"Alarm"}),
)

DIALECTS: dict[str, Dialect] = {STATUS_REPORT.name: STATUS_REPORT}


@frozen
class Status:
    """What one status report says. [mm]

    `position_mm` is in stage (machine) coordinates; None where the report holds work
    coordinates only and no offset is known yet.
    """

    state: str
    position_mm: tuple[float, ...] | None
    offset_mm: tuple[float, ...] | None


def parse_status(
    line: bytes, dialect: Dialect, offset_mm: tuple[float, ...] | None = None
) -> Status | None:
    """Read a status report; None where the line is not one, or not a whole one.

    Parameters
    ----------
    line : bytes
        Without its end.
    dialect : Dialect
        Has the pattern.
    offset_mm : tuple, optional
        Work offset from an earlier report: controllers repeat it only now and then. [mm]
    """
    if not (match := dialect.status.fullmatch(line)):
        return None
    fields: dict[bytes, tuple[float, ...]] = {}
    for part in match[2].split(b"|")[1:]:
        name, _, numbers = part.partition(b":")
        if name in (b"MPos", b"WPos", b"WCO"):
            try:
                fields[name] = tuple(float(number) for number in numbers.split(b","))
            except ValueError:
                return None
    offset_mm = fields.get(b"WCO", offset_mm)
    position_mm = fields.get(b"MPos")
    if position_mm is None and b"WPos" in fields and offset_mm is not None:
        position_mm = tuple(
            work + offset for work, offset in zip(fields[b"WPos"], offset_mm, strict=False)
        )
    return Status(match[1].decode("ascii"), position_mm, offset_mm)
