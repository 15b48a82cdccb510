"""Wakes the schedule's loop: the one place where APScheduler is used, and all it is used for.

It reads the computer's clock by itself, keeps nothing, and may be late, wake twice or not at all:
what is planned is in our own file, and the loop looks at it anyway.
"""

from __future__ import annotations

import contextlib
import logging
import os
from datetime import datetime

from apscheduler.schedulers.background import BackgroundScheduler


class Alarm:
    """Becomes readable at the moments it is given, by a thread of APScheduler's."""

    def __init__(self) -> None:
        # Its own log speaks of jobs that nobody here knows.
        logging.getLogger("apscheduler").setLevel(logging.CRITICAL)
        self._read, self._write = os.pipe()
        os.set_blocking(self._read, False)
        os.set_blocking(self._write, False)
        self._scheduler = BackgroundScheduler(timezone="UTC", daemon=True)
        self._scheduler.start()

    def wake_at(self, name: str, utc: datetime) -> None:
        """Wake for a planned run; a new moment replaces the one before, the same is no news."""
        job = self._scheduler.get_job(name)
        if job is not None and job.next_run_time == utc:
            return
        self._scheduler.add_job(
            self._ring,
            "date",
            run_date=utc,
            id=name,
            replace_existing=True,
            misfire_grace_time=None,
            coalesce=True,
        )

    def clear(self) -> None:
        """Be readable no longer."""
        with contextlib.suppress(BlockingIOError):
            while os.read(self._read, 4096):
                pass

    def fileno(self) -> int | None:
        """Return the end of the pipe that becomes readable."""
        return self._read

    def readable(self) -> bool:
        """Return False: a byte in the pipe is seen by whoever waits on it."""
        return False

    def close(self) -> None:
        """End the thread."""
        self._scheduler.shutdown(wait=False)
        os.close(self._read)
        os.close(self._write)

    def _ring(self) -> None:
        with contextlib.suppress(BlockingIOError, OSError):
            os.write(self._write, b"!")
