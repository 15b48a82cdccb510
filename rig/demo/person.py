"""The virtual person: does on the virtual bench what a tester would do by hand."""

from __future__ import annotations

from drivers.clock import VirtualClock
from rig.build import Bench
from rig.operator import ProgramAnswers, Prompt

#: How long the virtual person takes to do what was asked and answer. [s]
TAKES_S = 20.0


class VirtualPerson(ProgramAnswers[str]):
    """Answers every prompt with the usual answer, after doing what it says.

    Parameters
    ----------
    bench : Bench
        The lamp is switched, and the device hung, on the virtual bench behind it.
    device : str
        The device to hang when a height is asked for.

    Raises
    ------
    ValueError
        A real bench: a virtual person can light nothing there.
    """

    def __init__(self, bench: Bench, device: str) -> None:
        if bench.virtual is None or not isinstance(bench.clock, VirtualClock):
            raise ValueError("the virtual person works on the virtual bench only")
        self._bench = bench.virtual
        self._clock = bench.clock
        self._device = device

    def ask(self, prompt: Prompt) -> None:
        """Go and do it; the answer is there `TAKES_S` later."""

        def do() -> None:
            now_s = self._clock.elapsed_s()
            if prompt.kind == "lamp-on":
                self._bench.switch_lamp(True, now_s)
            elif prompt.kind == "lamp-off":
                self._bench.switch_lamp(False, now_s)
            elif prompt.kind == "relay-isolate":
                self._bench.isolate_lamp(True, now_s)
            elif prompt.kind == "height" and prompt.value_mm is not None:
                self._bench.hang(self._device, prompt.value_mm, now_s)
            self._answer = prompt.choices[0]

        self._clock.call_at(self._clock.elapsed_s() + TAKES_S, do)


class NoStop:
    """Nobody asks a demo to stop; the terminal's own Ctrl-C ends it."""

    reason: str | None = None

    def fileno(self) -> int | None:
        """Return None: nothing of the operating system to wait on."""
        return None

    def readable(self) -> bool:
        """Return False, always."""
        return False
