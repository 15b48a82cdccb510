"""Tell one story to many: the folder is read once, each message is written once."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Any, Final

from drivers.clock import SystemClock
from rig.live.story import Story

#: A folder is looked at this often while anybody watches. [s]
LOOK_EVERY_S: Final = 0.25
#: A sign of life goes out this often, with the time of day. [s]
BEAT_EVERY_S: Final = 5.0
#: Whoever is so many messages behind is told everything anew instead.
MOST_WAITING: Final = 40


class Hub:
    """Follows a story while somebody listens.

    Parameters
    ----------
    story : Story
    clock : SystemClock
    """

    def __init__(self, story: Story, clock: SystemClock) -> None:
        self._story = story
        self._clock = clock
        self._listeners: set[asyncio.Queue[bytes]] = set()
        self._task: asyncio.Task[None] | None = None
        self._is_read = False

    @property
    def is_idle(self) -> bool:
        """Whether nobody listens."""
        return not self._listeners

    async def listen(self) -> AsyncIterator[bytes]:
        """Give everything there is, then what changes, without end; beats in between."""
        own: asyncio.Queue[bytes] = asyncio.Queue(MOST_WAITING)
        self._listeners.add(own)
        try:
            if self._is_read:
                own.put_nowait(self._everything())
            if self._task is None:
                self._task = asyncio.create_task(self._follow())
            while True:
                yield await own.get()
        finally:
            self._listeners.discard(own)
            if not self._listeners and self._task is not None:
                self._task.cancel()
                self._task = None

    async def _follow(self) -> None:
        beat_s = self._clock.elapsed_s() + BEAT_EVERY_S
        while True:
            if self._story.look():
                await self._clock.rest(0.0)  # a long file is read in pieces; others have a turn
                continue
            if not self._is_read:
                self._is_read = True
                self._tell(self._everything())
            elif news := self._story.news(self._clock.utc()):
                self._tell(message("news", news))
            if self._clock.elapsed_s() >= beat_s:
                beat_s = self._clock.elapsed_s() + BEAT_EVERY_S
                self._tell(beat(self._clock))
            await self._clock.rest(LOOK_EVERY_S)

    def _everything(self) -> bytes:
        return message("all", self._story.snapshot(self._clock.utc()))

    def _tell(self, text: bytes) -> None:
        anew = b""
        for listener in self._listeners:
            if listener.full():
                while not listener.empty():
                    listener.get_nowait()
                anew = anew or self._everything()
                listener.put_nowait(anew)
            else:
                listener.put_nowait(text)


def message(kind: str, content: dict[str, Any]) -> bytes:
    """Write one server-sent event.

    References
    ----------
    .. [1] HTML Living Standard, section "Server-sent events".
    """
    # A JSON text in one line holds no line end, which alone would end the field.
    text = json.dumps(content, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return f"event: {kind}\ndata: {text}\n\n".encode()


def beat(clock: SystemClock) -> bytes:
    """Return a sign of life with the time of day."""
    return message("beat", {"utc": clock.utc().isoformat(timespec="seconds")})
