"""What motion controllers of all dialects have in common, at the byte level.

Lines wait for the parser, moves for the queue, and the parser for a barrier. Each dialect adds
what it understands and what it says.
"""

from __future__ import annotations

import math
from collections import deque
from typing import ClassVar

from attrs import define, frozen

from drivers.simulated.gantry_motion import GantryMotion
from drivers.simulated.gcode_block import LINE_LENGTH
from drivers.simulated.instruments import GcodeStage
from drivers.simulated.peer import Fault, FaultScript, Outbox


@frozen
class Move:
    """One block of the motion queue, in stage coordinates."""

    target_mm: tuple[float, float, float]
    speed_mm_s: float
    starts_later_s: float = 0.0


@define
class Modes:
    """What lasts from line to line."""

    motion: str = "G0"
    millimetres_per_unit: float = 1.0
    is_absolute: bool = True
    feed_mm_min: float | None = None


class GcodeController:
    """A controller's end of the line, but for its dialect.

    Parameters
    ----------
    stage : GcodeStage
    gantry : GantryMotion
        The virtual bench's gantry.
    """

    #: Kinds of fault that only motion controllers have. "early" answers a barrier at once.
    OWN_KINDS: ClassVar[frozenset[str]] = frozenset(
        {"banner", "alarm", "error", "slow", "short", "dead", "early"}
    )

    def __init__(self, stage: GcodeStage, gantry: GantryMotion) -> None:
        self._stage = stage
        self._gantry = gantry
        self._script = FaultScript(stage.faults, self.OWN_KINDS)
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
        self._queue: deque[Move] = deque()
        self._move: Move | None = None
        self._move_begins_s = math.inf
        self._move_ends_s = math.inf
        self._parser_free_s = -math.inf
        self._dwell_s: float | None = None
        self._dwell_fault: Fault | None = None
        self._homes_until_s = -math.inf
        self._is_held = False
        self._modes = Modes()
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
            if self._real_time(byte, at_s):
                continue
            if byte in b"\r\n":
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

    # What a dialect does

    def _real_time(self, byte: int, at_s: float) -> bool:
        """Act on a byte that is picked out of the stream; say whether it was one."""
        return False

    def _restart(self, at_s: float, *, boot_s: float, forgets_position: bool) -> None:
        raise NotImplementedError

    def _obey(self, raw: bytes, at_s: float) -> None:
        raise NotImplementedError

    def _barrier(self, seconds: float, at_s: float, fault: Fault | None) -> None:
        """Answer when all motion has ended, and so much later. [s]"""
        if fault and fault.kind == "early":
            self._say("ok", at_s)
            return
        self._dwell_s, self._dwell_fault = seconds, fault
        if self._move is None and not self._queue:
            self._end_dwell_at(at_s + seconds)

    def _queue_move(
        self,
        start_mm: tuple[float, float, float],
        goal_mm: tuple[float, float, float],
        speed_mm_s: float,
        at_s: float,
        fault: Fault | None,
    ) -> None:
        """Put a move in the queue, and begin it if nothing is under way."""
        self._planned_mm = goal_mm
        if fault and fault.kind == "short":  # Stops half-way, as after a stop from outside.
            x, y, z = ((a + b) / 2 for a, b in zip(start_mm, goal_mm, strict=True))
            goal_mm = (x, y, z)
        later_s = fault.delay_s if fault and fault.kind == "slow" else 0.0
        self._queue.append(Move(goal_mm, speed_mm_s, later_s))
        if self._move is None and not self._is_held:
            self._next_move(at_s)
