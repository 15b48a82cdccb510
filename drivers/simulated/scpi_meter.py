"""The SCPI power analyser of the virtual bench as data."""

from __future__ import annotations

import re

from attrs import field, frozen
from attrs.validators import ge, gt, in_, matches_re, min_len

from drivers.simulated.peer import Fault

#: How each form of IEEE 488.2 writes a number with so many digits after the point.
FORMS = {"NR1": "{:.0f}", "NR2": "{:.{digits}f}", "NR3": "{:+.{digits}E}"}
TERMINATORS = {"LF": b"\n", "CR LF": b"\r\n", "CR": b"\r"}


@frozen(kw_only=True)
class ScpiQuery:
    """One query that the analyser knows.

    Attributes
    ----------
    query : str
        As manuals write it: the short form in capitals, what may be left out in brackets,
        ``"MEASure[:SCALar]:POWer?"``. One that begins with MEASure or READ begins a measurement
        and is answered when that is done; any other fetches the latest.
    quantities : tuple of str
        Names in the glossary of the values of its reply, in their order.
    """

    query: str = field(validator=matches_re(r"[A-Za-z:\[\]]+\?"))
    quantities: tuple[str, ...] = field(validator=min_len(1))

    @property
    def short_form(self) -> str:
        """What is sent for it at the least."""
        needed = re.sub(r"\[.*?\]", "", self.query)
        return "".join(sign for sign in needed if not sign.islower())


def _usual_queries() -> tuple[ScpiQuery, ...]:
    single = {
        "MEASure[:SCALar]:POWer[:ACTive]?": "wall_power_w",
        "MEASure[:SCALar]:VOLTage?": "line_voltage_v",
        "MEASure[:SCALar]:CURRent?": "line_current_a",
        "MEASure[:SCALar]:POWer:PFACtor?": "power_factor",
        "MEASure[:SCALar]:FREQuency?": "line_frequency_hz",
    }
    queries = [ScpiQuery(query=query, quantities=(name,)) for query, name in single.items()]
    return (ScpiQuery(query="FETCh:ALL?", quantities=tuple(single.values())), *queries)


@frozen(kw_only=True)
class ScpiMeter:
    """The analyser as data.

    Attributes
    ----------
    baud : int
        Rate of its serial port. [1/s]
    maker, model, serial, firmware : str
        What ``*IDN?`` says; a serial number of 0 stands for "not available".
    terminator : str
        ``"LF"``, ``"CR LF"`` or ``"CR"``: what ends a message.
    averaging_s : float
        Length of the window that a value is the mean of; a measurement takes so long. [s]
    refresh_s : float
        Time between two refreshes of the latest values. [s]
    reply_delay_s : float
        From the end of a message to the reply, a measurement not counted. [s]
    number_form : str
        ``"NR1"``, ``"NR2"`` or ``"NR3"``: how it writes numbers.
    digits : int
        Digits after the point.
    echoes : bool
        Whether it sends back what it hears.
    errors_kept : int
        Length of its error queue; the last entry says where it has run over.
    queries : tuple of ScpiQuery
    line : str
        Section of the instrument whose line it sits on; its own where empty.
    faults : tuple of Fault
    """

    baud: int = field(default=9600, validator=gt(0))
    maker: str = field(default="Virtual bench", validator=matches_re(r"[ -+\--~]+"))
    model: str = field(default="PA-1", validator=matches_re(r"[ -+\--~]+"))
    serial: str = field(default="SIM-0101", validator=matches_re(r"[ -+\--~]+"))
    firmware: str = field(default="1.0", validator=matches_re(r"[ -+\--~]+"))
    terminator: str = field(default="LF", validator=in_(TERMINATORS))
    averaging_s: float = field(default=0.3, validator=gt(0.0))
    refresh_s: float = field(default=0.1, validator=gt(0.0))
    reply_delay_s: float = field(default=0.01, validator=ge(0.0))
    number_form: str = field(default="NR3", validator=in_(FORMS))
    digits: int = field(default=5, validator=ge(0))
    echoes: bool = False
    errors_kept: int = field(default=10, validator=ge(2))
    queries: tuple[ScpiQuery, ...] = field(factory=_usual_queries, validator=min_len(1))
    line: str = ""
    faults: tuple[Fault, ...] = ()
