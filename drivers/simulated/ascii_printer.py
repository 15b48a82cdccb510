"""A light sensor that prints a number as a line of text, as data."""

from __future__ import annotations

from attrs import field, frozen
from attrs.validators import ge, gt, min_len

from drivers.simulated.peer import Fault


@frozen(kw_only=True)
class AsciiPrinter:
    """The sensor as data.

    Attributes
    ----------
    baud : int
        Rate of the port. [1/s]
    free_running : bool
        Whether it prints of its own accord; else on request.
    request : str
        What it answers, its line end included.
    before, after : str
        What stands around the number in its line.
    decimals : int
        Digits after the point.
    decimal_comma : bool
        Whether it writes a comma for the point.
    no_value : str
        The line it prints where it has no value.
    line_end : str
        What its lines end with.
    interval_s : float
        From line to line where it prints of its own accord. [s]
    averaging_s : float
        Length of the window that a value is the mean of; it ends as the line begins. [s]
    lag_s, step_umol_m2_s, noise_umol_m2_s : float
        What its data sheet states of its time constant, step and noise; into the profile only.
        [s, µmol m⁻² s⁻¹]
    reply_delay_s : float
        From the end of a request to the reply. [s]
    identity_request, identity : str
        What it is asked for its name by, its line end included, and the name.
    line : str
        Section of the instrument whose line it sits on; its own where empty.
    faults : tuple of Fault
    """

    baud: int = field(default=9600, validator=gt(0))
    free_running: bool = False
    request: str = field(default="READ\r\n", validator=min_len(1))
    before: str = "PAR="
    after: str = " umol"
    decimals: int = field(default=1, validator=ge(0))
    decimal_comma: bool = False
    no_value: str = "PAR=---"
    line_end: str = field(default="\r\n", validator=min_len(1))
    interval_s: float = field(default=0.5, validator=gt(0.0))
    averaging_s: float = field(default=0.4, validator=ge(0.0))
    lag_s: float = field(default=0.1, validator=ge(0.0))
    step_umol_m2_s: float = field(default=0.1, validator=gt(0.0))
    noise_umol_m2_s: float = field(default=1.0, validator=ge(0.0))
    reply_delay_s: float = field(default=0.01, validator=ge(0.0))
    identity_request: str = field(default="ID\r\n", validator=min_len(1))
    identity: str = "VIRTUAL LINE SIM-0003"
    line: str = ""
    faults: tuple[Fault, ...] = ()


@frozen(kw_only=True)
class AsciiThermometer(AsciiPrinter):
    """A thermometer that prints lines as data: what a sensor has, and the limit in its profile.

    Attributes
    ----------
    highest_c : float or None
        Above it the run stops. [°C]
    """

    before: str = "T="
    after: str = " C"
    no_value: str = "T=---"
    identity: str = "VIRTUAL LINE SIM-0004"
    highest_c: float | None = 90.0
