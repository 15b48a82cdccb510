"""A conversation with an instrument that never waits.

A driver writes its conversation as a generator, top to bottom, as if it could wait. Each
``yield t`` hands control back until a byte arrives or the clock reads `t`; the generator
then looks at both itself. `Talk` carries it forward from `poll`.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from typing import Generic, TypeVar

from drivers.clock import Clock
from drivers.line import Line

Result = TypeVar("Result")
Conversation = Generator[float, None, Result]


class Talk(Generic[Result]):
    """The one conversation that an instrument has under way, if any."""

    def __init__(self) -> None:
        self._conversation: Conversation[Result] | None = None
        self.wake_s = math.inf

    @property
    def is_under_way(self) -> bool:
        """Whether a conversation has begun and not ended."""
        return self._conversation is not None

    def begin(self, conversation: Conversation[Result]) -> None:
        """Take up a conversation; nothing of it happens before `advance`.

        Raises
        ------
        RuntimeError
            Another one is still under way: a fault of the caller, not of the instrument.
        """
        if self._conversation is not None:
            raise RuntimeError("started while a measurement is under way; cancel it first")
        self._conversation = conversation
        self.wake_s = -math.inf

    def advance(self) -> Result | None:
        """Go on as far as the bytes at hand allow; return the result once there is one."""
        if self._conversation is None:
            raise RuntimeError("polled, but nothing was started")
        try:
            self.wake_s = next(self._conversation)
        except StopIteration as ended:
            self.end()
            result: Result = ended.value
            return result
        except BaseException:
            self.end()
            raise
        return None

    def wake(self) -> None:
        """Ask to be carried forward at once: what it waited for has come about."""
        if self._conversation is not None:
            self.wake_s = -math.inf

    def end(self) -> None:
        """Drop what is under way."""
        conversation, self._conversation = self._conversation, None
        self.wake_s = math.inf
        if conversation is not None:
            conversation.close()


def wait(clock: Clock, line: Line, until_s: float) -> Conversation[bytes]:
    """Let time pass inside a conversation; return what arrived meanwhile, unasked. [s]

    The bytes are taken off the line as they come: a line left readable would keep the loop
    spinning, and would be mistaken for the reply to the next request.
    """
    unasked = line.read()
    while clock.elapsed_s() < until_s:
        yield until_s
        unasked += line.read()
    return unasked
