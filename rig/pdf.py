"""A page printed as PDF by a browser of the Chromium family, if the system has one."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

#: The names under which systems install it, in the order in which they are tried.
NAMES: Final = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
#: A large comparison takes some seconds; a machine that is busy may need much longer.
LIMIT_S: Final = 120.0
#: The report holds all that it shows, so nothing is to be fetched, and nobody to be told.
_QUIETLY: Final = (
    "--headless",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-extensions",
    "--disable-sync",
    "--no-default-browser-check",
    "--no-first-run",
    "--no-pings",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--no-pdf-header-footer",
)


class NoPdf(Exception):
    """There is no PDF, for the reason given; the page itself is as it was."""


def browser() -> str | None:
    """Return the path of the browser that prints, or None where there is none."""
    return next(filter(None, map(shutil.which, NAMES)), None)


def write_pdf(page: Path, *, limit_s: float = LIMIT_S) -> Path:
    """Print an HTML page on A4 into a PDF beside it, under the same name.

    A PDF that was there is replaced only by a whole one.

    Parameters
    ----------
    page : Path
        HTML file; it is read only.
    limit_s : float
        Time after which the browser is ended. [s]

    Returns
    -------
    Path
        The PDF.

    Raises
    ------
    NoPdf
        The system has no such browser, or it failed or took too long.
    OSError
        The PDF could not be put in its place.
    """
    program = browser()
    if program is None:
        raise NoPdf(
            "no PDF: it is printed by Chromium, and none of "
            f"{', '.join(NAMES)} is on the PATH; install one (Debian: apt install chromium), or "
            f"print {page} to a file from any browser"
        )
    done = page.with_suffix(".pdf")
    # Beside the page: a browser in a container of its own may not see the system's temporary files.
    part = done.with_name(f"{done.name}.part")
    try:
        # A profile of its own: the user's is left alone, and an open browser does not matter.
        with TemporaryDirectory(prefix="evenfall-pdf-", ignore_cleanup_errors=True) as profile:
            said = _run(
                [
                    program, *_QUIETLY, *_unconfined(), f"--user-data-dir={profile}",
                    f"--print-to-pdf={part.resolve()}", page.resolve().as_uri(),
                ],
                limit_s,
            )  # fmt: skip
        if not part.is_file() or not part.read_bytes().startswith(b"%PDF-"):
            raise NoPdf(f"no PDF: {program} wrote none. Its last words: {_last(said)}")
        part.replace(done)
    finally:
        part.unlink(missing_ok=True)
    return done


def _unconfined() -> tuple[str, ...]:
    # As root it refuses to start otherwise; the page is ours, and nothing in it is a script.
    return ("--no-sandbox",) if os.geteuid() == 0 else ()


def _run(words: Sequence[str], limit_s: float) -> str:
    program = subprocess.Popen(
        words,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        errors="replace",
        start_new_session=True,
    )
    try:
        _, said = program.communicate(timeout=limit_s)
    except subprocess.TimeoutExpired:
        raise NoPdf(
            f"no PDF: {words[0]} had not ended after {limit_s:g} s, and was ended"
        ) from None
    finally:
        if program.poll() is None:
            os.killpg(program.pid, signal.SIGKILL)  # with all that it has started
            program.communicate()
    if program.returncode:
        raise NoPdf(
            f"no PDF: {words[0]} ended with {program.returncode}. Its last words: {_last(said)}"
        )
    return said


def _last(said: str) -> str:
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    return lines[-1] if lines else "none"
