"""Any kind of the registry with its simulated far end, found by what the bench writes of itself.

A kind is found through `drivers.simulated.fittings`: the far end is the make whose rig profile
names the kind. So a new device needs its entry in the registry and its data and peer on the
virtual bench, and nothing here; a kind that comes from a make only with other data than its
default has that data in `OTHER_DATA`.
"""

from __future__ import annotations

import copy
import functools
import random
import tomllib
import types
import typing
from typing import Any

import attrs

from drivers.clock import VirtualClock
from drivers.line import SerialSettings
from drivers.memory_line import ControlLinePeer, MemoryLine
from drivers.registry import KINDS
from drivers.simulated.bench import VirtualBench
from drivers.simulated.fittings import FITTINGS, Site
from drivers.simulated.instruments import Instruments
from drivers.simulated.scenario import packaged
from rig.profile import fitted

#: Data of makes that come as several kinds: section of the rig profile, and data.
OTHER_DATA: list[tuple[str, Any]] = []

DEVICE = "thing on the bench"
PORT = "bench port"


class NoFarEnd(Exception):
    """A kind that nothing on the virtual bench speaks."""


def profile_of(section: str, data: Any) -> dict[str, Any]:
    """Return what the bench writes into a rig profile for a make."""
    settings = FITTINGS[type(data)].settings(data, False)
    site = Site(section=section, port=PORT, settings=settings, carries_breaks=True)
    text = "\n".join([f"[{section}]", *FITTINGS[type(data)].profile(data, site)])
    table: dict[str, Any] = tomllib.loads(text)[section]
    return table


@functools.cache
def makes() -> list[tuple[str, Any]]:
    """Return section and data of all makes that the bench can put there."""
    hints = typing.get_type_hints(Instruments)
    found = list(OTHER_DATA)
    for field in attrs.fields(Instruments):
        union = hints[field.name]
        choices = typing.get_args(union) if isinstance(union, types.UnionType) else (union,)
        found += [(field.name, make()) for make in choices if make is not types.NoneType]
    return found


def far_end_of(kind: str) -> tuple[str, Any, dict[str, Any]]:
    """Return section, data and profile of the make that is of a kind.

    Raises
    ------
    NoFarEnd
        There is none. The message says what to add.
    """
    for section, data in makes():
        table = profile_of(section, data)
        if table.pop("kind") == kind:
            return section, data, table
    raise NoFarEnd(
        f"kind {kind!r} of drivers/registry.py has no simulated far end, so nothing of it is "
        "tested by bytes. Add its data and its peer to drivers/simulated/, an entry to FITTINGS in "
        "drivers/simulated/fittings.py and the make to Instruments in "
        "drivers/simulated/instruments.py; if its make is there, add the data that makes it this "
        "kind to OTHER_DATA in tests/drivers/contract_bench.py."
    )


class Meddled:
    """A peer with somebody in between, who may keep its replies back or spoil them."""

    def __init__(self, peer: Any, babbles_bytes: int = 8) -> None:
        self._peer = peer
        self._babbles_bytes = babbles_bytes
        self._noise = random.Random(7)
        self._babbles_s = 0.0
        self.mode = "fair"

    def opened(self, at_s: float) -> None:
        self._peer.opened(at_s)

    def receive(self, data: bytes, at_s: float) -> None:
        self._peer.receive(data, at_s)

    def line_break(self, start_s: float, end_s: float) -> None:
        self._peer.line_break(start_s, end_s)

    def next_s(self) -> float:
        next_s: float = self._peer.next_s()
        return min(next_s, self._babbles_s) if self.mode == "babbling" else next_s

    def take(self, at_s: float) -> bytes:
        data: bytes = self._peer.take(at_s)
        if self.mode == "babbling":
            self._babbles_s = at_s + 0.05
            return self._noise.randbytes(self._babbles_bytes)
        return SPOILT[self.mode](data)

    def babble_from(self, at_s: float) -> None:
        self._babbles_s = at_s
        self.mode = "babbling"


class MeddledLines(Meddled):
    """The same for a peer that has control lines."""

    def control_line(self, which: str, raised: bool, at_s: float) -> None:
        self._peer.control_line(which, raised, at_s)

    def raises(self, which: str, at_s: float) -> bool:
        raises: bool = self._peer.raises(which, at_s)
        return raises


def _turned(data: bytes, kept: bytes = b"") -> bytes:
    return bytes(byte if byte in kept else byte ^ 0x15 for byte in data)


#: What becomes of a reply. Turned so, no digit is one any more.
SPOILT = {
    "fair": lambda data: data,
    "silent": lambda data: b"",
    "turned": _turned,
    "turned between line ends": lambda data: _turned(data, b"\r\n"),
    "cut short": lambda data: data[: len(data) // 2],
}


@functools.cache
def _pristine_bench() -> VirtualBench:
    bench = VirtualBench.from_scenario(packaged("quick"))
    bench.switch_lamp(True, 0.0)
    bench.measured_ppfd("light_sensor", 0.0, 1.0)  # its field is worked out once
    return bench


class NeverWaiting(VirtualClock):
    """What an instrument is given: it may look at the clock and must not wait on it."""

    def __init__(self, clock: VirtualClock) -> None:
        super().__init__()
        self._clock = clock

    def elapsed_s(self) -> float:
        return self._clock.elapsed_s()

    def call_at(self, elapsed_s: float, action: Any) -> None:
        raise AssertionError("a driver has the clock do something later")

    def wait_until(self, elapsed_s: float, *, watching: Any = ()) -> None:
        raise AssertionError("a driver waits; only the loop does")


class OnTheBench:
    """One instrument of a kind, its line, and its far end behind a meddler."""

    def __init__(self, name: str) -> None:
        self.kind = KINDS[name]
        section, data, table = far_end_of(name)
        self.role = self.kind.role
        self.options = fitted({"kind": name, **table}, self.role).options
        self.clock = VirtualClock()
        bench = copy.deepcopy(_pristine_bench())
        peer = FITTINGS[type(data)].peer(data, section, bench, True)
        meddled = MeddledLines if isinstance(peer, ControlLinePeer) else Meddled
        self.peer = meddled(peer)
        settings: SerialSettings = self.kind.line_settings(self.options)
        self.line = MemoryLine(PORT, settings, self.clock, self.peer)
        self.peer.opened(0.0)
        self.instrument = self.kind.make(self.options, self.line, NeverWaiting(self.clock), DEVICE)
        self.polls = 0

    # What a role does first of all; a stage must be homed before anything else.

    def begin(self) -> float:
        """Begin what instruments of this role are there for."""
        start = {"stage": "start_home", "lamp_relay": "start_read"}.get(self.role, "start")
        begun: float = getattr(self.instrument, start)()
        return begun

    def finish(self, *, poll: Any = None, longest_s: float = 300.0) -> Any:
        """Drive what was begun to its end, as the rig's loop does."""
        poll = poll or self.instrument.poll
        ends_s = self.clock.elapsed_s() + longest_s
        self.polls = 0
        while (result := poll()) is None:
            self.polls += 1
            assert self.clock.elapsed_s() < ends_s, "goes on beyond any deadline"
            wake_s = min(self.instrument.wake_s, ends_s)
            self.clock.wait_until(wake_s, watching=self.instrument.lines)
        return result

    def do(self) -> Any:
        self.begin()
        return self.finish()

    def rest(self, seconds: float) -> None:
        """Let time pass, as between two tries."""
        self.clock.wait_until(self.clock.elapsed_s() + seconds)

    def bytes_out(self) -> int:
        return sum(len(event.data) for event in self.line.events if event.kind == "out")
