"""Lines of text with a number in them, as a profile describes them. Opens nothing.

Such a line carries no check sum. What catches a wrong value is that all of the line must have
the form that the profile gives, that the number must not be cut out of a longer one, and that
it must lie in a plausible range. A digit that turned into another digit or was lost, within that
range, passes; asking twice (`agrees_within`) catches it unless it happens twice alike.
"""

from __future__ import annotations

import math
import re

from attrs import frozen

LONGEST_LINE = 120

_HEX = "hex:"
_ESCAPE = re.compile(r"\\(x[0-9A-Fa-f]{2}|.?)", re.DOTALL)
_PLAIN = {"r": "\r", "n": "\n", "t": "\t", "0": "\0", "\\": "\\"}
_NUMBER = re.compile(r"[+-]? *(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_GROUP_HEAD = re.compile(r"\?(?:P<\w+>|P=\w+|[:=!>]|<[=!]|[aiLmsux-]+:?)")
_REPEATED = re.compile(r"[*+]|\{\d*,\}")


class CodecError(ValueError):
    """The bytes, or the description of them, are not valid; the text says why."""


def parse_bytes(text: str) -> bytes:
    r"""Return the bytes that a profile means by a text.

    Plain ASCII, in which ``\r``, ``\n``, ``\t``, ``\0``, ``\\`` and ``\x1b`` stand for one
    character each; or, after ``hex:``, pairs of hexadecimal digits.

    Raises
    ------
    CodecError
        It is neither.
    """
    if text.startswith(_HEX):
        try:
            return bytes.fromhex(text.removeprefix(_HEX))
        except ValueError:
            raise CodecError(
                f"after 'hex:' come pairs of hexadecimal digits, not {text!r}"
            ) from None

    def meant(match: re.Match[str]) -> str:
        if match[1].startswith("x") and len(match[1]) == 3:
            return chr(int(match[1][1:], 16))
        if match[1] not in _PLAIN:
            raise CodecError(f"{match[0]!r} is not a known escape")
        return _PLAIN[match[1]]

    if not text.isascii():
        raise CodecError(f"{text!r} is not plain ASCII; write other bytes as \\x and two digits")
    return _ESCAPE.sub(meant, text).encode("latin-1")


def compile_form(pattern: str) -> re.Pattern[str]:
    """Compile a regular expression for a line.

    Raises
    ------
    CodecError
        It does not compile, or has repetitions inside repetitions, which can take for ever on a
        line of noise.
    """
    if problem := _can_take_for_ever(pattern):
        raise CodecError(problem)
    try:
        return re.compile(pattern, re.ASCII)
    except (re.error, RecursionError, OverflowError) as error:
        raise CodecError(f"is not a regular expression: {error}") from None


def compile_value_form(pattern: str) -> re.Pattern[str]:
    """Compile a regular expression for a line with a value.

    Raises
    ------
    CodecError
        As `compile_form`; or it has another group than the one named ``value``.
    """
    form = compile_form(pattern)
    if form.groups != 1 or "value" not in form.groupindex:
        raise CodecError("needs exactly one group, and that named: (?P<value>...)")
    return form


def _can_take_for_ever(pattern: str) -> str:
    """Say what makes matching explode, or return an empty text.

    A repeated group that itself repeats or branches can match one text in very many ways, and
    all are tried on a line that does not match.
    """
    loose = [False]  # of each open group: whether it repeats or branches inside
    wild = 0
    at = 0
    while at < len(pattern):
        mark = pattern[at]
        at += 1
        if mark == "\\":
            at += 1
        elif mark == "[":
            end = pattern.find("]", at + 1 + (pattern[at : at + 1] == "^"))
            at = len(pattern) if end < 0 else end + 1
        elif mark == "(":
            loose.append(False)
            if head := _GROUP_HEAD.match(pattern, at):
                at = head.end()
        elif mark == ")" and len(loose) > 1:
            inner = loose.pop()
            if repeated := _REPEATED.match(pattern, at):
                at = repeated.end()
                if inner:
                    return "has repetitions or choices inside a repeated group"
            loose[-1] |= inner or bool(repeated)
        elif mark == "|":
            loose[-1] = True
        elif repeated := _REPEATED.match(pattern, at - 1):
            loose[-1] = True
            wild += pattern[at - 2 : at - 1] == "."
            at = repeated.end()
    return "has more than two of '.*' or '.+'" if wild > 2 else ""


@frozen(kw_only=True)
class LineForm:
    """How a line with a value looks.

    Attributes
    ----------
    value : re.Pattern
        All of a line that has one; its group ``value`` is the number.
    no_value : tuple of re.Pattern
        All of a line by which the sensor says that it has none.
    decimal_comma : bool
        Whether the number has a comma where others have a point.
    scale : float
        The value is the number times this.
    plausible : tuple of float
        Least and greatest value, in the unit of the quantity.
    """

    value: re.Pattern[str]
    no_value: tuple[re.Pattern[str], ...] = ()
    decimal_comma: bool = False
    scale: float = 1.0
    plausible: tuple[float, float] = (-math.inf, math.inf)

    def decode(self, line: bytes) -> float:
        """Return the value of a line, its end taken off; NaN where the sensor has none.

        Raises
        ------
        CodecError
            It is not such a line.
        """
        if len(line) > LONGEST_LINE:
            raise CodecError(f"a line of {len(line)} bytes; {LONGEST_LINE} at most are taken")
        text = line.decode("latin-1")
        if any(form.fullmatch(text) for form in self.no_value):
            return math.nan
        if not (match := self.value.fullmatch(text)):
            raise CodecError("does not have the form of 'pattern'")
        value = self._number(match) * self.scale
        least, most = self.plausible
        if not least <= value <= most:
            raise CodecError(f"{value:g} is not plausible, {least:g} to {most:g} is")
        return value

    def _number(self, match: re.Match[str]) -> float:
        """Read the number; one that goes on beyond the group was cut by a careless pattern."""
        mark = "," if self.decimal_comma else "."
        first, last = match.span("value")
        if first < 0:
            raise CodecError("does not have a value")
        text = match.string
        before, after = text[:first], text[last:]
        if re.search(rf"(?:\d{re.escape(mark)}?|[+-] *)\Z", before, re.ASCII) or re.match(
            rf"{re.escape(mark)}?\d|[eE][+-]?\d", after, re.ASCII
        ):
            raise CodecError(f"'pattern' takes {match['value']!r} out of a longer number")
        number = match["value"].strip(" ")
        if self.decimal_comma:
            number = number.translate({ord(","): ".", ord("."): ","})
        if not _NUMBER.fullmatch(number):
            raise CodecError(f"{match['value']!r} is not a number")
        return float(number.replace(" ", ""))


def split_lines(data: bytes, line_end: bytes) -> tuple[list[bytes], bytes]:
    """Return the whole lines, their ends taken off, and what follows the last of them."""
    *lines, rest = data.split(line_end)
    return lines, rest


def is_blank(line: bytes) -> bool:
    """Say whether there is nothing in a line."""
    return not line.strip(b" \t\r\n")
