"""A motion controller on a serial port, at the byte level.

Speaks the dialect ``"status-report"`` of `drivers.gcode.dialect`: lines of G-code answered by
``ok`` as soon as they are in the motion queue, ``?`` answered at any time but while homing,
``!`` and ``~`` to hold and go on, Ctrl-X to start anew. It stands in alarm until homed, and
loses its position when it restarts in motion. The numbers of errors and alarms are those in
common use by open motion controllers (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable

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
from drivers.simulated.gcode_controller import GcodeController
from drivers.simulated.peer import Fault

ALARM_SOFT_LIMIT, ALARM_ABORTED = 2, 3


class GcodePeer(GcodeController):
    """The controller's end of the line, in the dialect ``"status-report"``."""

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
        settings = {1: str(stage.idle_delay_ms), 20: "1", 21: "1", 22: "1"}
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
            dwell_s = values.pop("P")
        axes = {axis: values.pop(axis) for axis in "XYZ" if axis in values}
        if values or (axes and action == "G4"):
            raise Refused(ERROR_UNUSED)
        if action == "G4":
            self._barrier(dwell_s, at_s, fault)
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
        goal_mm = (target["X"], target["Y"], target["Z"])
        self._queue_move(start_mm, goal_mm, speed_mm_s, at_s, fault)
        return True

    def _real_time(self, byte: int, at_s: float) -> bool:
        action = _REAL_TIME.get(byte)
        if action is not None:
            action(self, at_s)
        return action is not None


_REAL_TIME: dict[int, Callable[[GcodePeer, float], None]] = {
    ord("?"): GcodePeer._report,
    ord("!"): GcodePeer._hold,
    ord("~"): GcodePeer._go_on,
    0x18: GcodePeer._reset,
}
