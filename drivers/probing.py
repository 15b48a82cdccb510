"""Harmless questions to a device of which nothing is known: who are you?

Only requests that the protocol defines as asking for identity; never one that sets, measures
or moves. What an unknown device makes of them nobody can promise, so whoever sends them asks a
person first (`rig/find.py`). The order matters: a motion controller is listened for before
anything is sent, and once a device has said who it is nothing more goes to it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence

from attrs import frozen

from drivers.gcode.dialect import DIALECTS, STATUS_REPORT
from drivers.line import SerialSettings
from drivers.modbus import frames
from drivers.sdi12 import codec

#: A controller that restarts on opening takes up to so long to greet. [s]
GREETING_WITHIN_S = 3.0
REPLY_WITHIN_S = 0.5
#: Modbus and SDI-12 addresses that are tried where the profile names none.
USUAL_MODBUS = tuple(range(1, 11))
MODBUS_WITHIN_S = 0.2


@frozen(kw_only=True)
class Probe:
    """One question, and how its answer is known.

    Attributes
    ----------
    protocol : str
        What a person calls it.
    settings : SerialSettings
        Of the port.
    request : bytes
        What is sent; empty for listening only.
    answer : callable
        Gives who it is from the bytes that came, or None.
    within_s : float
        Time allowed to it. [s]
    wakes_by_break : bool
        Whether a break goes before it.
    """

    protocol: str
    settings: SerialSettings
    request: bytes
    answer: Callable[[bytes], str | None]
    within_s: float = REPLY_WITHIN_S
    wakes_by_break: bool = False


def probes(
    *,
    motion_baud: int = 115200,
    modbus: Sequence[SerialSettings] = (),
    modbus_addresses: Sequence[int] = USUAL_MODBUS,
) -> Iterator[Probe]:
    """Yield the questions in their order.

    Parameters
    ----------
    motion_baud : int
        Rate of the motion controller. [Bd]
    modbus : sequence of SerialSettings
        Settings that the profile has for Modbus; the usual ones are tried besides.
    modbus_addresses : sequence of int
        1 to 247.
    """
    yield from motion(SerialSettings(motion_baud))
    for baud in (9600, 115200):
        yield Probe(
            protocol="SCPI",
            settings=SerialSettings(baud),
            request=b"*IDN?\n",
            answer=_four_fields,
        )
    for settings, wakes in (
        (SerialSettings.from_text(1200, "7E1"), True),
        (SerialSettings(9600), False),
    ):
        yield Probe(
            protocol="SDI-12",
            settings=settings,
            request=b"?!",
            answer=_sdi12_address,
            wakes_by_break=wakes,
        )
    usual = (SerialSettings(9600), SerialSettings.from_text(9600, "8E1"))
    for settings in dict.fromkeys((*modbus, *usual, SerialSettings.from_text(19200, "8E1"))):
        for address in modbus_addresses:
            yield Probe(
                protocol="Modbus RTU",
                settings=settings,
                request=frames.encode_identify(address),
                answer=_modbus_of(address),
                within_s=MODBUS_WITHIN_S,
            )


def motion(settings: SerialSettings) -> Iterator[Probe]:
    """Yield what a motion controller is asked: nothing, then its status, then its version."""
    dialect = STATUS_REPORT
    for request, within_s in (
        (b"", GREETING_WITHIN_S),
        (dialect.status_request, REPLY_WITHIN_S),
        (dialect.identify + dialect.line_end, REPLY_WITHIN_S),
    ):
        yield Probe(
            protocol="G-code",
            settings=settings,
            request=request,
            answer=_controller,
            within_s=within_s,
        )


def _controller(heard: bytes) -> str | None:
    for line in heard.split(b"\n")[:-1]:
        line = line.strip(b"\r\0 ")
        is_ours = any(
            dialect.banner.fullmatch(line) or dialect.status.fullmatch(line)
            for dialect in DIALECTS.values()
        )
        if is_ours or line.startswith(b"[VER:"):
            return f"a motion controller: {line.strip(b'[]').decode('ascii', 'replace')}"
    return None


def _four_fields(heard: bytes) -> str | None:
    """IEEE 488.2: maker, model, serial number, firmware (from memory)."""
    for line in heard.splitlines():
        if line.count(b",") == 3 and re.fullmatch(rb"[ -~]+", line):
            return line.decode("ascii")
    return None


def _sdi12_address(heard: bytes) -> str | None:
    for line in codec.split_lines(heard):
        # An adapter may hand back what was sent, before the reply.
        if match := re.fullmatch(rb"(?:\?!)?([0-9A-Za-z])\r\n", line):
            return f"a sensor at address {match[1].decode('ascii')}"
    return None


def _modbus_of(address: int) -> Callable[[bytes], str | None]:
    def answer(heard: bytes) -> str | None:
        if not (found := frames.find_identity(heard, address)):
            return None
        reply = found[1]
        if reply.isError():
            return f"a device at address {address} that does not say who it is"
        return f"address {address}: {frames.identity_text(reply)}"

    return answer
