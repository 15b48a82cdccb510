"""The words of a dialect that a rig profile may replace, and what they must hold."""

from __future__ import annotations

import re
from typing import Any

from attrs import define, fields

from drivers.gcode.dialect import AXES
from drivers.options import OptionError, number, rows, switch, text


def _pattern(doc: str, *, groups: str = "", least: int = 0) -> str | None:
    """Declare a regular expression for a whole line, with so many groups at least."""

    def is_pattern(value: str) -> bool:
        try:
            return bool(value) and re.compile(value.encode("latin-1")).groups >= least
        except (re.error, UnicodeEncodeError):
            return False

    return text(
        default=None,
        check=is_pattern,
        allowed="give a regular expression for a whole line"
        + (f", with {groups}" if groups else ""),
        doc=doc,
    )


def _is_status(value: str) -> bool:
    try:
        named = set(re.compile(value.encode("latin-1")).groupindex)
    except (re.error, UnicodeEncodeError):
        return False
    return {"x", "y"} <= named <= {*AXES, "state"}


def _is_move(value: str) -> bool:
    try:
        return "X1" in value.format(axes="X1", feed_mm_min=600.0)
    except (KeyError, IndexError, ValueError):
        return False


def _is_echo(value: str) -> bool:
    try:
        return not value or "T7" in value.format(token="T7")
    except (KeyError, IndexError, ValueError):
        return False


def _command(doc: str) -> str | None:
    return text(default=None, check=_is_line, allowed="give one line of plain text", doc=doc)


def _is_line(value: str) -> bool:
    return bool(value) and value.isascii() and "\n" not in value and "\r" not in value


def _texts(doc: str, *, may_be_empty: bool = False) -> tuple[str, ...] | None:
    return rows(
        lambda values: (
            (may_be_empty or bool(values))
            and all(isinstance(value, str) and _is_line(value) for value in values)
        ),
        default=None,
        allowed='give a list of texts, e.g. ["G21", "G90"]',
        doc=doc,
    )


@define(kw_only=True)
class DialectOverrides:
    """Words in place of those of the dialect; all may be left out."""

    home: str | None = _command("Homes all axes.")
    modes: tuple[str, ...] | None = _texts("Lines sent after homing: millimetres, absolute.")
    move: str | None = text(
        default=None,
        check=_is_move,
        allowed='give a line with {axes}, and {feed_mm_min} if it takes one, e.g. "G1 {axes}"',
        doc="Moves in stage coordinates, at a feed in mm/min.",
    )
    barrier: str | None = _command("Answered when all motion before it has ended.")
    barrier_s: float | None = number(
        default=None, unit="s", least=0.0, most=10.0, doc="What the barrier itself takes."
    )
    echo: str | None = text(
        default=None,
        check=_is_echo,
        allowed='give a line with {token}, or "" for none',
        doc="Has the controller repeat a token behind the barrier.",
    )
    status_request: str | None = _command("Asks for a report of the position.")
    stop: str | None = text(
        default=None,
        allowed='give what is to be sent, line end included, e.g. "!\\u0018"',
        doc="Stops at once; sent as it stands.",
    )
    identify: str | None = _command("Asks who it is.")
    settings: str | None = text(
        default=None,
        check=lambda value: value.isascii() and "\n" not in value,
        allowed='give one line, or "" where it has none',
        doc="Asks for the list of settings.",
    )
    idle_setting: str | None = _pattern(
        "Setting that says after what time motors at rest are switched off.",
        groups="one group around its value",
        least=1,
    )
    holds_at_rest: str | None = text(
        default=None, doc="Value of that setting by which motors stay on."
    )
    ok: str | None = _pattern("A line was taken.")
    error: str | None = _pattern(
        "A line was refused.", groups="one group around the reason", least=1
    )
    ok_after_error: bool | None = switch(
        default=None,  # type: ignore[arg-type]
        doc="Whether a refused line is answered by ok besides.",
    )
    alarm: str | None = _pattern(
        "Motion was stopped.", groups="one group around the reason", least=1
    )
    banner: str | None = _pattern("It has just started.")
    busy: str | None = _pattern("It is at work.")
    status: str | None = text(
        default=None,
        check=_is_status,
        allowed="give a regular expression for a whole line with the groups (?P<x>…) and "
        "(?P<y>…), and perhaps (?P<z>…) and (?P<state>…)",
        doc="Report of the position, in mm.",
    )
    message: str | None = _pattern("Who it is.", groups="one group around the text", least=1)
    idle_states: tuple[str, ...] | None = _texts(
        "States of a report that mean rest; none where a report has no state.", may_be_empty=True
    )
    alarm_states: tuple[str, ...] | None = _texts(
        "States of a report that mean alarm.", may_be_empty=True
    )

    def __attrs_post_init__(self) -> None:
        if self.idle_states and self.status is not None and "(?P<state>" not in self.status:
            raise OptionError(
                "idle_states",
                list(self.idle_states),
                "give 'status' a group (?P<state>…), or leave the states out",
            )

    def words(self) -> dict[str, Any]:
        """Return what is given, by the name of the dialect's attribute."""
        return {item.name: getattr(self, item.name) for item in fields(DialectOverrides)}
