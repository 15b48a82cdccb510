"""What all lamp relays have in common, whatever closes them."""

from __future__ import annotations

from drivers.arming import Arming
from drivers.conversing import ConversingInstrument
from drivers.relay_options import check_lighting
from drivers.talk import Conversation


class ConversingRelay(ConversingInstrument):
    """The four things a relay is asked, begun alike; how they are said is the kind's own.

    Attributes
    ----------
    opens_after_silence_s : float or None
        As declared in the profile; set by the kind. [s]
    """

    opens_after_silence_s: float | None

    def start_off(self) -> float:
        """Begin opening the lamp circuit, whatever is under way. Never refuses. [s]"""
        self.cancel()
        self._talk.begin(self._switch(False))
        return self._clock.elapsed_s()

    def start_on(self, arming: Arming) -> float:
        """Begin closing the lamp circuit. [s]

        Raises
        ------
        LightingRefused
            Not armed, the arming is spent, or the relay is not declared to open by itself.
            Nothing was sent.
        """
        now_s = self._clock.elapsed_s()
        check_lighting(arming, self.opens_after_silence_s, self._device, now_s)
        self._talk.begin(self._switch(True))
        return now_s

    def start_refresh(self) -> float:
        """Begin telling a closed relay that somebody is there. Never closes an open one. [s]"""
        self._talk.begin(self._refresh())
        return self._clock.elapsed_s()

    def start_read(self) -> float:
        """Begin reading the state back. [s]"""
        self._talk.begin(self._read())
        return self._clock.elapsed_s()

    def poll(self) -> bool | None:
        """Return True for closed, False for open, or None before that is known.

        Raises
        ------
        RelayLost
            It reads back otherwise than it was told.
        NoReply, GarbledReply, DeviceFault
            Nothing came, or nothing valid, or the device refused.
        PortLost, WriteStalled
            The line failed, or has no control lines.
        """
        is_closed: bool | None = self._advance()
        return is_closed

    def _switch(self, closed: bool) -> Conversation[bool]:
        raise NotImplementedError

    def _refresh(self) -> Conversation[bool]:
        raise NotImplementedError

    def _read(self) -> Conversation[bool]:
        raise NotImplementedError
