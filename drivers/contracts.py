"""What each kind of instrument promises. All are two-phase.

``start()`` begins one measurement (or move) and returns at once. ``poll()`` moves the
conversation with the instrument forward without waiting, and returns the result, or None
while there is none. ``wake_s`` is the elapsed time by which poll wants to be called again
even if no byte arrives; before that, only arriving bytes on ``lines`` matter. ``cancel()``
gives up what is under way. So one plain loop serves whichever instrument is due::

    instrument.start()
    while (result := instrument.poll()) is None:
        clock.wait_until(instrument.wake_s, watching=instrument.lines)

No method waits. `start` while a measurement is under way is a programming error and raises
RuntimeError. poll raises a `drivers.errors.DriverError` when the measurement has failed; the
instrument is then idle again and may be started anew. Nothing is retried inside a driver
except where the protocol itself prescribes it; each such retry is counted in ``retries``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple, Protocol

from drivers.arming import Arming
from drivers.clock import Watchable
from drivers.reading import Reading


class Position(NamedTuple):
    """Where the stage says that it stands. [mm]"""

    x_mm: float
    y_mm: float
    z_mm: float | None = None


class TwoPhase(Protocol):
    """What all instruments share."""

    @property
    def device(self) -> str:
        """Name, port and address, as an error message shows them."""
        ...

    @property
    def lines(self) -> Sequence[Watchable]:
        """The lines on which an arriving byte is a reason to poll, or a person's desk."""
        ...

    @property
    def wake_s(self) -> float:
        """Elapsed time by which `poll` wants to be called; infinity when idle. [s]"""
        ...

    def cancel(self) -> None:
        """Give up what is under way. Safe at any time."""
        ...

    def close(self) -> None:
        """Release the line. Safe to call twice."""
        ...


class Instrument(TwoPhase, Protocol):
    """Light sensor, power meter, thermometer: something that measures."""

    retries: int

    def start(self) -> float:
        """Begin one measurement; return the elapsed time before which it cannot be ready. [s]"""
        ...

    def poll(self) -> tuple[Reading, ...] | None:
        """Return the readings of this measurement, or None before they are there."""
        ...

    def start_identify(self) -> float:
        """Begin asking the instrument who it is. The answer comes from `poll_identity`. [s]"""
        ...

    def poll_identity(self) -> str | None:
        """Return who the instrument says it is, in one line, or None before it has answered."""
        ...


class LightSensor(Instrument, Protocol):
    """Gives one reading of ``ppfd_umol_m2_s`` for each measurement."""


class PowerMeter(Instrument, Protocol):
    """Gives ``wall_power_w`` and, where it has them, line voltage, current, power factor."""


class Thermometer(Instrument, Protocol):
    """Gives one reading of ``temperature_c`` for each measurement."""


class LampRelay(TwoPhase, Protocol):
    """Opens and closes the lamp circuit, and opens it by itself when nobody speaks to it.

    Opening is possible at any time and from any state. Closing takes an `Arming`, which is made
    in one place of the rig only. `poll` ends each conversation with what the relay reads back.
    """

    @property
    def opens_after_silence_s(self) -> float | None:
        """Time after which an unattended relay opens by itself; None if not declared. [s]"""
        ...

    @property
    def reads_back(self) -> bool:
        """Whether the relay tells its state; if not, `poll` gives what it was told to be."""
        ...

    def start_off(self) -> float:
        """Begin opening the lamp circuit, whatever is under way. Never refuses. [s]"""
        ...

    def start_on(self, arming: Arming) -> float:
        """Begin closing the lamp circuit. [s]

        Raises
        ------
        LightingRefused
            Not armed, the arming is spent, or the relay is not declared to open by itself.
            Nothing was sent.
        """
        ...

    def start_refresh(self) -> float:
        """Begin telling a closed relay that somebody is there. Never closes an open one. [s]"""
        ...

    def start_read(self) -> float:
        """Begin reading the state back; to the relay this may count as a word. [s]"""
        ...

    def poll(self) -> bool | None:
        """Return True for closed, False for open, or None before the relay has said so.

        Raises
        ------
        RelayLost
            It reads back otherwise than it was told.
        """
        ...

    def start_identify(self) -> float:
        """Begin asking the relay who it is; `poll_identity` has the answer. [s]"""
        ...

    def poll_identity(self) -> str | None:
        """Return who the relay says it is, in one line, or None before it has answered."""
        ...


class Stage(TwoPhase, Protocol):
    """Carries the sensor to a point. Never moves on connecting."""

    def start_home(self) -> float:
        """Begin homing: the only way a position becomes known. [s]"""
        ...

    @property
    def has_height_axis(self) -> bool:
        """Whether z moves the lamp or the plane, so that a mounting height can be driven to."""
        ...

    def start_move(self, x_mm: float, y_mm: float, z_mm: float | None = None) -> float:
        """Begin a move; return the elapsed time before which it cannot have ended. [s]

        `z_mm` is the mounting height; None leaves it as it is.

        Raises
        ------
        MotionRefused
            Outside the travel limits, or the position is not known.
        """
        ...

    def poll(self) -> Position | None:
        """Return the position once it is confirmed and still, or None before that.

        Raises
        ------
        PositionLost
            The controller restarted, stands in alarm, or stopped short of its target.
        """
        ...

    @property
    def still_since_s(self) -> float | None:
        """Elapsed time since which the stage is known to stand still, None while moving. [s]"""
        ...

    @property
    def is_homed(self) -> bool:
        """Whether the position is known."""
        ...

    @property
    def remarks(self) -> tuple[str, ...]:
        """What a person should know of its settings, as far as it tells them."""
        ...

    def stop(self) -> None:
        """Ask the controller to stop at once. Not an emergency stop."""
        ...
