"""Holding a closed lamp relay, and opening one: what needs no arming.

A closed relay opens by itself unless it is spoken to. The keeper speaks to it in the attendant's
loop, so a program that hangs, is killed or has lost the port lets it open.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from attrs import define

from drivers.clock import Clock
from drivers.contracts import LampRelay
from drivers.errors import DriverError, PortLost
from rig import faults
from rig.beside import is_due

#: A closed relay hears from us after this share of the time in which it would open by itself.
REFRESH_SHARE: Final = 1.0 / 3.0
#: When everything stops, opening the circuit is tried for so long. [s]
DROP_WITHIN_S: Final = 5.0
DROP_AGAIN_S: Final = 0.2


@define(kw_only=True)
class Keeper:
    """Refreshes a closed relay in the attendant's loop, and sees that it is still closed.

    Attributes
    ----------
    interval_s : float
        Time between two refreshes. [s]
    due_s : float
        Elapsed time of the next; infinity while the circuit is open. [s]
    """

    clock: Clock
    instrument: LampRelay
    complain: Callable[[DriverError], None]
    interval_s: float
    due_s: float = math.inf
    is_busy: bool = False
    heard_s: float = -math.inf

    @property
    def wake_s(self) -> float:
        """Elapsed time by which `serve` wants to be called. [s]"""
        return self.instrument.wake_s if self.is_busy else self.due_s

    def begin(self) -> None:
        """Take charge of a relay that has just closed."""
        self.heard_s = self.clock.elapsed_s()
        self.due_s = self.heard_s + self.interval_s

    def end(self) -> None:
        """Leave the relay alone."""
        if self.is_busy:
            self.instrument.cancel()
        self.is_busy, self.due_s = False, math.inf

    def serve(self) -> None:
        """Refresh when due; carry a refresh forward.

        Raises
        ------
        RunStopped
            Control of the relay is lost: it is open, or has not answered for too long.
        """
        try:
            if not self.is_busy:
                if self.clock.elapsed_s() < self.due_s:
                    return
                self.instrument.start_refresh()
                self.is_busy = True
            if not is_due(self.clock, self.instrument):
                return
            is_closed = self.instrument.poll()
        except DriverError as fault:
            self._failed(fault)
            return
        if is_closed is None:
            return
        self.is_busy = False
        if not is_closed:
            self.end()
            raise control_lost(f"{self.instrument.device}: it has opened by itself.")
        self.begin()

    def _failed(self, fault: DriverError) -> None:
        self.is_busy = False
        self.complain(fault)
        now_s = self.clock.elapsed_s()
        silent_s = now_s - self.heard_s
        # Two refreshes fit into its time: beyond that it opens, and we would not know when.
        if isinstance(fault, PortLost) or silent_s > 2.0 * self.interval_s:
            self.end()
            raise control_lost(f"{fault} Not heard from for {silent_s:.1f} s; it opens by itself.")
        self.due_s = now_s + min(0.5, self.interval_s / 4.0)


def open_circuit(relay: LampRelay, clock: Clock) -> str | None:
    """Tell a relay to open, again and again for some seconds; never raises.

    Returns
    -------
    str or None
        Why it is not known to be open; None where it is.
    """
    until_s = clock.elapsed_s() + DROP_WITHIN_S
    problem = f"{relay.device}: no answer"
    while True:
        try:
            relay.start_off()
            while (is_closed := relay.poll()) is None and clock.elapsed_s() < until_s:
                clock.wait_until(min(relay.wake_s, until_s), watching=relay.lines)
            if is_closed is False:
                return None
        except Exception as fault:  # a stop must reach its end, whatever is broken
            problem = str(fault)
        again_s = clock.elapsed_s() + DROP_AGAIN_S
        if again_s >= until_s:
            return (
                f"{problem} The relay was told to open for {DROP_WITHIN_S:g} s and is not seen to "
                "be open; switch the lamp off by hand."
            )
        clock.wait_until(again_s)


def control_lost(what: str) -> faults.RunStopped:
    """Return the end of a run that has lost control of the lamp relay."""
    return faults.stop_for(faults.Hazard(f"control of the lamp relay is lost: {what}"), 1)
