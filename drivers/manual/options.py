"""What a profile says of instruments that a person serves."""

from __future__ import annotations

from typing import Any, Final

from attrs import define, field

from drivers.line import SerialSettings
from drivers.options import LightSensorOptions, PortOptions, choice, number

#: Stands where other instruments have their port.
BY_HAND: Final = "by hand"


def _no_port() -> Any:
    """Declare that there is no port to be named: it is no key of the profile."""
    doc = "A person has no port."
    return field(default=BY_HAND, init=False, metadata={"unit": "", "doc": doc, "internal": True})


@define(kw_only=True)
class ManualStageOptions(PortOptions):
    """No stage: a person carries the sensor from point to point.

    A sensor on a port is then read by itself: after the time to step back, and once its value
    holds still. A sensor that is read off (`keyed`) is read when its value is typed.
    """

    port: str = _no_port()
    step_back_s: float = number(
        default=5.0,
        unit="s",
        least=0.0,
        most=120.0,
        doc="Time to step back and close the door before a sensor on a port is read.",
    )
    steady_percent: float = number(
        default=1.0,
        unit="%",
        above=0.0,
        most=20.0,
        doc="A sensor on a port is read once its value varies by so little, highest to lowest, "
        "over the window.",
    )
    steady_window_s: float = number(
        default=3.0, unit="s", above=0.0, most=60.0, doc="The window of that."
    )
    steady_within_s: float = number(
        default=30.0,
        unit="s",
        above=0.0,
        most=600.0,
        doc="A value that is not steady by then is read as it is, and that is noted.",
    )
    cue: str = choice(
        "voice",
        "bell",
        "none",
        default="voice",
        doc="What is heard where one may move on, or is asked: the terminal's bell, and the next "
        "point spoken where the system has a program that speaks; the bell alone; nothing.",
    )
    point_s: float = number(
        default=15.0,
        unit="s",
        above=0.0,
        most=600.0,
        doc="What a person takes for a point; for the estimate of the duration only.",
    )

    @property
    def travel_z_mm(self) -> None:
        """No height axis: heights are changed by hand."""
        return


@define(kw_only=True)
class KeyedSensorOptions(LightSensorOptions):
    """A handheld light meter, the value of which a person reads off and types.

    Its reading counts for the last `averaging_s` before it was typed: wall power is taken from
    there. In warm-up one value is asked for in each block of the rule.
    """

    port: str = _no_port()
    averaging_s: float = number(
        default=5.0,
        unit="s",
        least=0.0,
        doc="Time before the typing in which the value was on the display.",
    )


@define(kw_only=True)
class KeyedPowerMeterOptions(PortOptions):
    """A wattmeter with a display that a person reads off: in the profile also just `keyed`.

    It is asked for while the lamp warms up, and at each visit of the reference point; a value that
    is left out stays missing. Between them wall power is not known, so a map has one mean power.
    """

    port: str = _no_port()

    @property
    def averaging_s(self) -> float:
        """Not known of a display."""
        return 0.0


def no_line(options: object) -> SerialSettings:
    """Refuse to say how characters are put on a wire that is not there.

    Raises
    ------
    TypeError
        Always: whoever asks has not looked at `Kind.by_hand`.
    """
    raise TypeError(f"{type(options).__name__}: served by hand; there is no line")
