"""Keep the computer from going to sleep, where the system lets a program ask for that.

Asked for is what desktops and servers with systemd have: a small program that holds the wish for
as long as it runs. It ends with the pipe it reads from, so with this program, however that ends.
"""

from __future__ import annotations

import select
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from drivers.clock import Clock

INHIBITOR: Final = "systemd-inhibit"
#: It is told by then whether the system agrees. [s]
ANSWER_WITHIN_S: Final = 5.0
_HELD: Final = b"held\n"


def can_be_kept() -> bool:
    """Say whether there is a program to ask."""
    return shutil.which(INHIBITOR) is not None


@contextmanager
def kept_awake(why: str, clock: Clock) -> Iterator[str]:
    """Keep the computer awake inside this block.

    Yields
    ------
    str
        What came of it, in a sentence.
    """
    if not can_be_kept():
        yield (
            f"The computer is not kept awake: {INHIBITOR} is not there. Switch suspend off in its "
            "settings."
        )
        return
    with subprocess.Popen(
        [
            INHIBITOR,
            "--what=sleep:idle:handle-lid-switch",
            "--who=evenfall",
            f"--why={why}",
            *("sh", "-c", "echo held; exec cat"),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        bufsize=0,
        start_new_session=True,  # Ctrl-C in our terminal is for us
    ) as holder:
        assert holder.stdin is not None
        assert holder.stdout is not None
        try:
            clock.wait_until(clock.elapsed_s() + ANSWER_WITHIN_S, watching=[_Output(holder)])
            is_held = _Output(holder).has_bytes() and holder.stdout.read(len(_HELD)) == _HELD
            yield (
                "The computer is kept awake."
                if is_held
                else f"The computer is not kept awake: the system refused {INHIBITOR}. Switch "
                "suspend off in its settings."
            )
        finally:
            holder.kill()


class _Output:
    """Waits for the first word, or the end, of a program."""

    def __init__(self, program: subprocess.Popen[bytes]) -> None:
        assert program.stdout is not None
        self._output = program.stdout.fileno()

    def fileno(self) -> int | None:
        """Return what it writes to."""
        return self._output

    def readable(self) -> bool:
        """Return False: whoever waits sees it by the descriptor."""
        return False

    def has_bytes(self) -> bool:
        """Say whether there is something to read, its end included."""
        return bool(select.select([self._output], [], [], 0)[0])
