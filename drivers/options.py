"""How a driver declares its options, so that a profile can be checked before a port is opened.

Each kind of driver has one attrs class. Every field carries its unit and a line of explanation
in its metadata, and a validator whose message says what is allowed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date
from typing import Any

from attrs import NOTHING, Attribute, define, field

Check = Callable[[Any], bool]


class OptionError(ValueError):
    """An option has a value that is not allowed.

    Attributes
    ----------
    option : str
        The key.
    value : object
        What was given.
    allowed : str
        What may be given, as an instruction: ``"give a whole number from 1 to 247"``.
    """

    def __init__(self, option: str, value: object, allowed: str) -> None:
        self.option = option
        self.value = value
        self.allowed = allowed
        super().__init__(f"{option} is {value!r}; {allowed}")


def _option(
    check: Check,
    allowed: str,
    default: Any,
    unit: str,
    doc: str,
    *,
    choices: tuple[Any, ...] = (),
) -> Any:
    def validate(_: object, attribute: Attribute[Any], value: Any) -> None:
        if value is None and default is None:
            return
        if not check(value):
            raise OptionError(attribute.name, value, allowed)

    return field(
        default=default,
        validator=validate,
        kw_only=True,
        metadata={"unit": unit, "doc": doc, "allowed": allowed, "choices": choices},
    )


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def number(
    *,
    default: Any = NOTHING,
    unit: str,
    doc: str,
    above: float = -math.inf,
    least: float = -math.inf,
    most: float = math.inf,
) -> Any:
    """Declare a number; `above` is an exclusive bound, `least` and `most` are inclusive ones."""
    allowed = "give a number" + (f" in {unit}" if unit not in ("", "1") else "")
    if above > -math.inf:
        allowed += f" above {above:g}"
    elif least > -math.inf:
        allowed += f", {least:g} or more"
    if most < math.inf:
        allowed += f" and at most {most:g}"
    return _option(
        lambda value: _is_number(value) and above < value <= most and value >= least,
        allowed,
        default,
        unit,
        doc,
    )


def whole(
    *, default: Any = NOTHING, unit: str = "1", doc: str, least: int, most: int = 2**31
) -> Any:
    """Declare a whole number between two bounds, both allowed."""
    bounds = f"from {least} to {most}" if most < 2**31 else f"of {least} or more"
    return _option(
        lambda value: (
            isinstance(value, int) and not isinstance(value, bool) and least <= value <= most
        ),
        f"give a whole number {bounds}",
        default,
        unit,
        doc,
    )


def choice(*values: Any, default: Any = NOTHING, doc: str) -> Any:
    """Declare one of a few values."""
    listed = ", ".join(repr(value) for value in values)
    return _option(
        # A bool equals 0 or 1, and a float a whole number: neither was meant.
        lambda value: any(value == v and type(value) is type(v) for v in values),
        f"give one of {listed}",
        default,
        "",
        doc,
        choices=values,
    )


def switch(*, default: bool, doc: str) -> Any:
    """Declare a yes or no."""
    return _option(lambda value: isinstance(value, bool), "give true or false", default, "", doc)


def text(
    *,
    default: Any = NOTHING,
    doc: str,
    check: Callable[[str], bool] = bool,
    allowed: str = "give some text in quotes",
) -> Any:
    """Declare a text; by default any that is not empty."""
    return _option(lambda value: isinstance(value, str) and check(value), allowed, default, "", doc)


def span(*, default: Any = NOTHING, unit: str, doc: str) -> Any:
    """Declare two numbers, the lower one first."""
    return _option(
        lambda value: (
            isinstance(value, list | tuple)
            and len(value) == 2
            and all(_is_number(v) for v in value)
            and value[0] < value[1]
        ),
        f"give two numbers in {unit}, the lower first, e.g. [0.0, 1200.0]",
        default,
        unit,
        doc,
    )


def day(*, doc: str) -> Any:
    """Declare a date that may be left out."""
    return _option(
        lambda value: type(value) is date, "give a date without quotes: 2026-01-31", None, "", doc
    )


def rows(check: Check, *, allowed: str, doc: str, default: Any = NOTHING) -> Any:
    """Declare a list, the rows of which have their own options."""
    return _option(
        lambda value: isinstance(value, list | tuple) and check(value), allowed, default, "", doc
    )


#: What the name of a network port begins with.
TCP = "tcp://"


def tcp_address(port: str) -> tuple[str, int] | None:
    """Return host and number of a network port such as ``tcp://192.168.0.20:502``.

    An address with colons stands in brackets. None where it is no such port.
    """
    host, colon, number = port.removeprefix(TCP).rpartition(":")
    if not port.startswith(TCP) or not (host and colon and number.isascii() and number.isdigit()):
        return None
    if host.startswith("[") != host.endswith("]") or (":" in host and not host.startswith("[")):
        return None
    return (host.strip("[]"), int(number)) if 0 < int(number) < 65536 else None


def is_port(port: str) -> bool:
    """Say whether this can be the name of a port; one of the network must be whole."""
    return bool(port) and (not port.startswith(TCP) or bool(tcp_address(port)))


@define(kw_only=True)
class PortOptions:
    """What every instrument on a port has, with its provenance."""

    port: str = text(
        doc="Where it is connected: a serial port, whose name under /dev/serial/by-id/ survives "
        "replugging, or tcp://host:number for a socket of the network.",
        check=is_port,
        allowed='give some text in quotes: a serial port, or "tcp://192.168.0.20:502"',
    )
    serial_number: str | None = text(default=None, doc="As engraved on the instrument.")
    calibrated_on: date | None = day(doc="Day of the last calibration.")  # noqa: RUF009
    calibration_due: date | None = day(doc="Day it is due again.")  # noqa: RUF009


@define(kw_only=True)
class LightSensorOptions(PortOptions):
    """What every light sensor declares about its reading, whatever its bus."""

    averaging_s: float = number(
        default=1.0, unit="s", least=0.0, doc="Time over which one reading averages."
    )
    lag_s: float = number(
        default=0.0,
        unit="s",
        least=0.0,
        doc="Time constant: how far the reading trails the light.",
    )
    step_umol_m2_s: float | None = number(
        default=None,
        unit="µmol m⁻² s⁻¹",
        above=0.0,
        doc="Smallest step of its reading; lets a plan be checked before it is run.",
    )
    noise_umol_m2_s: float | None = number(
        default=None,
        unit="µmol m⁻² s⁻¹",
        least=0.0,
        doc="Standard deviation of its reading under steady light.",
    )
    full_scale_umol_m2_s: float | None = number(
        default=None,
        unit="µmol m⁻² s⁻¹",
        above=0.0,
        doc="End of its range: a reading there is saturated and is not accepted.",
    )
