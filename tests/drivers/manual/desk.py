"""A desk in memory: the test types, and whoever wishes something else raises."""

from __future__ import annotations

import math


class DeskInMemory:
    def __init__(self) -> None:
        self.question: object | None = None
        self.typed: str | None = None
        self.wish: BaseException | None = None
        self.wake_s = math.inf

    def put(self, question: object) -> None:
        self.question, self.typed = question, None

    def reply(self) -> str | None:
        if self.wish is not None:
            wish, self.wish = self.wish, None
            raise wish
        typed, self.typed = self.typed, None
        return typed

    def withdraw(self) -> None:
        self.question = None

    def fileno(self) -> int | None:
        return None

    def readable(self) -> bool:
        return self.typed is not None or self.wish is not None
