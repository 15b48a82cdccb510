"""From a rig profile to instruments and a clock, ready for a run.

A profile with a ``[bench]`` section gets the virtual bench in this process and the virtual
clock; any other gets the computer's clock and real ports. Nothing here moves or lights
anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

from attrs import define, field

from drivers.bus import Bus
from drivers.clock import FIRST_EVENING, Clock, SystemClock, VirtualClock
from drivers.line import Line
from drivers.options import tcp_address
from drivers.registry import KINDS
from drivers.scpi.options import VISA, ScpiPowerMeterOptions
from drivers.simulated.attach import attach
from drivers.simulated.bench import VirtualBench
from drivers.simulated.script import bench_with_script
from rig.hand.lead import Lead
from rig.hand.view import HandDesk
from rig.hand.virtual import VirtualHand
from rig.instruments import Instruments
from rig.profile import Fitted, Profile

#: What messages call the instrument of each section.
TITLES = {
    "light_sensor": "light sensor",
    "monitor_sensor": "monitor sensor",
    "power_meter": "wattmeter",
    "stage": "stage",
    "lamp_relay": "lamp relay",
    "thermometer": "thermometer",
}


@define(kw_only=True)
class Bench:
    """The instruments of one profile, and the clock they share.

    `virtual` is the bench behind them where there is no real one, `lead` leads the person where
    one carries the sensor.
    """

    clock: Clock
    instruments: Instruments
    virtual: VirtualBench | None = field(default=None)
    lead: Lead | None = field(default=None)

    def close(self) -> None:
        """Release every port, and the screen."""
        for instrument in self.instruments.all().values():
            instrument.close()
        if self.lead is not None:
            self.lead.desk.close()


def build(profile: Profile, device_name: str, desk: HandDesk | None = None) -> Bench:
    """Open the ports of a profile.

    Parameters
    ----------
    desk : HandDesk, optional
        Where the person is asked who carries the sensor; needed where one does. At the virtual
        bench there is a virtual one.

    Raises
    ------
    PortLost
        A port is not there, busy, or not ours to open; what was open is closed again.
    ScenarioError
        The virtual bench cannot be made as the profile says.
    """
    if profile.bench is None or profile.scenario is None:
        clock = SystemClock()
        lead = lead_of(profile, clock, desk)
        return Bench(clock=clock, instruments=assemble(profile, clock, {}, lead), lead=lead)
    evening = profile.bench.evening
    virtual_clock = VirtualClock(FIRST_EVENING + timedelta(days=evening - 1))
    virtual, script = bench_with_script(
        profile.scenario, profile.script, device=device_name, evening=evening
    )
    lines = attach(virtual, virtual_clock, script.instruments)
    script.pull_plugs(lines, virtual_clock)
    lead = lead_of(profile, virtual_clock, desk or VirtualHand(virtual, virtual_clock))
    return Bench(
        clock=virtual_clock,
        instruments=assemble(profile, virtual_clock, lines, lead),
        virtual=virtual,
        lead=lead,
    )


def lead_of(profile: Profile, clock: Clock, desk: HandDesk | None) -> Lead | None:
    """Return what leads the person who carries the sensor; None where a stage does.

    Raises
    ------
    ValueError
        A person is needed, and there is no desk to ask them at.
    """
    if not profile.is_by_hand:
        return None
    if desk is None:
        raise ValueError("a person carries the sensor of this rig: there must be a desk for them")
    return Lead(
        desk, clock, profile.stage.options, is_keyed=KINDS[profile.light_sensor.kind].by_hand
    )


def assemble(
    profile: Profile, clock: Clock, lines: Mapping[str, Line], lead: Lead | None = None
) -> Instruments:
    """Make the instruments of a profile over the given lines; other ports are opened.

    Instruments with the same port get the same bus.

    Raises
    ------
    PortLost
        A port is not there, busy, or not ours to open; what was open is closed again.
    """
    made: dict[str, Any] = {}
    buses: dict[str, Bus] = {}
    try:
        for section, entry in profile.instruments.items():
            kind, port = KINDS[entry.kind], entry.options.port
            if kind.by_hand:
                made[section] = kind.make(entry.options, lead, clock, TITLES[section])
                continue
            if port not in buses:
                buses[port] = Bus(lines.get(port) or open_line(entry, clock), clock)
            made[section] = kind.make(entry.options, buses[port], clock, TITLES[section])
    except BaseException:
        for instrument in made.values():
            instrument.close()
        for bus in buses.values():  # one that nobody has joined yet
            bus.line.close()
        raise
    return Instruments(
        **made, reopen=lambda section: _reopen(profile, section, made[section], lines, clock)
    )


def _reopen(
    profile: Profile, section: str, instrument: Any, lines: Mapping[str, Line], clock: Clock
) -> None:
    entry = profile.instruments[section]
    line = lines.get(entry.options.port)
    if line is None:
        instrument.bus.line.close()
        instrument.bus.replace(open_line(entry, clock))
    else:
        line.read()  # a line of the bench in this process is lost until it is plugged in again


def open_line(entry: Fitted, clock: Clock) -> Line:
    """Open the port of one instrument: a socket of the network, VISA, or a serial port.

    Raises
    ------
    PortLost
        It is not there, busy, or not ours to open.
    """
    port = entry.options.port
    if address := tcp_address(port):
        from drivers.tcp_line import TcpLine

        return TcpLine(*address, clock)
    if port.startswith(VISA) and isinstance(entry.options, ScpiPowerMeterOptions):
        from drivers.scpi.visa_line import VisaLine

        return VisaLine(
            port.removeprefix(VISA),
            clock,
            within_s=entry.options.reply_within_s,
            library=entry.options.visa_library,
        )
    from drivers.serial_line import SerialLine

    return SerialLine(port, KINDS[entry.kind].line_settings(entry.options), clock)
