"""The gantry under a G-code controller: one line in flight, and arrival made sure of.

::

    move ──ok── barrier ──────── travel ────────ok── ? <report> ── 0.2 s ── ? <report>
                                                │ still since here, known to be so here │

Connecting moves nothing. The position is known only after homing, and lost on any alarm, on
any greeting of the controller (it has restarted), and after a stop. The driver never clears an
alarm by itself. Tested with: the virtual bench only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from drivers.bus import Bus
from drivers.clock import Clock
from drivers.contracts import Position
from drivers.conversing import ConversingInstrument
from drivers.errors import DriverError, MotionRefused, PortLost, PositionLost, WriteStalled
from drivers.gcode import travel
from drivers.gcode.controller import REHOME, Controller
from drivers.gcode.dialect import DIALECTS, Status, adapted
from drivers.gcode.options import GantryOptions
from drivers.line import Line
from drivers.talk import Conversation

REPORT_EVERY_S = 0.2
REPORTS_NEEDED = 2
REPORTS_ASKED = 15  # before giving up on a controller that does not come to rest
TEST_SPEED_MM_S = 20.0  # of the move by which the barrier is tested
TEST_SHARE = 0.9  # of the time that it takes at least; a controller rounds its speeds


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

    def __init__(self, options: GantryOptions, line: Line | Bus, clock: Clock, device: str) -> None:
        super().__init__(line, clock, f"{device}, {line.name}")
        self._options = options
        overrides = options.dialect_overrides
        self._dialect = adapted(
            DIALECTS[options.dialect], overrides.words() if overrides is not None else {}
        )
        self._controller = Controller(options, self._dialect, self._bus, clock, self._device)
        self._barrier_is_tested = False
        self._settings_are_read = False
        self._remarks: tuple[str, ...] = ()
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
        """What a person should know of the controller's settings, as far as it has told them."""
        return self._remarks

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
        position: Position | None = self._advance()
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
        self._barrier_is_tested = False
        try:
            self._controller.stop()
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
        yield from self._controller.connect()
        dialect = self._dialect
        found = yield from self._controller.send(
            dialect.identify, self._options.reply_within_s, collect=dialect.message
        )
        yield from self._look_at_settings()
        messages = [self._controller.greeting] if self._controller.greeting else []
        for line in found:
            if match := dialect.message.fullmatch(line):
                messages.append(match[1].decode("ascii", "replace"))
        return "; ".join(messages) or "answers, without saying who it is"

    def _home(self) -> Conversation[Position]:
        yield from self._controller.connect()
        self._is_moving = True
        yield from self._controller.send(self._dialect.home, self._options.homing_within_s)
        for line in self._dialect.modes:
            yield from self._for_sure(self._controller.send(line, self._options.reply_within_s))
        self._position = yield from self._confirm(None)
        yield from self._look_at_settings()
        if self._options.barrier_test and not self._barrier_is_tested:
            self._position = yield from self._test_barrier(self._position)
            self._barrier_is_tested = True
        self._is_homed = True
        self._is_moving = False
        return self._position

    def _move(self, target: Position, speed_mm_s: float, travel_s: float) -> Conversation[Position]:
        yield from self._controller.connect()
        self._is_moving = True
        yield from self._controller.send(
            self._move_line(target, speed_mm_s), self._options.reply_within_s
        )
        yield from self._for_sure(self._controller.finish_moves(self._allowed_s(travel_s)))
        self._position = yield from self._confirm(target)
        self._is_moving = False
        return self._position

    def _test_barrier(self, start: Position) -> Conversation[Position]:
        """Time a known short move and the way back: a barrier that answers early is none.

        Raises
        ------
        PositionLost
            With the way, the time that it takes at least, and the time after which it answered.
        """
        target = travel.test_target(self._options, start)
        speed_mm_s = min(TEST_SPEED_MM_S, self._options.speed_mm_s)
        way_mm = abs(target.x_mm - start.x_mm)
        least_s = way_mm / speed_mm_s  # without the ramps, which a profile may have wrong
        position = start
        for goal in (target, start):
            begun_s = self._clock.elapsed_s()
            line = self._move_line(goal, speed_mm_s)
            yield from self._for_sure(self._controller.send(line, self._options.reply_within_s))
            allowed_s = self._allowed_s(2.0 * least_s)
            yield from self._for_sure(self._controller.finish_moves(allowed_s))
            took_s = self._clock.elapsed_s() - begun_s
            if took_s < TEST_SHARE * least_s:
                raise PositionLost(
                    self._device,
                    f"the barrier {self._dialect.barrier.decode('ascii')!r} answered {took_s:.3f} "
                    f"s after a move of {way_mm:g} mm at {speed_mm_s:g} mm/s was sent, which takes "
                    f"{least_s:.3f} s: it does not wait for the end of the motion.",
                    remedy="Choose another 'dialect', or give 'dialect_overrides.barrier', in the "
                    "rig profile.",
                )
            position = yield from self._confirm(goal)
        return position

    def _look_at_settings(self) -> Conversation[None]:
        """Once, see whether motors at rest are switched off, where the dialect can tell."""
        if self._settings_are_read:
            return
        self._settings_are_read = True
        pattern = self._dialect.idle_setting
        for line in (yield from self._controller.list_settings()):
            match = pattern.fullmatch(line) if pattern else None
            if match and match[1] != self._dialect.holds_at_rest:
                self._remarks += (
                    f"motors at rest are switched off ({line.decode('ascii', 'replace')}); z may "
                    "sag and x and y creep. Set it to "
                    f"{self._dialect.holds_at_rest.decode('ascii', 'replace')} in the controller.",
                )

    def _for_sure(self, sending: Conversation[Any]) -> Conversation[Any]:
        """Send what must not be refused: motion is under way, or depends on it."""
        try:
            return (yield from sending)
        except MotionRefused as error:
            raise PositionLost(
                error.device,
                error.problem,
                remedy=error.remedy,
                request=error.request,
                reply=error.reply,
            ) from error

    def _move_line(self, target: Position, speed_mm_s: float) -> bytes:
        return self._dialect.move.format(
            axes=travel.axis_words(self._options, target), feed_mm_min=speed_mm_s * 60.0
        ).encode("ascii")

    def _allowed_s(self, travel_s: float) -> float:
        # Half as long again as it should take, and some: acceleration may be set lower there.
        return 1.5 * travel_s + self._dialect.barrier_s + 1.0 + self._options.reply_within_s

    def _confirm(self, target: Position | None) -> Conversation[Position]:
        """Return the position once enough reports in a row say rest, and at the target."""
        dialect = self._dialect
        still_since_s: float | None = self._clock.elapsed_s()
        agreeing = 0
        before: Position | None = None
        status: Status | None = None
        for _ in range(REPORTS_ASKED):
            asked_s = self._clock.elapsed_s()
            status = yield from self._controller.ask_status()
            if status is None:
                pass
            elif status.state in dialect.alarm_states:
                raise PositionLost(self._device, "the controller is in alarm.", remedy=REHOME)
            elif dialect.idle_states and status.state not in dialect.idle_states:
                # It was not still at the barrier after all: count from the first idle report.
                agreeing, still_since_s = 0, None
            elif status.position_mm is not None:
                position = self._from_stage(status.position_mm)
                if before is not None and not self._is_at(position, before):
                    agreeing, still_since_s = 0, None  # idle by its word, and yet it moves
                before = position
                if target is not None:
                    self._check_arrived(position, target)
                if still_since_s is None:
                    still_since_s = self._clock.elapsed_s()
                agreeing += 1
                if agreeing == REPORTS_NEEDED:
                    self._still_since_s = still_since_s
                    return position
            yield from self._controller.pause(asked_s + REPORT_EVERY_S)
        raise PositionLost(
            self._device,
            f"did not come to rest: {REPORTS_ASKED} status requests, last state "
            f"{status.state if status else 'not reported'!r}.",
            remedy=REHOME,
            request=dialect.status_request,
        )

    # Positions

    def _lose_position(self) -> None:
        self._is_homed = False
        self._is_moving = False
        self._still_since_s = None

    def _advance(self) -> Any:
        """Carry the conversation forward; a lost position is lost whoever finds it out."""
        try:
            return super()._advance()
        except DriverError as error:
            self._is_moving = False
            self._still_since_s = None
            if isinstance(error, PositionLost):
                self._lose_position()
            raise

    def _is_at(self, position: Position, place: Position) -> bool:
        return travel.farthest_off_mm(position, place) <= self._options.tolerance_mm

    def _check_arrived(self, position: Position, target: Position) -> None:
        if not self._is_at(position, target):
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
