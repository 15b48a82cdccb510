"""Ask each instrument of a profile who it is, on its own port, and see who is where.

Nothing moves and nothing is lit: a stage is asked for its greeting and its identity, a relay
for its identity, whatever measures for one reading as well. Only ports that the profile names
are opened. Where instruments stay silent on their own ports they are looked for on each
other's, so that a swapped pair is called by its name; nobody else's bytes go to the port of a
stage, before that is found elsewhere, or of a relay at all.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from itertools import permutations
from pathlib import Path
from typing import Any, Final, TypeVar

import attrs
from attrs import define, field

from analysis.quantities import MEASURED
from drivers import finding
from drivers.bus import Bus
from drivers.clock import Clock
from drivers.errors import DeviceFault, DriverError, NoReply, PortLost
from drivers.line import Line
from drivers.reading import Reading
from drivers.registry import KINDS
from rig.build import TITLES
from rig.check_findings import Finding, Weight
from rig.profile import Fitted, Profile

Found = TypeVar("Found")
#: Yields the time until which there is nothing to do unless a byte comes on one of the lines.
Waiting = Generator[tuple[float, Sequence[Line]], None, Found]
OpenLine = Callable[[Fitted, Clock], Line | Bus]

#: No instrument's own deadlines add up to more than this. [s]
ANSWER_WITHIN_S: Final = 60.0
#: Who an instrument is that a person serves.
NOBODY_ASKED: Final = "served by hand; nothing to ask"
#: Roles that give a reading when asked.
MEASURING: Final = ("light_sensor", "power_meter", "thermometer")
#: Roles the ports of which only their own driver may write to.
CAREFUL: Final = ("stage", "lamp_relay")


@define(kw_only=True)
class Asked:
    """What came of asking one instrument.

    Attributes
    ----------
    section : str
        Its section of the profile.
    entry : Fitted
        Kind and options, the port on which it was asked among them.
    identity : str
        Who it says it is; empty while it has not answered.
    stated_serial : str or None
        Its serial number as it states it, where its protocol has a place for one.
    readings : tuple of Reading
        One measurement, where it measures.
    reading_s : float or None
        What that took. [s]
    remarks : tuple of str
        What it says of its settings that a person should know.
    fault : DriverError or None
        Why it did not answer, or could not measure.
    trouble : Trouble or None
        Why its port was not opened.
    """

    section: str
    entry: Fitted
    identity: str = ""
    stated_serial: str | None = None
    readings: tuple[Reading, ...] = ()
    reading_s: float | None = None
    remarks: tuple[str, ...] = ()
    fault: DriverError | None = None
    trouble: finding.Trouble | None = None

    @property
    def port(self) -> str:
        """The port on which it was asked."""
        port: str = self.entry.options.port
        return port

    @property
    def role(self) -> str:
        """The role of its kind."""
        return KINDS[self.entry.kind].role

    @property
    def is_silent(self) -> bool:
        """Whether its port was open, and it did not say who it is."""
        answered = isinstance(self.fault, PortLost | DeviceFault)
        return self.trouble is None and not self.identity and not answered


@define(kw_only=True)
class Roll:
    """All instruments of a profile, asked at once; those who share a port, in turn.

    Parameters
    ----------
    profile : Profile
    clock : Clock
    open_line : callable
        ``open_line(entry, clock)`` opens the line of one instrument.
    proc : Path
        The process table, to name who holds a port.
    """

    profile: Profile
    clock: Clock
    open_line: OpenLine
    proc: Path = finding.PROC
    asked: dict[str, Asked] = field(factory=dict, init=False)
    _met: dict[str, str] = field(
        factory=dict, init=False
    )  # silent at home, answered on the port of ...

    def call(self) -> list[Finding]:
        """Ask everybody, look for the silent ones, and return what is wrong."""
        on_port: dict[str, list[str]] = {}
        found: dict[str, Asked] = {}
        for section, entry in self.profile.instruments.items():
            if KINDS[entry.kind].by_hand:
                found[section] = Asked(section=section, entry=entry, identity=NOBODY_ASKED)
            else:
                on_port.setdefault(entry.options.port, []).append(section)
        answers = self._together([self._ask_in_turn(sections) for sections in on_port.values()])
        found |= {one.section: one for answer in answers for one in answer}
        self.asked = {section: found[section] for section in self.profile.instruments}
        self._look_for_the_silent()
        return [*self._exchanged_ports(), *self._serials(), *self._faults(), *self._values()]

    # -- asking -----------------------------------------------------------------------------

    def _together(self, many: Sequence[Waiting[Found]]) -> list[Found]:
        """Carry several things on at once, each when its time or a byte has come."""
        waits: dict[int, tuple[float, Sequence[Line]]] = dict.fromkeys(
            range(len(many)), (-math.inf, ())
        )
        ended: dict[int, Found] = {}
        while waits:
            for number, (wake_s, lines) in list(waits.items()):
                if self.clock.elapsed_s() < wake_s and not any(line.readable() for line in lines):
                    continue
                try:
                    waits[number] = next(many[number])
                except StopIteration as end:
                    ended[number] = end.value
                    del waits[number]
            if waits:
                self.clock.wait_until(
                    min(wake_s for wake_s, _ in waits.values()),
                    watching=[line for _, lines in waits.values() for line in lines],
                )
        return [ended[number] for number in range(len(many))]

    def _ask_in_turn(self, sections: Sequence[str]) -> Waiting[list[Asked]]:
        """Ask those who share a port, one after the other."""
        asked = []
        for section in sections:
            asked.append((yield from self._ask(section, self.profile.instruments[section])))
        return asked

    def _ask(self, section: str, entry: Fitted) -> Waiting[Asked]:
        asked = Asked(section=section, entry=entry)
        if is_device_file(asked.port):
            asked.trouble = finding.trouble_with(asked.port, self.proc)
            if asked.trouble is not None:
                return asked
        try:
            line = self.open_line(entry, self.clock)
        except PortLost as fault:
            asked.fault = fault
            return asked
        instrument = KINDS[entry.kind].make(entry.options, line, self.clock, title(section))
        try:
            asked.identity = yield from self._finish(
                instrument, instrument.start_identify, instrument.poll_identity
            )
            asked.stated_serial = getattr(instrument, "serial_number", None)
            if stated := re.search(r"\bserial number (\S+)", asked.identity):
                asked.stated_serial = stated[1]
            asked.remarks = tuple(getattr(instrument, "remarks", ()))
            if asked.role in MEASURING:
                begun_s = self.clock.elapsed_s()
                asked.readings = yield from self._finish(
                    instrument, instrument.start, instrument.poll
                )
                asked.reading_s = self.clock.elapsed_s() - begun_s
        except DriverError as fault:
            asked.fault = fault
        finally:
            instrument.close()
        return asked

    def _finish(self, instrument: Any, start: Callable[[], object], poll: Callable[[], Any]) -> Any:
        start()
        until_s = self.clock.elapsed_s() + ANSWER_WITHIN_S
        while (result := poll()) is None:
            if self.clock.elapsed_s() >= until_s:
                raise NoReply(
                    instrument.device,
                    f"no end to its answer in {ANSWER_WITHIN_S:.0f} s.",
                    remedy="Unplug it, plug it in again, check again.",
                )
            yield min(instrument.wake_s, until_s), instrument.lines
        return result

    def _look_for_the_silent(self) -> None:
        """Ask each silent instrument for on the ports of the other silent ones."""
        silent = [one for one in self.asked.values() if one.is_silent and one.role != "lamp_relay"]
        # The stage first: it is only listened for, so nothing is lost where it is not.
        silent.sort(key=lambda one: one.role not in CAREFUL)
        for seeker, host in permutations(silent, 2):
            is_safe = host.role not in CAREFUL or host.section in self._met
            if seeker.section in self._met or not is_safe or seeker.port == host.port:
                continue
            options = attrs.evolve(seeker.entry.options, port=host.port)
            there = Fitted(seeker.entry.kind, options)
            [found] = self._together([self._ask(seeker.section, there)])
            if found.identity:
                self._met[seeker.section] = host.section

    # -- judging ----------------------------------------------------------------------------

    def _exchanged_ports(self) -> Iterator[Finding]:
        told: set[str] = set()
        for section, host in self._met.items():
            if section in told:
                continue
            at = self.asked[host].port
            problem = f"{section} answered on the port of {host}, {at}"
            if self._met.get(host) == section:
                told.add(host)
                yield Finding(
                    f"{section}, {host}",
                    f"swapped: {problem}, and {host} on the port of {section}.",
                    "Swap the two 'port' lines in the profile, or the two plugs.",
                )
            else:
                yield Finding(
                    section, f"{problem}.", f"Give {section} its port {at}, and {host} another."
                )

    def _serials(self) -> Iterator[Finding]:
        expected = {
            section: str(one.entry.options.serial_number)
            for section, one in self.asked.items()
            if one.entry.options.serial_number and one.identity not in ("", NOBODY_ASKED)
        }
        is_of = {
            section: [other for other in self.asked if self._states(section, expected.get(other))]
            for section in self.asked
        }
        told: set[str] = set()
        for section, number in expected.items():
            one = self.asked[section]
            if section in told or section in is_of[section]:
                continue
            if others := [other for other in is_of[section] if other in expected]:
                other = others[0]
                mutual = section in is_of[other]
                told |= {other} if mutual else set()
                how = "address" if one.port == self.asked[other].port else "port"
                yield Finding(
                    f"{section}, {other}" if mutual else section,
                    f"swapped: {other} (serial number {expected[other]}) answered on the {how} of "
                    f"{section}, {self._at(one, how)}"
                    + (", and the other way round." if mutual else "."),
                    f"Swap the two '{how}' lines in the profile"
                    + (", or the two plugs." if how == "port" else "."),
                )
            elif one.stated_serial:
                yield Finding(
                    section,
                    f"serial number {one.stated_serial} answered; the profile says {number}.",
                    "Another instrument: connect the right one, or correct 'serial_number' and "
                    "the calibration dates with it.",
                )
            else:
                yield Finding(
                    section,
                    f"cannot be compared with serial number {number}: it says only "
                    f"'{one.identity}'.",
                    "Compare the number engraved on it yourself.",
                    Weight.REMARK,
                )

    def _states(self, section: str, number: str | None) -> bool:
        one = self.asked[section]
        if not number:
            return False
        return one.stated_serial == number or bool(
            re.search(rf"(?<![\w-]){re.escape(number)}(?![\w-])", one.identity)
        )

    @staticmethod
    def _at(one: Asked, how: str) -> str:
        return one.port if how == "port" else str(one.entry.options.address)

    def _faults(self) -> Iterator[Finding]:
        for section, one in self.asked.items():
            if section in self._met:
                continue
            if one.trouble is not None:
                yield Finding(section, f"port {one.port} {one.trouble.problem}", one.trouble.remedy)
            elif one.fault is not None:
                yield self._fault(section, one, one.fault)

    def _fault(self, section: str, one: Asked, fault: DriverError) -> Finding:
        problem = fault.problem
        if "in use" in problem:
            # The lock says so; the process table may know more, or not be ours to read.
            seen = finding.busy(finding.holders(one.port, self.proc))
            return Finding(
                section,
                f"port {one.port} {seen.problem}",
                seen.remedy.replace("PORT", one.port),
            )
        if one.identity:
            problem = f"says who it is, but does not measure: {problem}"
        return Finding(section, f"{one.port}: {problem}", fault.remedy)

    def _values(self) -> Iterator[Finding]:
        for section, one in self.asked.items():
            for remark in one.remarks:
                yield Finding(section, remark, "", Weight.REMARK)
            for reading in one.readings:
                low, high = MEASURED[reading.quantity].plausible
                if math.isnan(reading.value):
                    yield Finding(
                        section,
                        f"has no value of {reading.quantity} to give.",
                        "Check the sensor head and its cable; check the register map.",
                    )
                elif not low <= reading.value <= high:
                    yield Finding(
                        section,
                        f"{reading.quantity} {reading.value:g} is not believable (allowed: "
                        f"{low:g} to {high:g}).",
                        "Check scale, register or value number, and word order in the profile.",
                    )


def is_device_file(port: str) -> bool:
    """Say whether a port is one of this computer: not in process, in a network, or VISA's."""
    return port.startswith("/")


def title(section: str) -> str:
    """Return what messages call the instrument of a section."""
    return TITLES.get(section, section.replace("_", " "))


def lines_in_memory(lines: Mapping[str, Line], clock: Clock) -> OpenLine:
    """Open lines of the virtual bench in this process, which cannot be opened twice."""
    buses = {name: Bus(line, clock) for name, line in lines.items()}
    for bus in buses.values():
        bus.join(lines)  # so that it stays open when an instrument leaves

    def open_line(entry: Fitted, _: Clock) -> Bus:
        port = entry.options.port
        if port not in buses:
            raise PortLost(
                port,
                "the virtual bench has no such instrument.",
                remedy="Add it to the file of instruments that [bench] names.",
            )
        return buses[port]

    return open_line
