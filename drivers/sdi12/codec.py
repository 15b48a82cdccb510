"""SDI-12 commands and replies as bytes. Opens nothing, waits for nothing.

Replies are passed in whole, with their line end. A reply is taken only if all of it is as the
standard has it: a line that was cut or merged is still made of digits, and would otherwise
give a wrong value.
"""

from __future__ import annotations

import re

from attrs import frozen

# Times of the standard, SDI-12 v1.4 section 7 as restated in public instrument manuals. [s]
BREAK_S = 0.012
MARKING_S = 0.00833
IDLE_NEEDS_BREAK_S = 0.087
RETRY_AFTER_S = 0.01667

LINE_END = b"\r\n"
LONGEST_REPLY = 96  # address, 75 characters of values, check sum, line end, and some spare

ADDRESSES = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"

_TIMING = re.compile(rb"(\d{3})(\d)")
_LONG_TIMING = re.compile(rb"(\d{3})(\d\d)")
_VALUE = re.compile(rb"[+-](?=\.?\d)\d*\.?\d*")
_IDENTITY = re.compile(rb"(\d)(\d)([ -~]{8})([ -~]{6})([ -~]{3})([ -~]{0,13})")


class CodecError(ValueError):
    """The bytes are not a valid reply; the text says why."""


@frozen
class Timing:
    """Answer to a command that starts a measurement.

    Attributes
    ----------
    ready_within_s : int
        Time after which the values can be fetched, if the sensor does not call before. [s]
    values : int
        How many values there will be.
    """

    ready_within_s: int
    values: int


@frozen
class Identity:
    """Answer to aI!."""

    version: str
    vendor: str
    model: str
    firmware: str
    serial: str

    def __str__(self) -> str:
        words = (self.vendor, self.model, self.firmware, self.serial)
        return f"SDI-12 {self.version}: " + " ".join(word for word in words if word)


def start_measurement(address: str, number: int = 0, *, crc: bool = False) -> bytes:
    """Return aM!, aM1! … aM9!, or with a check sum asked for aMC!, aMC1! … aMC9!."""
    return f"{address}M{'C' if crc else ''}{number or ''}!".encode("ascii")


def start_concurrent(address: str, number: int = 0, *, crc: bool = False) -> bytes:
    """Return aC!, aC1! … aC9!, or with a check sum asked for aCC!, aCC1! … aCC9!."""
    return f"{address}C{'C' if crc else ''}{number or ''}!".encode("ascii")


def read_continuous(address: str, number: int = 0, *, crc: bool = False) -> bytes:
    """Return aR0! … aR9!, or with a check sum asked for aRC0! … aRC9!."""
    return f"{address}R{'C' if crc else ''}{number}!".encode("ascii")


def start_verification(address: str) -> bytes:
    """Return aV!."""
    return f"{address}V!".encode("ascii")


def send_values(address: str, page: int) -> bytes:
    """Return aD0! … aD9!."""
    return f"{address}D{page}!".encode("ascii")


def identify(address: str) -> bytes:
    """Return aI!."""
    return f"{address}I!".encode("ascii")


def acknowledge(address: str) -> bytes:
    """Return a!, which a sensor answers by its address alone."""
    return f"{address}!".encode("ascii")


def query_address() -> bytes:
    """Return ?!, which every sensor on the bus answers."""
    return b"?!"


def change_address(address: str, to: str) -> bytes:
    """Return aAb!."""
    return f"{address}A{to}!".encode("ascii")


def check_sum(data: bytes) -> bytes:
    """Return the three characters by which SDI-12 writes a CRC-16.

    The polynomial is x¹⁶ + x¹⁵ + x² + 1, reflected, starting from 0 (the CRC known as ARC).
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return bytes(0x40 | part for part in (crc >> 12, crc >> 6 & 0x3F, crc & 0x3F))


def decode_timing(reply: bytes, address: str, *, concurrent: bool = False) -> Timing:
    """Read ``atttn``, or ``atttnn`` where the measurement is a concurrent one.

    Raises
    ------
    CodecError
        It is not one.
    """
    body = _body(reply, address)
    if not (match := (_LONG_TIMING if concurrent else _TIMING).fullmatch(body)):
        form = "atttnn" if concurrent else "atttn"
        raise CodecError(f"not the form '{form}' (address, 3 digits of seconds, number of values)")
    return Timing(int(match[1]), int(match[2]))


def decode_values(
    reply: bytes, address: str, *, crc: bool, at_most: int | None = None
) -> tuple[float, ...]:
    """Read ``a<values>``, with a check sum where one was asked for. There may be no value.

    Parameters
    ----------
    at_most : int, optional
        How many of the announced values are still to come. A reply that lost its end and ran
        into the next one has more.

    Raises
    ------
    CodecError
        It is not such a reply, or the check sum is wrong.
    """
    body = _body(reply, address)
    if crc:
        if len(body) < 3:
            raise CodecError("no check sum, though one was asked for")
        body, received = body[:-3], body[-3:]
        computed = check_sum(address.encode("ascii") + body)
        if received != computed:
            raise CodecError(f"bad check sum: computed {computed!r}, received {received!r}")
    found = _VALUE.findall(body)
    # Up to 7 digits, as the standard has it: two values that ran together are longer.
    if b"".join(found) != body or any(len(v.strip(b"+-").replace(b".", b"")) > 7 for v in found):
        raise CodecError("not a row of signed numbers of up to 7 digits")
    if at_most is not None and len(found) > at_most:
        raise CodecError(f"{len(found)} values, of which {at_most} at most were to come")
    return tuple(float(value) for value in found)


def decode_service_request(reply: bytes, address: str) -> None:
    """Read ``a``, by which a sensor says that its values are ready.

    Raises
    ------
    CodecError
        It is something else.
    """
    if _body(reply, address):
        raise CodecError("not a service request")


def decode_acknowledgement(reply: bytes, address: str = ADDRESSES) -> str:
    """Read ``a``, by which a sensor says that it is there; return its address.

    Parameters
    ----------
    address : str
        The addresses that may answer.

    Raises
    ------
    CodecError
        It is something else.
    """
    if not reply.endswith(LINE_END):
        raise CodecError("cut short: no carriage return and line feed at its end")
    body = reply[: -len(LINE_END)].decode("latin-1")
    if len(body) != 1 or body not in address:
        raise CodecError("not an address alone")
    return body


def decode_identity(reply: bytes, address: str) -> Identity:
    """Read ``allccccccccmmmmmmvvvxxx``.

    Raises
    ------
    CodecError
        It is not one.
    """
    if not (match := _IDENTITY.fullmatch(_body(reply, address))):
        raise CodecError("not the form 'allccccccccmmmmmmvvvxxx'")
    major, minor, *words = (part.decode("ascii").strip() for part in match.groups())
    return Identity(f"{major}.{minor}", *words)


def split_lines(data: bytes) -> list[bytes]:
    """Return the whole lines in `data`, each with its end; what follows the last is left out.

    Characters that cannot be part of any reply (a break reads as NUL, a floating line as FF)
    are taken from the front of a line.
    """
    lines = data.split(LINE_END)[:-1]
    return [line.lstrip(_NOISE) + LINE_END for line in lines]


_NOISE = bytes(byte for byte in range(256) if not 0x20 < byte < 0x7F)


def _body(reply: bytes, address: str) -> bytes:
    """Return what stands between address and line end."""
    if not reply.endswith(LINE_END):
        raise CodecError("cut short: no carriage return and line feed at its end")
    head = address.encode("ascii")
    if not reply.startswith(head):
        raise CodecError(f"does not begin with address {address!r}")
    return reply[len(head) : -len(LINE_END)]
