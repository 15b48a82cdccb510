"""``evenfall check --find``: ask ports that no profile names who is behind them.

Nobody knows what an unknown device does with bytes that were not meant for it: it may move or
switch something. So nothing is opened before a person has read that and typed yes.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from typing import Final

from rich.console import Console

from drivers import finding
from drivers.clock import Clock
from drivers.errors import DriverError
from drivers.line import Line, SerialSettings
from drivers.probing import USUAL_MODBUS, Probe, probes
from drivers.registry import KINDS
from drivers.sdi12 import codec
from rig.check_instruments import is_device_file
from rig.profile import Profile

OpenPort = Callable[[str, SerialSettings, Clock], Line]

CONSENT: Final = "yes"
#: Held a little longer than the standard's least. [s]
HELD_S: Final = 0.0005

WARNING: Final = (
    "CAUTION. What an unknown device does with bytes that are not meant for it, nobody knows: a "
    "machine may MOVE, a relay may SWITCH. Keep hands, hair and cables out of the test area, have "
    "the emergency stop within reach, isolate the lamp circuit. Only requests for identity are "
    "sent, at several rates; each port takes up to 20 s."
)


def find(
    console: Console,
    ports: Sequence[finding.FoundPort],
    profile: Profile | None,
    *,
    clock: Clock,
    open_port: OpenPort,
    read_answer: Callable[[], str],
) -> dict[str, str]:
    """Ask the ports that a profile does not name, if a person allows it.

    Returns
    -------
    dict of str to str
        Who answered, by the name of the port.
    """
    named = _named(profile)
    unknown = [
        port for port in ports if not any(finding.same_port(port.device, name) for name in named)
    ]
    if not unknown:
        _say(console, "\n--find: every serial port is in the profile already.")
        return {}
    _say(console, "\n" + textwrap.fill(WARNING, 79))
    _say(console, f"Ports: {', '.join(port.name for port in unknown)}")
    console.print(f"Type {CONSENT} to go on, anything else to leave them alone: ", end="")
    try:
        answer = read_answer()
    except EOFError:
        answer = ""
    if answer.strip() != CONSENT:
        _say(console, "Left alone: nothing was opened.")
        return {}
    answered = {}
    for port in unknown:
        _say(console, f"  {port.name} ...")
        trouble = finding.trouble_with(port.device)
        if trouble is not None:
            _say(console, f"      {trouble.problem} {trouble.remedy}")
            continue
        who = _ask_port(port.device, list(_probes(profile)), clock, open_port)
        _say(console, f"      {who or 'no answer to any request we know'}")
        if who:
            answered[port.name] = who
    return answered


def _ask_port(
    device: str, questions: Sequence[Probe], clock: Clock, open_port: OpenPort
) -> str | None:
    """Go through the questions, opening the port once for each run of equal settings."""
    line: Line | None = None
    is_open_with: SerialSettings | None = None
    heard = b""
    try:
        for probe in questions:
            if probe.settings != is_open_with:
                if line is not None:
                    line.close()
                is_open_with, heard = probe.settings, b""
                line = _opened(device, probe.settings, clock, open_port)
            if line is None:
                continue  # this port does not take these settings
            heard, who = _ask(line, probe, clock, heard if not probe.request else b"")
            if who:
                return f"{probe.protocol}, {_settings(probe)}: {who}"
    except DriverError:
        return None
    finally:
        if line is not None:
            line.close()
    return None


def _opened(
    device: str, settings: SerialSettings, clock: Clock, open_port: OpenPort
) -> Line | None:
    try:
        return open_port(device, settings, clock)
    except DriverError:
        return None


def _ask(line: Line, probe: Probe, clock: Clock, heard: bytes) -> tuple[bytes, str | None]:
    line.read()
    if probe.wakes_by_break:
        line.set_break(True)
        clock.wait_until(clock.elapsed_s() + codec.BREAK_S + HELD_S)
        line.set_break(False)
        clock.wait_until(clock.elapsed_s() + codec.MARKING_S + HELD_S)
    sent_s = line.write(probe.request) if probe.request else clock.elapsed_s()
    until_s = sent_s + probe.within_s
    while True:
        heard += line.read()
        if (who := probe.answer(heard)) or clock.elapsed_s() >= until_s:
            return heard, who
        clock.wait_until(until_s, watching=[line])


def _probes(profile: Profile | None) -> Sequence[Probe]:
    """Begin with the rates and addresses that the profile has, where it has some."""
    motion_baud, modbus, addresses = 115200, [], set(USUAL_MODBUS)
    for entry in profile.instruments.values() if profile else ():
        kind, options = KINDS[entry.kind], entry.options
        if kind.role == "stage":
            motion_baud = options.baud
        elif kind.bus == "modbus" and is_device_file(options.port):
            modbus.append(kind.line_settings(options))
            addresses.add(options.address)
    return list(probes(motion_baud=motion_baud, modbus=modbus, modbus_addresses=sorted(addresses)))


def _named(profile: Profile | None) -> list[str]:
    entries = profile.instruments.values() if profile else ()
    return [entry.options.port for entry in entries if is_device_file(entry.options.port)]


def _settings(probe: Probe) -> str:
    return f"{probe.settings.baud} baud {probe.settings.character_format}"


def _say(console: Console, text: str) -> None:
    console.print(text, markup=False)
