"""The gantry under a G-code controller: one line in flight, and arrival made sure of.

::

    move ──ok── barrier ──────── travel ────────ok── ? <report> ── 0.2 s ── ? <report>
                                                │ still since here, known to be so here │

Connecting moves nothing. The position is known only after homing, and lost on any alarm, on
any greeting of the controller (it has restarted), and after a stop. The driver never clears an
alarm by itself. Tested with: the virtual bench only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from drivers.clock import Clock
from drivers.contracts import Position
from drivers.conversing import ConversingInstrument
from drivers.errors import (
    DriverError,
    MotionRefused,
    NoReply,
    PortLost,
    PositionLost,
    StageError,
    WriteStalled,
    describe_bytes,
)
from drivers.gcode import travel
from drivers.gcode.dialect import DIALECTS, Status, parse_status
from drivers.gcode.options import GantryOptions
from drivers.line import Line
from drivers.talk import Conversation

REPORT_EVERY_S = 0.2
REPORTS_NEEDED = 2
REPORTS_ASKED = 15  # before giving up on a controller that does not come to rest
LONGEST_LINE = 256
REHOME = "Look at the stage, then home it and check the reference point."


class Gantry(ConversingInstrument):
    """A stage of two axes, or three where a height axis is fitted.

    Parameters
    ----------
    options : GantryOptions
        From the rig profile.
    line : Line
        The controller's port. Many controllers restart when it is opened.
    clock : Clock
        Deadlines and time stamps.
    device : str
        What messages call the stage, e.g. ``"stage"``.
    """

    def __init__(self, options: GantryOptions, line: Line, clock: Clock, device: str) -> None:
        super().__init__(line, clock, f"{device}, {line.name}")
        self._options = options
        self._dialect = DIALECTS[options.dialect]
        self._buffer = b""
        self._greeting = ""
        self._greets_by_s: float | None = clock.elapsed_s() + options.banner_within_s
        self._offset_mm: tuple[float, ...] | None = None
        self._is_homed = False
        self._is_moving = False
        self._still_since_s: float | None = None
        self._position: Position | None = None

    @property
    def has_height_axis(self) -> bool:
        """Whether the profile declares a height axis."""
        return self._options.travel_z_mm is not None

    @property
    def remarks(self) -> tuple[str, ...]:
        """What a person should know of the controller's settings."""
        return ()

    @property
    def is_homed(self) -> bool:
        """Whether the position is known."""
        return self._is_homed

    @property
    def still_since_s(self) -> float | None:
        """Elapsed time since which the stage is known to stand still, None while moving. [s]"""
        return self._still_since_s

    def start_home(self) -> float:
        """Begin homing; the axes move. [s]"""
        self._talk.begin(self._home())
        self._is_homed = False
        self._still_since_s = None
        return self._clock.elapsed_s()

    def start_move(self, x_mm: float, y_mm: float, z_mm: float | None = None) -> float:
        """Begin a move; return the elapsed time before which it cannot have ended. [s]

        Parameters
        ----------
        x_mm, y_mm : float
            In the plane, from its corner. [mm]
        z_mm : float, optional
            Mounting height; None leaves it. [mm]

        Raises
        ------
        MotionRefused
            Outside the travel, no such axis, or the position is not known. Nothing was sent.
        """
        if not self._is_homed or self._position is None:
            raise MotionRefused(
                self._device, "the position is not known, so no move is made.", remedy=REHOME
            )
        if z_mm is not None and not self.has_height_axis:
            raise MotionRefused(
                self._device,
                f"a mounting height of {z_mm:g} mm is asked for, but no height axis is fitted.",
                remedy="Give 'travel_z_mm' in the rig profile, or set the height by hand.",
            )
        if outside := travel.outside_travel(self._options, x_mm, y_mm, z_mm):
            raise MotionRefused(
                self._device,
                f"outside the travel: {', '.join(outside)}.",
                remedy="Correct grid or height in the plan, or travel and origin in the profile.",
            )
        target = Position(x_mm, y_mm, self._position.z_mm if z_mm is None else z_mm)
        travel_s = travel.travel_s(self._options, self._position, target)
        speed_mm_s = travel.speed_mm_s(self._options, self._position, target)
        self._talk.begin(self._move(target, speed_mm_s, travel_s))
        self._still_since_s = None
        return self._clock.elapsed_s() + travel_s

    def poll(self) -> Position | None:
        """Return the position once it is confirmed and still, or None before that.

        Raises
        ------
        MotionRefused
            The controller did not accept the move or the homing.
        PositionLost
            It restarted, is in alarm, fell silent, or stopped short of its target.
        NoReply
            It does not answer on connecting.
        PortLost, WriteStalled
            The line failed.
        """
        try:
            position: Position | None = self._advance()
        except DriverError:
            self._is_moving = False
            self._still_since_s = None
            raise
        return position

    def stop(self) -> None:
        """Ask the controller to stop at once. Not an emergency stop. The position is then lost.

        Raises
        ------
        PortLost, WriteStalled
            The request could not be sent: use the switch.
        """
        self._talk.end()
        self._lose_position()
        self._greets_by_s = self._clock.elapsed_s() + self._options.banner_within_s
        try:
            self._line.write(self._dialect.feed_hold + self._dialect.reset)
        except (PortLost, WriteStalled) as error:
            raise self._named(error) from error

    def cancel(self) -> None:
        """Give up what is under way; a stage that may be moving is stopped. Safe at any time."""
        if self._is_moving:
            try:
                self.stop()
            except DriverError:
                return  # The line is gone, and with it any way to stop it from here.
        super().cancel()

    # The conversations

    def _identify(self) -> Conversation[str]:
        yield from self._connect()
        self._line.write(self._dialect.identify + self._dialect.line_end)
        messages = [self._greeting] if self._greeting else []
        deadline_s = self._clock.elapsed_s() + self._options.reply_within_s
        while (line := (yield from self._next_line(deadline_s))) is not None:
            if self._dialect.ok.fullmatch(line) or self._dialect.error.fullmatch(line):
                break
            if match := self._dialect.message.fullmatch(line):
                messages.append(match[1].decode("ascii", "replace"))
        else:
            raise self._silent(self._dialect.identify)
        return "; ".join(messages) or "answers, without saying who it is"

    def _home(self) -> Conversation[Position]:
        yield from self._connect()
        self._is_moving = True
        yield from self._send(self._dialect.home, self._options.homing_within_s)
        yield from self._send(self._dialect.modes, self._options.reply_within_s)
        self._position = yield from self._confirm(None)
        self._is_homed = True
        self._is_moving = False
        return self._position

    def _move(self, target: Position, speed_mm_s: float, travel_s: float) -> Conversation[Position]:
        yield from self._connect()
        dialect = self._dialect
        line = dialect.move.format(
            axes=travel.axis_words(self._options, target),
            feed_mm_min=speed_mm_s * 60.0,
        ).encode("ascii")
        self._is_moving = True
        yield from self._send(line, self._options.reply_within_s)
        # Half as long again as it should take, and some: acceleration may be set lower there.
        allowed_s = 1.5 * travel_s + dialect.barrier_s + 1.0 + self._options.reply_within_s
        yield from self._send(dialect.barrier, allowed_s)
        self._position = yield from self._confirm(target)
        self._is_moving = False
        return self._position

    def _connect(self) -> Conversation[None]:
        """Wait for the greeting of a controller that restarts; otherwise see that one is there.

        Once connected, take what has come unasked since: a greeting or an alarm among it is
        not overlooked.
        """
        if self._greets_by_s is None:
            yield from self._next_lines_at_hand()
            return
        while (
            line := (yield from self._next_line(self._greets_by_s, connecting=True))
        ) is not None:
            if self._dialect.banner.fullmatch(line):
                self._greeting = line.decode("ascii", "replace")
                self._greets_by_s = None
                return
        for _ in range(REPORTS_NEEDED + 1):
            if (yield from self._ask_status(connecting=True)) is not None:
                self._greets_by_s = None
                return
        raise NoReply(
            self._device,
            f"no greeting in {self._options.banner_within_s:g} s, no answer to a status request.",
            remedy="Check the controller's supply, 'port' and 'baud' in the rig profile.",
            request=self._dialect.status_request,
        )

    def _next_lines_at_hand(self) -> Conversation[None]:
        while (yield from self._next_line(-math.inf)) is not None:
            pass

    def _send(self, line: bytes, within_s: float) -> Conversation[None]:
        """Send one line and wait for its ok; nothing else is sent meanwhile."""
        sent_s = self._line.write(line + self._dialect.line_end)
        while (reply := (yield from self._next_line(sent_s + within_s))) is not None:
            if self._dialect.ok.fullmatch(reply):
                return
            if match := self._dialect.error.fullmatch(reply):
                moved = line in (self._dialect.barrier, self._dialect.modes)
                if moved:
                    self._lose_position()
                kind: type[StageError] = PositionLost if moved else MotionRefused
                raise kind(
                    self._device,
                    f"the controller refused {line.decode('ascii')!r} with error "
                    f"{match[1].decode('ascii', 'replace')}.",
                    remedy="Look the number up in the controller's list; after an alarm, home it. "
                    "Travel and limits of profile and controller must agree.",
                    request=line,
                    reply=reply,
                )
        raise self._silent(line)

    def _silent(self, line: bytes) -> PositionLost:
        self._lose_position()
        return PositionLost(
            self._device,
            f"no 'ok' to {line.decode('ascii')!r} in the time allowed; the stage may be moving.",
            remedy=REHOME,
            request=line,
            reply=self._buffer,
        )

    def _confirm(self, target: Position | None) -> Conversation[Position]:
        """Return the position once enough reports in a row say idle, and at the target."""
        still_since_s: float | None = self._clock.elapsed_s()
        agreeing = 0
        status: Status | None = None
        for _ in range(REPORTS_ASKED):
            asked_s = self._clock.elapsed_s()
            status = yield from self._ask_status()
            if status is None:
                pass
            elif status.state in self._dialect.alarm_states:
                self._lose_position()
                raise PositionLost(self._device, "the controller is in alarm.", remedy=REHOME)
            elif status.state not in self._dialect.idle_states:
                # It was not still at the barrier after all: count from the first idle report.
                agreeing, still_since_s = 0, None
            elif status.position_mm is not None:
                position = self._from_stage(status.position_mm)
                if target is not None:
                    self._check_arrived(position, target)
                if still_since_s is None:
                    still_since_s = self._clock.elapsed_s()
                agreeing += 1
                if agreeing == REPORTS_NEEDED:
                    self._still_since_s = still_since_s
                    return position
            yield from self._pause(asked_s + REPORT_EVERY_S)
        self._lose_position()
        raise PositionLost(
            self._device,
            f"did not come to rest: {REPORTS_ASKED} status requests, last state "
            f"{status.state if status else 'not reported'!r}.",
            remedy=REHOME,
            request=self._dialect.status_request,
        )

    def _ask_status(self, *, connecting: bool = False) -> Conversation[Status | None]:
        """Ask for one report; None where none comes, which controllers are allowed to do."""
        sent_s = self._line.write(self._dialect.status_request)
        until_s = sent_s + self._options.reply_within_s
        while (line := (yield from self._next_line(until_s, connecting=connecting))) is not None:
            if status := parse_status(line, self._dialect, self._offset_mm):
                self._offset_mm = status.offset_mm
                return status
        return None

    def _pause(self, until_s: float) -> Conversation[None]:
        while (yield from self._next_line(until_s)) is not None:
            pass

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
            self._lose_position()
            raise PositionLost(
                self._device,
                f"the controller has restarted by itself: it said {describe_bytes(line)}.",
                remedy="Check its supply and the USB cable for disturbance. " + REHOME,
                reply=line,
            )
        if match := self._dialect.alarm.fullmatch(line):
            self._lose_position()
            raise PositionLost(
                self._device,
                f"alarm {match[1].decode('ascii', 'replace')}.",
                remedy="Find the cause before clearing it. " + REHOME,
                reply=line,
            )

    # Positions

    def _lose_position(self) -> None:
        self._is_homed = False
        self._is_moving = False
        self._still_since_s = None

    def _check_arrived(self, position: Position, target: Position) -> None:
        if travel.farthest_off_mm(position, target) > self._options.tolerance_mm:
            self._lose_position()
            raise PositionLost(
                self._device,
                f"stopped at {travel.in_words(position)} instead of {travel.in_words(target)} "
                f"(allowed: {self._options.tolerance_mm:g} mm).",
                remedy=REHOME,
            )

    def _from_stage(self, stage_mm: Sequence[float]) -> Position:
        try:
            return travel.from_stage(self._options, stage_mm)
        except ValueError as error:
            raise PositionLost(
                self._device, str(error), remedy="Correct 'travel_z_mm' in the rig profile."
            ) from error
