"""The lamp relay on RTS or DTR: a timer relay that opens unless the line blinks.

::

    line     ____/‾‾‾‾‾‾‾‾‾‾‾‾\\_/‾‾‾‾‾‾‾‾‾‾‾‾\\_/‾‾‾‾‾‾‾‾‾\\________
                on       refresh        refresh       off

Where an auxiliary contact raises an input of the port, the state is read back from it; else the
relay tells nothing, and a person looks. Tested with: the virtual bench only.
"""

from __future__ import annotations

import math

from drivers.clock import Clock
from drivers.control_line.options import ControlLineRelayOptions
from drivers.conversing_relay import ConversingRelay
from drivers.errors import DeviceFault, RelayLost
from drivers.line import ControlLines
from drivers.talk import Conversation, wait


class ControlLineRelay(ConversingRelay):
    """A relay that one control line closes.

    Parameters
    ----------
    options : ControlLineRelayOptions
        From the rig profile.
    line : ControlLines
        The serial port; its lines are down.
    clock : Clock
        Deadlines.
    device : str
        What messages call it, e.g. ``"lamp relay"``.
    """

    def __init__(
        self, options: ControlLineRelayOptions, line: ControlLines, clock: Clock, device: str
    ) -> None:
        super().__init__(line, clock, f"{device}, {line.name} {options.control_line.upper()}")
        self._options = options
        self.opens_after_silence_s = options.opens_after_silence_s
        self._is_up = False
        self._changed_s = -math.inf
        self._lines: ControlLines = self._line  # type: ignore[assignment]

    @property
    def reads_back(self) -> bool:
        """Whether an auxiliary contact is wired to an input of the port."""
        return self._options.read_back != "none"

    # The conversations

    def _switch(self, closed: bool) -> Conversation[bool]:
        self._set(closed)
        yield from self._rest(self._options.settle_s)
        if (is_closed := self._state()) != closed:
            told, reads = ("close", "open") if closed else ("open", "closed")
            raise RelayLost(
                self._device,
                f"told to {told}, {self._options.read_back.upper()} reads back {reads}.",
                remedy="Switch the lamp off by hand, then look at relay and wiring.",
            )
        return is_closed

    def _refresh(self) -> Conversation[bool]:
        # A blink that comes late could close what has just opened by itself.
        late_s = self._changed_s + 0.5 * (self.opens_after_silence_s or 0.0)
        is_held = self._is_up and self._clock.elapsed_s() < late_s
        self._set(False)
        if is_held:
            yield from self._rest(self._options.pulse_s)
            # Only a relay that is still closed is held: the drop may have been too long for it.
            if self._state_if_told(True):
                self._set(True)
        return self._state()

    def _read(self) -> Conversation[bool]:
        yield from self._rest(0.0)
        return self._state()

    def _identify(self) -> Conversation[str]:
        self._set(self._is_up)
        yield from self._rest(0.0)
        if not self.reads_back:
            return f"{self._options.control_line.upper()}: a line that tells nothing of itself"
        if self._state() and not self._is_up:
            raise DeviceFault(
                self._device,
                f"{self._options.read_back.upper()} says closed, and nobody has closed it.",
                remedy="Isolate the lamp circuit, then look at the relay's contacts and wiring.",
            )
        state = "closed" if self._state() else "open"
        return f"{self._options.control_line.upper()}: reads back {state}"

    def _rest(self, seconds: float) -> Conversation[None]:
        self.unasked = yield from wait(self._clock, self._line, self._clock.elapsed_s() + seconds)

    def _set(self, up: bool) -> None:
        if up != self._is_up:
            self._changed_s = self._clock.elapsed_s()
        self._is_up = up
        self._lines.set_control_line(self._options.control_line, up)

    def _state(self) -> bool:
        return self._state_if_told(self._is_up)

    def _state_if_told(self, told: bool) -> bool:
        return self._lines.control_line(self._options.read_back) if self.reads_back else told
