"""Options of sensors that print a number as a line of text."""

from __future__ import annotations

from collections.abc import Callable

from attrs import define

from drivers.ascii_line import codec
from drivers.line import SerialSettings
from drivers.options import (
    LightSensorOptions,
    OptionError,
    choice,
    number,
    rows,
    span,
    switch,
    text,
    whole,
)


def _is(read: Callable[[str], object]) -> Callable[[str], bool]:
    """Return a check that passes what can be read so."""

    def check(value: str) -> bool:
        try:
            read(value)
        except codec.CodecError:
            return False
        return True

    return check


_ESCAPES = "plain ASCII with \\r, \\n, \\t, \\0 or \\x and two hexadecimal digits for bytes that "
_ESCAPES += "cannot be typed, or 'hex:' and pairs of hexadecimal digits"
_REPEATS = "no repeated group that itself repeats or branches, and at most two of '.*'"


@define(kw_only=True, slots=False)
class AsciiLineOptions:
    """What every instrument that prints lines has, whatever it measures.

    To be mixed into the options of a role, which says what unit `scale`, `plausible` and
    `agrees_within` are in.
    """

    baud: int = whole(default=9600, unit="Bd", least=300, most=1_000_000, doc="Rate of the port.")
    character_format: str = choice(
        "8N1",
        "7E1",
        "7O1",
        "8E1",
        "8O1",
        "8N2",
        "7N2",
        default="8N1",
        doc="Data bits, parity, stop bits.",
    )
    mode: str = choice(
        "poll",
        "listen",
        default="poll",
        doc="poll: it answers a request. listen: it prints of its own accord, at intervals.",
    )
    request: str = text(
        default="",
        check=_is(codec.parse_bytes),
        allowed=f"give {_ESCAPES}",
        doc="What it is asked by in mode poll, its line end included.",
    )
    pattern: str = text(
        check=_is(codec.compile_value_form),
        allowed="give a regular expression for all of a line, with the one group (?P<value>...) "
        f"around the number; {_REPEATS}",
        doc="A regular expression for all of the line; its one group, named value, is the number.",
    )
    no_value_patterns: tuple[str, ...] = rows(
        lambda patterns: all(isinstance(p, str) and _is(codec.compile_form)(p) for p in patterns),
        default=(),
        allowed=f'give a list of regular expressions, e.g. ["ERR.*"]; {_REPEATS}',
        doc="Regular expressions for all of a line that says that there is no value.",
    )
    line_end: str = text(
        default="\r\n",
        check=lambda value: _is(codec.parse_bytes)(value) and bool(codec.parse_bytes(value)),
        allowed=f"give {_ESCAPES}",
        doc="What each of its lines ends with.",
    )
    decimal_comma: bool = switch(
        default=False, doc="True where it writes 12,5 for twelve and a half."
    )
    scale: float = number(default=1.0, unit="1", above=0.0, doc="The value is the number times it.")
    plausible: tuple[float, float] = span(
        default=(-1e9, 1e9), unit="1", doc="Least and greatest value that can be true."
    )
    agrees_within: float | None = number(
        default=None,
        unit="1",
        least=0.0,
        doc="Take a value only if the next one agrees with it so closely.",
    )
    averaging_s: float = number(
        default=1.0, unit="s", least=0.0, doc="Time over which one reading averages."
    )
    lag_s: float = number(
        default=0.0, unit="s", least=0.0, doc="How far a line trails what it tells of."
    )
    reply_within_s: float = number(
        default=1.0, unit="s", above=0.0, doc="Time allowed to the first byte of a reply."
    )
    pause_within_s: float = number(
        default=0.1,
        unit="s",
        above=0.0,
        doc="Longest pause inside a line. In mode listen, a longer one must lie between lines, "
        "or one line is left out before each reading.",
    )
    interval_s: float = number(
        default=1.0, unit="s", above=0.0, doc="Time from line to line in mode listen."
    )
    identity_request: str = text(
        default="",
        check=_is(codec.parse_bytes),
        allowed=f"give {_ESCAPES}",
        doc="What it is asked for its name by, if it has any such request.",
    )
    identity_pattern: str = text(
        default="",
        check=_is(codec.compile_form),
        allowed=f"give a regular expression for all of the line; {_REPEATS}",
        doc="A regular expression for all of the line that names it; any line if left out.",
    )

    def __attrs_post_init__(self) -> None:
        if self.mode == "poll" and not codec.parse_bytes(self.request):
            raise OptionError(
                "request", self.request, 'give what it is asked by, or set mode to "listen"'
            )


@define(kw_only=True)
class AsciiLightSensorOptions(LightSensorOptions, AsciiLineOptions):
    """A light sensor that prints lines."""

    scale: float = number(
        default=1.0,
        unit="µmol m⁻² s⁻¹",
        above=0.0,
        doc="PPFD for one unit of the printed number.",
    )
    plausible: tuple[float, float] = span(
        default=(-20.0, 5000.0),
        unit="µmol m⁻² s⁻¹",
        doc="Least and greatest PPFD that can be true on this bench; narrow is safer.",
    )
    agrees_within: float | None = number(
        default=None,
        unit="µmol m⁻² s⁻¹",
        least=0.0,
        doc="Take a value only if the next one agrees with it so closely.",
    )


def line_settings(options: AsciiLineOptions) -> SerialSettings:
    """Return the settings of the port."""
    return SerialSettings.from_text(options.baud, options.character_format)
