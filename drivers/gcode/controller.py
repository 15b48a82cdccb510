"""The line to a motion controller: one line of G-code in flight, and no answer taken for another's.

What a controller says unasked, a greeting or an alarm, is never overlooked: it raises
`PositionLost`, whatever was being waited for.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

from drivers.bus import Bus
from drivers.clock import Clock
from drivers.errors import MotionRefused, NoReply, PositionLost, StageError, describe_bytes
from drivers.gcode.dialect import Dialect, Status, parse_status
from drivers.gcode.options import GantryOptions
from drivers.line import Line
from drivers.talk import Conversation

LONGEST_LINE = 512
CONNECTING_ASKED = 3  # status requests before a controller that does not greet is given up
BUSY_MORE_S = 5.0  # a controller that says that it is busy gets so much more, up to twice its time
REHOME = "Look at the stage, then home it and check the reference point."


class Controller:
    """One motion controller on a line.

    Parameters
    ----------
    options : GantryOptions
        From the rig profile.
    dialect : Dialect
        Its words.
    bus : Bus
        The way to it; its port may be opened anew. Many controllers restart when it is opened.
    clock : Clock
        Deadlines.
    device : str
        Who, as error messages name it.

    Attributes
    ----------
    greeting : str
        What it said on starting; empty if it was not heard to start.
    unasked : bytes
        What came on the line and was no line at all.
    """

    def __init__(
        self, options: GantryOptions, dialect: Dialect, bus: Bus, clock: Clock, device: str
    ) -> None:
        self._options = options
        self._dialect = dialect
        self._bus = bus
        self._clock = clock
        self._device = device
        self._buffer = b""
        self._offset_mm: tuple[float, ...] | None = None
        self._tokens = self._count()
        self._greets_by_s: float | None = None
        self.greeting = ""
        self.unasked = b""
        self.expect_greeting()

    @property
    def _line(self) -> Line:
        return self._bus.line

    @staticmethod
    def _count() -> Iterator[int]:
        number = 0
        while True:
            number = number % 9999 + 1
            yield number

    def expect_greeting(self) -> None:
        """Take the next greeting for the one that is due: the port was opened, or it was reset."""
        self._greets_by_s = self._clock.elapsed_s() + self._options.banner_within_s

    def stop(self) -> None:
        """Send what stops it at once.

        Raises
        ------
        PortLost, WriteStalled
            It could not be sent.
        """
        self.expect_greeting()
        self._line.write(self._dialect.stop)

    def connect(self) -> Conversation[None]:
        """Wait for the greeting of a controller that restarts; otherwise see that one is there.

        Once connected, take what has come unasked since: a greeting or an alarm among it is
        not overlooked.
        """
        if self._greets_by_s is None:
            yield from self.pause(-math.inf)
            return
        while (
            line := (yield from self._next_line(self._greets_by_s, connecting=True))
        ) is not None:
            if self._dialect.banner.fullmatch(line):
                self.greeting = line.decode("ascii", "replace")
                self._greets_by_s = None
                return
        for _ in range(CONNECTING_ASKED):
            if (yield from self.ask_status(connecting=True)) is not None:
                self._greets_by_s = None
                return
        raise NoReply(
            self._device,
            f"no greeting in {self._options.banner_within_s:g} s, no answer to a status request.",
            remedy="Check the controller's supply, 'port', 'baud' and 'dialect' in the rig "
            "profile; one that was stopped may have to be restarted.",
            request=self._dialect.status_request,
        )

    def send(
        self, line: bytes, within_s: float, *, collect: re.Pattern[bytes] | None = None
    ) -> Conversation[list[bytes]]:
        """Send one line and wait for its ok; nothing else is sent meanwhile.

        Parameters
        ----------
        within_s : float
            Time allowed; a controller that says that it is busy gets up to twice of it. [s]
        collect : pattern, optional
            Lines to return that come before the ok.

        Raises
        ------
        MotionRefused
            It answered with an error.
        PositionLost
            No ok came, an alarm did, or the controller restarted.
        """
        sent_s = self._line.write(line + self._dialect.line_end)
        until_s = sent_s + within_s
        collected: list[bytes] = []
        while (reply := (yield from self._next_line(until_s))) is not None:
            # Errors first: in some dialects an ok follows them all the same.
            if match := self._dialect.error.fullmatch(reply):
                if self._dialect.ok_after_error:
                    yield from self._take_ok(sent_s + within_s)
                raise self._refused(line, reply, match)
            if self._dialect.ok.fullmatch(reply):
                return collected
            if self._dialect.busy and self._dialect.busy.fullmatch(reply):
                more_s = min(self._clock.elapsed_s() + BUSY_MORE_S, sent_s + 2.0 * within_s)
                until_s = max(until_s, more_s)
            if collect is not None and collect.fullmatch(reply):
                collected.append(reply)
        raise self.silent(line)

    def finish_moves(self, allowed_s: float) -> Conversation[None]:
        """Return when the barrier says that all motion has ended. [s]

        Raises
        ------
        StageError
            As for `send`; or the token behind the barrier was not repeated.
        """
        dialect = self._dialect
        yield from self.send(dialect.barrier, allowed_s)
        if not dialect.echo:
            return
        token = f"T{next(self._tokens)}"
        line = dialect.echo.format(token=token).encode("ascii")
        repeats = re.compile(rb"(?:.*\W)?" + token.encode("ascii"))
        # A late ok of an earlier line may have passed for that of the barrier: the token cannot.
        sent_s = self._clock.elapsed_s()
        if not (yield from self.send(line, allowed_s, collect=repeats)):
            until_s = sent_s + allowed_s
            while (reply := (yield from self._next_line(until_s))) is not None:
                if repeats.fullmatch(reply):
                    yield from self._take_ok(until_s)
                    return
            raise PositionLost(
                self._device,
                f"the token of {line.decode('ascii')!r} was not repeated in {allowed_s:.1f} s, so "
                "it is not known whether the stage has arrived.",
                remedy="Check 'dialect' and 'dialect_overrides.echo' in the rig profile. " + REHOME,
                request=line,
            )

    def ask_status(self, *, connecting: bool = False) -> Conversation[Status | None]:
        """Ask for one report; None where none comes, which controllers are allowed to do."""
        dialect = self._dialect
        request = dialect.status_request + (dialect.line_end if dialect.status_is_line else b"")
        until_s = self._line.write(request) + self._options.reply_within_s
        status = None
        while (line := (yield from self._next_line(until_s, connecting=connecting))) is not None:
            if found := parse_status(line, dialect, self._offset_mm):
                self._offset_mm = found.offset_mm
                status = found
                if not dialect.status_is_line:
                    break
            elif status is not None and dialect.ok.fullmatch(line):
                break
        return status

    def list_settings(self) -> Conversation[list[bytes]]:
        """Return the lines of the settings that say when motors at rest are switched off."""
        dialect = self._dialect
        if not dialect.settings or dialect.idle_setting is None:
            return []
        try:
            return (
                yield from self.send(
                    dialect.settings,
                    2.0 * self._options.reply_within_s,
                    collect=dialect.idle_setting,
                )
            )
        except MotionRefused:
            return []  # it does not list them now, in alarm for one

    def pause(self, until_s: float) -> Conversation[None]:
        """Let time pass and look at what is said meanwhile. [s]"""
        while (yield from self._next_line(until_s)) is not None:
            pass

    def silent(self, line: bytes) -> PositionLost:
        """Return the fault of a line that got no answer."""
        return PositionLost(
            self._device,
            f"no 'ok' to {line.decode('ascii')!r} in the time allowed; the stage may be moving.",
            remedy=REHOME,
            request=line,
            reply=self._buffer,
        )

    def _take_ok(self, until_s: float) -> Conversation[None]:
        while (reply := (yield from self._next_line(until_s))) is not None:
            if self._dialect.ok.fullmatch(reply):
                return

    def _refused(self, line: bytes, reply: bytes, match: re.Match[bytes]) -> StageError:
        reason = next((group for group in match.groups() if group), reply)
        return MotionRefused(
            self._device,
            f"the controller refused {line.decode('ascii')!r} with error "
            f"{reason.decode('ascii', 'replace')}.",
            remedy="Look it up in the controller's list; after an alarm, home it. Travel and "
            "limits of profile and controller must agree.",
            request=line,
            reply=reply,
        )

    def _next_line(self, until_s: float, *, connecting: bool = False) -> Conversation[bytes | None]:
        """Return the next whole line without its end, or None at the deadline. [s]

        Raises
        ------
        PositionLost
            The line is an alarm or a greeting, and the controller was not being connected to.
        """
        while True:
            self._buffer += self._line.read()
            while b"\n" in self._buffer:
                line, _, self._buffer = self._buffer.partition(b"\n")
                line = line.strip(b"\r\0 ")
                if line:
                    if not connecting:
                        self._check_unasked(line)
                    return line
            if len(self._buffer) > LONGEST_LINE:
                self.unasked, self._buffer = self._buffer, b""
            if self._clock.elapsed_s() >= until_s:
                return None
            yield until_s

    def _check_unasked(self, line: bytes) -> None:
        """Raise on what a controller says by itself when its position is no longer sure."""
        if self._dialect.banner.fullmatch(line):
            raise PositionLost(
                self._device,
                f"the controller has restarted by itself: it said {describe_bytes(line)}.",
                remedy="Check its supply and the USB cable for disturbance. " + REHOME,
                reply=line,
            )
        if match := self._dialect.alarm.fullmatch(line):
            raise PositionLost(
                self._device,
                f"alarm {match[1].decode('ascii', 'replace')}.",
                remedy="Find the cause before clearing it. " + REHOME,
                reply=line,
            )
