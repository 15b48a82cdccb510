"""What G-code motion controllers say and expect, as data.

Two dialects are worked out; the profile can put its own words in place of any of theirs.

``"status-report"``, of controllers that answer a ``?`` at any time:

- A line ends in a line feed and is answered by ``ok`` once it is taken into the motion queue,
  or by ``error:N`` when it is refused. ``ok`` does not mean arrived.
- ``G4 P0.01`` (dwell) is a barrier: its ``ok`` comes when all motion before it has ended.
- ``?`` is not a line: it is picked out of the stream and answered by a report such as
  ``<Idle|MPos:10.000,20.000,0.000|FS:0,0>``. It may go unanswered while homing.
- ``ALARM:N`` comes unasked: motion was stopped, the position may be lost, lines are refused.
- On starting, the controller greets with one line such as ``Motion 1.1 ['$' for help]``.
- ``!`` holds the feed, Ctrl-X (18 hex) restarts the controller, which then greets again.
- ``$H`` homes; ``$I`` tells who it is, in lines in square brackets; ``$$`` lists the settings.

``"position-report"``, of controllers that answer lines only:

- Every line is answered by ``ok``, after ``Error:…`` too; so an error is looked for first, and
  the ``ok`` behind it is taken with it. ``Resend:…`` asks for a line that was not understood.
- ``M400`` is answered when all motion before it has ended. ``M118 E1 T7`` is answered by
  ``echo:T7``: a token that no late ``ok`` of an earlier line can stand for.
- ``M114`` is answered by a line such as ``X:10.00 Y:20.00 Z:0.00 E:0.00 Count X:800 …``; there
  is no word for idle, so rest is seen by positions that agree.
- ``echo:busy: …`` lines come while it works: it is alive, and not done.
- ``M112`` stops it at once; it then says ``Error:… halted …`` and takes nothing until restarted.
- On starting it says ``start``. ``G28`` homes; ``M115`` tells who it is.

All of it from memory of open motion controllers.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from attrs import evolve, frozen

#: An axis position in a pattern of the profile.
AXES = ("x", "y", "z")


@frozen(kw_only=True)
class Dialect:
    """The words of one family of motion controllers.

    Every command is without its line end. The patterns apply to whole lines without theirs.

    Attributes
    ----------
    modes : tuple of bytes
        Sent after homing: millimetres, absolute.
    move : str
        Formatted with ``axes`` ("X1.000 Y2.000") and ``feed_mm_min``.
    barrier_s : float
        What the barrier itself takes. [s]
    echo : str
        Line that has the controller repeat ``token`` behind the barrier; empty for none.
    status_request : bytes
        Asks for a report.
    status_is_line : bool
        Whether the status request is a line, answered by ``ok`` besides.
    stop : bytes
        Stops at once, as it goes out.
    settings : bytes
        Lists the settings; empty where the dialect cannot.
    idle_setting, holds_at_rest
        Pattern of the setting that says when motors at rest are switched off, in its one group,
        and the value that means never.
    ok_after_error : bool
        Whether an error line is followed by an ``ok``.
    status : pattern
        Either groups ``x``, ``y`` and perhaps ``z`` and ``state``, or ``state`` and ``fields``.
    idle_states : frozenset of str
        States of rest; empty where a report has no state.
    """

    name: str
    line_end: bytes = b"\n"
    home: bytes
    modes: tuple[bytes, ...]
    move: str
    barrier: bytes
    barrier_s: float
    echo: str = ""
    status_request: bytes
    status_is_line: bool
    stop: bytes
    identify: bytes
    settings: bytes = b""
    idle_setting: re.Pattern[bytes] | None = None
    holds_at_rest: bytes = b""
    ok: re.Pattern[bytes]
    error: re.Pattern[bytes]
    ok_after_error: bool
    alarm: re.Pattern[bytes]
    banner: re.Pattern[bytes]
    busy: re.Pattern[bytes] | None = None
    status: re.Pattern[bytes]
    message: re.Pattern[bytes]
    idle_states: frozenset[str]
    alarm_states: frozenset[str]


STATUS_REPORT = Dialect(
    name="status-report",
    home=b"$H",
    modes=(b"G21 G90 G94",),
    move="G53 G1 {axes} F{feed_mm_min:.1f}",
    barrier=b"G4 P0.01",
    barrier_s=0.01,
    status_request=b"?",
    status_is_line=False,
    stop=b"!\x18",
    identify=b"$I",
    settings=b"$$",
    idle_setting=re.compile(rb"\$1=(\d+)"),
    holds_at_rest=b"255",
    ok=re.compile(rb"ok"),
    error=re.compile(rb"error: ?(.+)"),
    ok_after_error=False,
    alarm=re.compile(rb"ALARM: ?(.+)"),
    banner=re.compile(rb"\S+ \d\S* \['\$' for help\]"),
    status=re.compile(rb"<(?P<state>\w+)(?::\d+)?(?P<fields>(?:\|[^|<>]*)*)>"),
    message=re.compile(rb"\[(.*)\]"),
    idle_states=frozenset({"Idle"}),
    alarm_states=frozenset({"Alarm"}),
)

POSITION_REPORT = Dialect(
    name="position-report",
    home=b"G28",
    modes=(b"G21", b"G90"),
    move="G1 {axes} F{feed_mm_min:.1f}",
    barrier=b"M400",
    barrier_s=0.0,
    echo="M118 E1 {token}",
    status_request=b"M114",
    status_is_line=True,
    stop=b"M112\n",
    identify=b"M115",
    ok=re.compile(rb"ok(?: .*)?"),
    error=re.compile(rb"(?:Error: ?|echo: ?(?=Unknown command))(.+)|(Resend: ?\d*)"),
    ok_after_error=True,
    alarm=re.compile(rb"(?:Error: ?)?(.*\b(?:halted|killed|kill\(\) called|endstops? hit).*)"),
    banner=re.compile(rb"start"),
    busy=re.compile(rb"echo: ?busy: ?(.*)"),
    status=re.compile(
        rb"X: ?(?P<x>[-+]?\d+\.?\d*) +Y: ?(?P<y>[-+]?\d+\.?\d*)(?: +Z: ?(?P<z>[-+]?\d+\.?\d*))?"
        rb"(?: .*)?"
    ),
    message=re.compile(rb"(FIRMWARE_NAME:.*)"),
    idle_states=frozenset(),
    alarm_states=frozenset(),
)

DIALECTS: dict[str, Dialect] = {one.name: one for one in (STATUS_REPORT, POSITION_REPORT)}


def adapted(dialect: Dialect, words: Mapping[str, Any]) -> Dialect:
    """Put the words of a profile in place of a dialect's own.

    Parameters
    ----------
    words : mapping
        By the name of the attribute; None leaves the dialect's own. Commands and patterns are
        text, states are lists.
    """
    changes: dict[str, Any] = {}
    for name, value in words.items():
        if value is None:
            continue
        own = getattr(dialect, name)
        if isinstance(own, re.Pattern) or name == "busy":
            changes[name] = re.compile(str(value).encode("latin-1"))
        elif isinstance(own, frozenset):
            changes[name] = frozenset(value)
        elif isinstance(own, tuple):
            changes[name] = tuple(line.encode("latin-1") for line in value)
        elif isinstance(own, bytes):
            changes[name] = str(value).encode("latin-1")
        else:
            changes[name] = value
    return evolve(dialect, **changes)


@frozen
class Status:
    """What one status report says. [mm]

    `state` is empty where the dialect has none. `position_mm` is in stage (machine) coordinates;
    None where the report holds work coordinates only and no offset is known yet.
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
    groups = match.groupdict()
    state = (groups.get("state") or b"").decode("ascii", "replace")
    if "x" in groups:
        told = [groups[axis] for axis in AXES if groups.get(axis) is not None]
        try:
            return Status(state, tuple(float(number) for number in told), None)
        except ValueError:
            return None
    return _fields_status(state, groups.get("fields") or b"", offset_mm)


def _fields_status(state: str, text: bytes, offset_mm: tuple[float, ...] | None) -> Status | None:
    fields: dict[bytes, tuple[float, ...]] = {}
    for part in text.split(b"|")[1:]:
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
    return Status(state, position_mm, offset_mm)
