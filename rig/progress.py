"""What the terminal shows while a run goes on: phase, bar with time left, live numbers."""

from __future__ import annotations

from typing import Protocol

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn


class RunProgress(Protocol):
    """What the sequence tells about its progress."""

    def phase(self, name: str, detail: str = "") -> None:
        """Say that a new phase has begun."""
        ...

    def step(self, done: float, total: float, text: str, left_s: float | None = None) -> None:
        """Say how far the phase is, what is being read, and how long it will still take. [s]"""
        ...

    def hold(self) -> None:
        """Take the bar off the screen, so that a question can be read and answered."""
        ...


class QuietProgress:
    """Says nothing; for runs without a terminal of their own."""

    def phase(self, name: str, detail: str = "") -> None:
        """Say nothing."""

    def step(self, done: float, total: float, text: str, left_s: float | None = None) -> None:
        """Say nothing."""

    def hold(self) -> None:
        """Do nothing: there is no bar."""


class TerminalProgress:
    """A line for each phase, and under it a bar with time left and the live numbers."""

    def __init__(self, console: Console | None = None) -> None:
        self._console = console or Console(highlight=False)
        self._bar: Progress | None = None
        self._task: TaskID | None = None

    def phase(self, name: str, detail: str = "") -> None:
        """Print the name of the phase; the bar starts afresh."""
        self.hold()
        self._console.print(f"{name}  {detail}".rstrip(), markup=False)

    def step(self, done: float, total: float, text: str, left_s: float | None = None) -> None:
        """Move the bar."""
        left = "" if left_s is None else f"{duration(left_s)} left"
        if self._bar is None or self._task is None:
            self._bar = Progress(
                TextColumn("  "),
                BarColumn(bar_width=24),
                TextColumn("{task.fields[left]}", markup=False),
                TextColumn("{task.description}", markup=False),
                console=self._console,
                auto_refresh=False,
                transient=True,
            )
            self._task = self._bar.add_task(text, total=total, left=left)
            self._bar.start()
        self._bar.update(self._task, completed=done, total=total, description=text, left=left)
        if self._console.is_terminal:
            self._bar.refresh()

    def hold(self) -> None:
        """Take the bar off the screen."""
        if self._bar is not None:
            self._bar.stop()
        self._bar = self._task = None


def duration(seconds: float) -> str:
    """Write a time as a person says it: ``45 s``, ``12 min``, ``1 h 05 min``."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"
