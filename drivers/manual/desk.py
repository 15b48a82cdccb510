"""How a driver asks a person: one question at a time, and never waiting.

The person has no line. What stands in its place is a desk: a question is put on it, and the
reply is fetched when it is there. Who shows the question, and what else a person may wish
meanwhile, is no business of a driver.
"""

from __future__ import annotations

from typing import Protocol

from attrs import frozen


@frozen
class Carry:
    """Carry the sensor to a point of the plane. [mm]"""

    x_mm: float
    y_mm: float


@frozen
class ReadOff:
    """Read a display and key in what it shows.

    Attributes
    ----------
    quantity : str
        Name in the glossary ``analysis/quantities.py``.
    """

    quantity: str


Question = Carry | ReadOff


class Desk(Protocol):
    """Where a person is asked."""

    @property
    def wake_s(self) -> float:
        """Elapsed time by which `reply` wants to be called, whatever is typed. [s]"""
        ...

    def put(self, question: Question) -> None:
        """Put a question; the one before it is withdrawn."""
        ...

    def reply(self) -> str | None:
        """Return the reply to the question as it was typed, or None before it is there.

        "" for a sensor that stands where it was to be carried to, and for a value left out.
        """
        ...

    def withdraw(self) -> None:
        """Take the question back. Safe at any time."""
        ...

    def fileno(self) -> int | None:
        """Return the descriptor a clock can wait on, or None."""
        ...

    def readable(self) -> bool:
        """Say whether a reply may be waiting."""
        ...
