"""A motion controller on a serial port, at the byte level.

Speaks the dialect ``"status-report"`` of `drivers.gcode.dialect`: lines of G-code answered by
``ok`` as soon as they are in the motion queue, ``?`` answered at any time but while homing,
``!`` and ``~`` to hold and go on, Ctrl-X to start anew. It stands in alarm until homed, and
loses its position when it restarts in motion. The numbers of errors and alarms are those in
common use by open motion controllers (from memory).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable

from attrs import define, frozen

from drivers.simulated.gantry_motion import GantryMotion
from drivers.simulated.gcode_block import (
    COMMENT,
    ERROR_LINE_LENGTH,
    ERROR_LOCKED,
    ERROR_NO_FEED,
    ERROR_NO_VALUE,
    ERROR_NOT_IDLE,
    ERROR_STATEMENT,
    ERROR_UNSUPPORTED,
    ERROR_UNUSED,
    LINE_LENGTH,
    Refused,
    split_words,
)
from drivers.simulated.instruments import GcodeStage
from drivers.simulated.peer import Fault, FaultScript, Outbox

#: Kinds of fault that only this protocol has.
OWN_KINDS = frozenset({"banner", "alarm", "error", "slow", "short", "dead"})

ALARM_SOFT_LIMIT, ALARM_ABORTED = 2, 3


@frozen
class _Move:
    """One block of the motion queue, in stage coordinates."""

    target_mm: tuple[float, float, float]
    speed_mm_s: float
    starts_later_s: float = 0.0


@define
class _Modes:
    motion: str = "G0"
    millimetres_per_unit: float = 1.0
    is_absolute: bool = True
    feed_mm_min: float | None = None


class GcodePeer:
    """The controller's end of the line.

    Parameters
    ----------
    stage : GcodeStage
    gantry : GantryMotion
        The virtual bench's gantry.
    """

    def __init__(self, stage: GcodeStage, gantry: GantryMotion) -> None:
        self._stage = stage
        self._gantry = gantry
        self._script = FaultScript(stage.faults, OWN_KINDS)
        self._outbox = Outbox()
        self._is_dead = False
        self._deaf_until_s = -math.inf
        self._done_s = -math.inf
        self._is_locked = True  # In alarm until homed.
        self._needs_reset = False
        self._forget()

    def _forget(self) -> None:
        """Lose all that a restart loses."""
        self._text = b""
        self._lines: deque[tuple[bytes, float]] = deque()
        self._queue: deque[_Move] = deque()
        self._move: _Move | None = None
        self._move_begins_s = math.inf
        self._move_ends_s = math.inf
        self._parser_free_s = -math.inf
        self._dwell_s: float | None = None
        self._dwell_fault: Fault | None = None
        self._homes_until_s = -math.inf
        self._is_held = False
        self._modes = _Modes()
        self._planned_mm: tuple[float, float, float] | None = None

    @property
    def exchanges(self) -> int:
        """How many lines have been answered, or would have been but for a fault."""
        return self._script.exchange

    def opened(self, at_s: float) -> None:
        """Restart, if opening the port does that to this board. [s]"""
        self._outbox.clear()
        self._text = b""
        if self._stage.restarts_on_open:
            self._restart(at_s, boot_s=self._stage.boot_s, forgets_position=True)

    def line_break(self, start_s: float, end_s: float) -> None:
        """Pay no heed to a break. [s]"""

    def receive(self, data: bytes, at_s: float) -> None:
        """Hear bytes, the last of which ended at `at_s`. [s]"""
        self._advance(at_s)
        for byte in data:
            if at_s < self._deaf_until_s or self._is_dead:
                continue
            real_time = _REAL_TIME.get(byte)
            if real_time is not None:
                real_time(self, at_s)
            elif byte in b"\r\n":
                line, self._text = self._text, b""
                self._lines.append((line, at_s))
                self._advance(at_s)
            elif len(self._text) <= LINE_LENGTH:  # More than that is refused anyway.
                self._text += bytes([byte])

    def next_s(self) -> float:
        """Return when a reply leaves or a motion ends. [s]"""
        return min(self._outbox.next_s(), self._next_event_s())

    def take(self, at_s: float) -> bytes:
        """Return the reply whose turn has come. [s]"""
        self._advance(at_s)
        return self._outbox.take(at_s)

    def _next_event_s(self) -> float:
        return min(self._move_begins_s, self._move_ends_s, self._next_line_s())

    def _next_line_s(self) -> float:
        is_full = len(self._queue) >= self._stage.queue_length
        if not self._lines or self._dwell_s is not None or is_full:
            return math.inf
        return max(self._lines[0][1], self._parser_free_s)

    def _advance(self, at_s: float) -> None:
        """Let everything happen that is due by `at_s`, in order."""
        while (due_s := self._next_event_s()) <= at_s:
            # A line that waited for room in the queue is obeyed when there is room, not before.
            self._done_s = now_s = max(self._done_s, due_s)
            if due_s == self._move_begins_s:
                self._begin_move(now_s)
            elif due_s == self._move_ends_s:
                self._move, self._move_ends_s = None, math.inf
                self._next_move(now_s)
            else:
                line, _ = self._lines.popleft()
                self._obey(line, now_s)

    def _next_move(self, at_s: float) -> None:
        if self._is_held:
            return
        if self._queue:
            self._move = self._queue.popleft()
            self._move_begins_s = at_s + self._move.starts_later_s
        elif self._dwell_s is not None:
            self._end_dwell_at(at_s + self._dwell_s)

    def _begin_move(self, at_s: float) -> None:
        assert self._move is not None
        x_mm, y_mm, z_mm = self._move.target_mm
        self._move_begins_s = math.inf
        self._move_ends_s = self._gantry.move(
            at_s,
            x_mm - self._stage.x_at_origin_mm,
            y_mm - self._stage.y_at_origin_mm,
            z_mm if self._stage.travel_z_mm else None,
            self._move.speed_mm_s,
        )

    def _end_dwell_at(self, at_s: float) -> None:
        fault, self._dwell_fault = self._dwell_fault, None
        self._dwell_s = None
        self._parser_free_s = at_s
        self._say("ok", at_s, fault)

    def _stop(self, at_s: float) -> None:
        if self._gantry.is_moving(at_s):
            self._gantry.stop(at_s)

    def _say(self, text: str, at_s: float, fault: Fault | None = None) -> None:
        if not self._is_dead:
            self._outbox.put(
                *self._script.damaged(
                    fault, text.encode("ascii") + b"\r\n", at_s + self._stage.reply_delay_s
                )
            )

    def _position_mm(self, at_s: float) -> tuple[float, float, float]:
        x_mm, y_mm, z_mm = self._gantry.reported(at_s)
        stage = self._stage
        z_mm = z_mm if stage.travel_z_mm else 0.0
        return x_mm + stage.x_at_origin_mm, y_mm + stage.y_at_origin_mm, z_mm

    def _state(self, at_s: float) -> str:
        if self._is_locked:
            return "Alarm"
        if self._is_held:
            return "Hold:0"
        is_busy = self._move is not None or self._queue or self._parser_free_s > at_s
        return "Run" if is_busy else "Idle"

    def _report(self, at_s: float) -> None:
        if at_s < self._homes_until_s:  # Controllers of this kind are silent while homing.
            return
        feed_mm_min = self._move.speed_mm_s * 60.0 if self._move else 0.0
        x_mm, y_mm, z_mm = self._position_mm(at_s)
        self._say(
            f"<{self._state(at_s)}|MPos:{x_mm:.3f},{y_mm:.3f},{z_mm:.3f}|FS:{feed_mm_min:.0f},0>",
            at_s,
        )

    def _hold(self, at_s: float) -> None:
        if self._move is None or self._is_held:
            return
        self._is_held = True
        self._stop(at_s)
        self._queue.appendleft(self._move)
        self._move, self._move_begins_s, self._move_ends_s = None, math.inf, math.inf

    def _go_on(self, at_s: float) -> None:
        if self._is_held:
            self._is_held = False
            self._next_move(at_s)

    def _reset(self, at_s: float) -> None:
        in_motion = self._gantry.is_moving(at_s)
        self._restart(at_s, boot_s=0.0, forgets_position=in_motion)

    def _restart(self, at_s: float, *, boot_s: float, forgets_position: bool) -> None:
        in_motion = self._gantry.is_moving(at_s)
        self._stop(at_s)
        self._forget()
        self._outbox.clear()
        self._needs_reset = False
        self._is_locked = self._is_locked or forgets_position
        self._deaf_until_s = at_s + boot_s
        if in_motion and not boot_s:
            self._say(f"ALARM:{ALARM_ABORTED}", at_s)
        self._say("", at_s + boot_s)
        self._say(self._stage.banner, at_s + boot_s)
        if self._is_locked:
            self._say("[MSG:'$H'|'$X' to unlock]", at_s + boot_s)

    def _alarm(self, code: int, at_s: float) -> None:
        self._stop(at_s)
        self._forget()
        self._is_locked = self._needs_reset = True
        self._say(f"ALARM:{code}", at_s)
        self._say("[MSG:Reset to continue]", at_s)

    def _obey(self, raw: bytes, at_s: float) -> None:
        if self._needs_reset:
            return
        text = COMMENT.sub("", raw.decode("ascii", "replace")).replace(" ", "").upper()
        if not text:
            self._say("ok", at_s)
            return
        fault = self._script.begin()
        kind = fault.kind if fault else ""
        if kind == "dead":
            self._stop(at_s)
            self._forget()
            self._is_dead = True
        elif kind == "banner":
            self._restart(at_s, boot_s=self._stage.boot_s, forgets_position=True)
        elif fault and kind == "alarm":
            self._alarm(fault.code, at_s)
        elif fault and kind == "error":
            self._say(f"error:{fault.code}", at_s)
        else:
            try:
                if len(raw) > LINE_LENGTH:
                    raise Refused(ERROR_LINE_LENGTH)
                if text[0] == "$":
                    self._system(text, at_s, fault)
                else:
                    self._block(text, at_s, fault)
            except Refused as refused:
                self._say(f"error:{refused.code}", at_s, fault)

    def _system(self, text: str, at_s: float, fault: Fault | None) -> None:
        is_busy = self._move is not None or bool(self._queue)
        if text == "$X":
            self._is_locked = False
            self._say("[MSG:Caution: Unlocked]", at_s)
        elif is_busy:
            raise Refused(ERROR_NOT_IDLE)
        elif text == "$H":
            self._homes_until_s = self._parser_free_s = self._gantry.home(at_s)
            self._is_locked = False
            self._planned_mm = None
            self._say("ok", self._homes_until_s, fault)
            return
        elif text == "$I":
            self._say(f"[VER:{self._stage.version}:]", at_s)
            self._say(f"[OPT:VH,{self._stage.queue_length},128]", at_s)
        elif text == "$$":
            for number, value in self._settings().items():
                self._say(f"${number}={value}", at_s)
        else:
            raise Refused(ERROR_STATEMENT)
        self._say("ok", at_s, fault)

    def _settings(self) -> dict[int, str]:
        """Return the settings that a bring-up looks at: motors held, limits on, rates, travel."""
        stage = self._stage
        axes = (stage.travel_x_mm, stage.travel_y_mm, stage.travel_z_mm or (0.0, 0.0))
        settings = {1: "255", 20: "1", 21: "1", 22: "1"}
        for axis, (lowest_mm, highest_mm) in enumerate(axes):
            settings[110 + axis] = f"{stage.speed_mm_s * 60.0:.3f}"
            settings[120 + axis] = f"{stage.acceleration_mm_s2:.3f}"
            settings[130 + axis] = f"{highest_mm - lowest_mm:.3f}"
        return dict(sorted(settings.items()))

    def _block(self, text: str, at_s: float, fault: Fault | None) -> None:
        """Obey one line of G-code.

        References
        ----------
        RS-274/NGC, Kramer, Proctor and Messina, NISTIR 6556 (2000), section 3: words, modal
        groups, G0 G1 G4 G20 G21 G53 G90 G91 G94, feed in units per minute.
        """
        if self._is_locked:
            raise Refused(ERROR_LOCKED)
        commands, values = split_words(text)
        modes = self._modes
        if "units" in commands:
            modes.millimetres_per_unit = 25.4 if commands["units"] == "G20" else 1.0
        if "distance" in commands:
            modes.is_absolute = commands["distance"] == "G90"
        modes.motion = commands.get("motion", modes.motion)
        if "F" in values:
            modes.feed_mm_min = values.pop("F") * modes.millimetres_per_unit
        action = commands.get("non-modal")
        if action == "G4":
            if "P" not in values:
                raise Refused(ERROR_NO_VALUE)
            self._dwell_s, self._dwell_fault = values.pop("P"), fault
        axes = {axis: values.pop(axis) for axis in "XYZ" if axis in values}
        if values or (axes and action == "G4"):
            raise Refused(ERROR_UNUSED)
        if action == "G4":
            if self._move is None and not self._queue:
                self._end_dwell_at(at_s + (self._dwell_s or 0.0))
            return
        if axes and not self._add_move(axes, action == "G53", at_s, fault):
            return
        self._say("ok", at_s, fault)

    def _add_move(
        self, axes: dict[str, float], is_machine: bool, at_s: float, fault: Fault | None
    ) -> bool:
        stage, modes = self._stage, self._modes
        limits = {"X": stage.travel_x_mm, "Y": stage.travel_y_mm, "Z": stage.travel_z_mm}
        if "Z" in axes and stage.travel_z_mm is None:
            raise Refused(ERROR_UNSUPPORTED)
        if modes.motion == "G1" and not modes.feed_mm_min:
            raise Refused(ERROR_NO_FEED)
        start_mm = self._planned_mm or self._position_mm(at_s)
        # G53 is machine coordinates whatever G90 and G91 say; work and machine are the same here.
        is_absolute = modes.is_absolute or is_machine
        target = dict(zip("XYZ", start_mm, strict=True))
        for axis, value in axes.items():
            mm = value * modes.millimetres_per_unit
            target[axis] = mm if is_absolute else target[axis] + mm
            limit = limits[axis]
            if limit and not limit[0] - 1e-6 <= target[axis] <= limit[1] + 1e-6:
                self._alarm(ALARM_SOFT_LIMIT, at_s)
                return False
        speed_mm_s = stage.speed_mm_s
        if modes.motion == "G1" and modes.feed_mm_min:
            speed_mm_s = min(speed_mm_s, modes.feed_mm_min / 60.0)
        self._planned_mm = goal_mm = (target["X"], target["Y"], target["Z"])
        if fault and fault.kind == "short":  # Stops half-way, as after a stop from outside.
            x, y, z = ((a + b) / 2 for a, b in zip(start_mm, goal_mm, strict=True))
            goal_mm = (x, y, z)
        later_s = fault.delay_s if fault and fault.kind == "slow" else 0.0
        self._queue.append(_Move(goal_mm, speed_mm_s, later_s))
        if self._move is None and not self._is_held:
            self._next_move(at_s)
        return True


_REAL_TIME: dict[int, Callable[[GcodePeer, float], None]] = {
    ord("?"): GcodePeer._report,
    ord("!"): GcodePeer._hold,
    ord("~"): GcodePeer._go_on,
    0x18: GcodePeer._reset,
}
