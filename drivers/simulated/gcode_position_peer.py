"""A motion controller on a serial port, at the byte level, in the dialect ``"position-report"``.

It answers lines only: each by ``ok``, an error by ``Error:…`` and an ``ok`` behind it. ``M400`` is
answered when motion has ended; while it works at that, or at homing, it says every second that it
is busy. It knows neither alarm nor soft limits worth the name: targets outside are moved to the
limit, without a word. ``M112`` halts it until it is restarted. From memory of open controllers.
"""

from __future__ import annotations

import math
import re

from drivers.simulated.gcode_controller import GcodeController
from drivers.simulated.peer import Fault

BUSY_EVERY_S = 1.0
HALTED = "Error:controller halted; restart it"
_CHECKED = re.compile(r"N\d+ ?|\*\d+$")
_WORD = re.compile(r"([A-Z])([-+]?\d+\.?\d*|[-+]?\.\d+)")


class PositionReportPeer(GcodeController):
    """The controller's end of the line, in the dialect ``"position-report"``."""

    def _forget(self) -> None:
        super()._forget()
        self._is_locked = False  # it takes moves before homing, and goes wrong with them
        self._is_halted = False
        self._busy_s = math.inf

    def next_s(self) -> float:
        """Return when a reply leaves, a motion ends, or it says that it is busy. [s]"""
        return min(super().next_s(), self._busy_s)

    def take(self, at_s: float) -> bytes:
        """Return the reply whose turn has come. [s]"""
        self._advance(at_s)
        if self._busy_s <= at_s:
            if self._dwell_s is not None or self._homes_until_s > at_s:
                self._say("echo:busy: processing", self._busy_s)
                self._busy_s += BUSY_EVERY_S
            else:
                self._busy_s = math.inf
        return self._outbox.take(at_s)

    def _restart(self, at_s: float, *, boot_s: float, forgets_position: bool) -> None:
        self._stop(at_s)
        self._forget()
        self._outbox.clear()
        self._deaf_until_s = at_s + boot_s
        self._say("start", at_s + boot_s)
        self._say("echo: settings loaded", at_s + boot_s)

    def _obey(self, raw: bytes, at_s: float) -> None:
        text = _CHECKED.sub("", raw.decode("ascii", "replace").split(";")[0].strip())
        if self._is_halted:
            self._say(HALTED, at_s)
            return
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
        elif kind == "alarm":
            self._halt(at_s)
        elif fault and kind == "error":
            self._say(f"Error:refused, code {fault.code}", at_s)
            self._say("ok", at_s)
        else:
            self._command(text, at_s, fault)

    def _command(self, text: str, at_s: float, fault: Fault | None) -> None:
        name, _, rest = text.partition(" ")
        values = {letter: float(number) for letter, number in _WORD.findall(rest)}
        modes = self._modes
        if name in ("G0", "G1"):
            self._linear(values, at_s, fault)
        elif name == "G28":
            ends_s = self._gantry.home(at_s)
            self._homes_until_s = self._parser_free_s = ends_s
            self._planned_mm = None
            self._busy_s = at_s + BUSY_EVERY_S
            self._say("ok", ends_s, fault)
            return
        elif name == "M400":
            self._busy_s = at_s + BUSY_EVERY_S
            self._barrier(0.0, at_s, fault)
            return
        elif name == "M114":
            self._say(self._place(at_s), at_s)
        elif name == "M115":
            self._say(f"FIRMWARE_NAME:Motion {self._stage.version} AXIS_COUNT:3", at_s)
        elif name == "M118":
            self._say("echo:" + rest.removeprefix("E1 "), at_s)
        elif name == "M112":
            self._halt(at_s)
            return
        elif name in ("G90", "G91"):
            modes.is_absolute = name == "G90"
        elif name in ("G20", "G21"):
            modes.millimetres_per_unit = 25.4 if name == "G20" else 1.0
        else:
            self._say(f'echo:Unknown command: "{text}"', at_s)
        self._say("ok", at_s, fault)

    def _linear(self, values: dict[str, float], at_s: float, fault: Fault | None) -> None:
        stage, modes = self._stage, self._modes
        limits = {"X": stage.travel_x_mm, "Y": stage.travel_y_mm, "Z": stage.travel_z_mm}
        start_mm = self._planned_mm or self._position_mm(at_s)
        target = dict(zip("XYZ", start_mm, strict=True))
        if "F" in values:
            modes.feed_mm_min = values["F"] * modes.millimetres_per_unit
        for axis, limit in limits.items():
            if axis not in values or limit is None:
                continue
            mm = values[axis] * modes.millimetres_per_unit
            mm = mm if modes.is_absolute else target[axis] + mm
            target[axis] = min(max(mm, limit[0]), limit[1])
        speed_mm_s = min(stage.speed_mm_s, (modes.feed_mm_min or math.inf) / 60.0)
        goal_mm = (target["X"], target["Y"], target["Z"])
        self._queue_move(start_mm, goal_mm, speed_mm_s, at_s, fault)

    def _place(self, at_s: float) -> str:
        """Tell where the moves in the queue will lead, as these controllers do."""
        x_mm, y_mm, z_mm = self._planned_mm or self._position_mm(at_s)
        return f"X:{x_mm:.2f} Y:{y_mm:.2f} Z:{z_mm:.2f} E:0.00 Count X:0 Y:0 Z:0"

    def _halt(self, at_s: float) -> None:
        self._stop(at_s)
        self._forget()
        self._is_halted = True
        self._say(HALTED, at_s)
