"""SCPI messages as bytes and what they mean. Touches no port.

Forms of the replies: IEEE 488.2-1992, section 8.7 (numbers NR1, NR2, NR3; texts in double
quotes), and SCPI-99, volume 1 (the two special numbers) and volume 2 (``SYSTem:ERRor?``).
Numbers of sections and values from memory.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from attrs import frozen

# SCPI writes numbers that are none as numbers no instrument measures.
NOT_A_NUMBER = 9.91e37
INFINITY = 9.9e37
# An instrument may write few digits, or print a binary number of 32 bits; the two are 0.1 % apart.
_CLOSE = 1e-4

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?: ?[Ee] ?[+-]?\d{1,3})?", re.ASCII)
_INFINITE = re.compile(r"[+-]?INF(?:INITY)?|NINF", re.IGNORECASE)
_ERROR = re.compile(r'([+-]?\d{1,5}) ?, ?(?:"((?:[^"]|"")*)"|([A-Za-z][^"]*))', re.ASCII)


class NotAReply(ValueError):
    """These bytes are no reply of the form asked for. The message says why."""


class Overrange(ValueError):
    """The instrument says that the value is beyond what it can state."""


@frozen
class InstrumentError:
    """One entry of the instrument's error queue; number 0 means that there is none."""

    number: int
    text: str

    def __str__(self) -> str:
        return f"{self.number}, {self.text!r}"


@frozen
class Identity:
    """What ``*IDN?`` says; a serial number or firmware that is not available is empty."""

    maker: str
    model: str
    serial_number: str
    firmware: str

    def __str__(self) -> str:
        serial = f"serial number {self.serial_number}" if self.serial_number else "no serial number"
        firmware = f", firmware {self.firmware}" if self.firmware else ""
        return f"{self.maker} {self.model}, {serial}{firmware}"


def encode(queries: Sequence[str], terminator: bytes) -> bytes:
    """Write one message of one or several queries.

    After a ``;`` a header counts from where the one before it stood, unless it begins with
    ``:`` (or is a common command, with ``*``); so one is put there.
    """
    first, *others = queries
    absolute = [query if query[0] in ":*" else f":{query}" for query in others]
    return ";".join([first, *absolute]).encode("ascii") + terminator


def split_messages(heard: bytes, terminator: bytes) -> tuple[list[bytes], bytes]:
    """Return the whole messages, terminators taken off, and what follows the last of them."""
    end = b"\r" if terminator == b"\r" else b"\n"
    *whole, rest = heard.split(end)
    return [message.strip(b"\r\n ") for message in whole], rest


def text_of(message: bytes) -> str:
    """Return a message as text.

    Raises
    ------
    NotAReply
        There is something in it that no reply has.
    """
    # A NUL is what some receivers make of a disturbed line; nothing is skipped in a number.
    if any(byte < 0x20 or byte > 0x7E for byte in message):
        raise NotAReply("it has bytes that are no printable text")
    return message.decode("ascii")


def decode_number(written: str) -> float:
    """Return the number that is written; NaN where the instrument says that there is none.

    Raises
    ------
    Overrange
        It is SCPI's infinity, of either sign.
    NotAReply
        It is not a number of the standard's forms.
    """
    written = written.strip(" ")
    if written.upper() == "NAN":
        return math.nan
    if _INFINITE.fullmatch(written):
        raise Overrange(f"{written!r} stands for infinity")
    if not _NUMBER.fullmatch(written):
        raise NotAReply(f"{written!r} is not a number")
    value = float(written.replace(" ", ""))
    if math.isclose(value, NOT_A_NUMBER, rel_tol=_CLOSE):
        return math.nan
    if abs(value) >= INFINITY * (1.0 - _CLOSE):
        raise Overrange(f"{written!r} stands for infinity")
    return value


def looks_like_values(message: bytes) -> bool:
    """Say whether a message is nothing but numbers: the reply to a measurement."""
    try:
        for written in re.split("[,;]", text_of(message)):
            decode_number(written)
    except NotAReply:
        return False
    except Overrange:
        return True
    return True


def decode_error(message: bytes) -> InstrumentError:
    """Return one entry of the error queue.

    Raises
    ------
    NotAReply
        It is not a number and a text.
    """
    found = _ERROR.fullmatch(text_of(message))
    if found is None:
        raise NotAReply('it is not an error number and a text, such as 0,"No error"')
    quoted, plain = found[2], found[3]
    return InstrumentError(int(found[1]), plain if quoted is None else quoted.replace('""', '"'))


def decode_identity(message: bytes) -> Identity:
    """Return who the instrument says it is.

    Raises
    ------
    NotAReply
        It is not four fields separated by commas, or only numbers.
    """
    fields = [part.strip(' "') for part in text_of(message).split(",")]
    if len(fields) != 4:
        raise NotAReply(f"it has {len(fields)} fields separated by commas, not 4")
    if not fields[0] or looks_like_values(message):
        raise NotAReply("it names no maker")
    # By the standard a 0 stands for "not available".
    return Identity(*fields[:2], *("" if part == "0" else part for part in fields[2:]))
