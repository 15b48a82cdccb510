"""What stands on the bench."""

from __future__ import annotations

from collections.abc import Callable

from attrs import define

from drivers.contracts import Instrument, LampRelay, Stage, TwoPhase


@define(kw_only=True)
class Instruments:
    """What stands on the bench, ready to be spoken to.

    Attributes
    ----------
    reopen : callable
        Opens the port of a section's instrument anew; raises PortLost where it is not there.
    """

    light_sensor: Instrument
    power_meter: Instrument
    stage: Stage
    monitor_sensor: Instrument | None = None
    lamp_relay: LampRelay | None = None
    thermometer: Instrument | None = None
    reopen: Callable[[str], None]

    def measuring(self) -> dict[str, Instrument]:
        """Return the instruments that measure, by their sections of the profile."""
        fitted = {"light_sensor": self.light_sensor, "power_meter": self.power_meter}
        if self.monitor_sensor is not None:
            fitted["monitor_sensor"] = self.monitor_sensor
        if self.thermometer is not None:
            fitted["thermometer"] = self.thermometer
        return fitted

    def all(self) -> dict[str, TwoPhase]:
        """Return every instrument fitted, by its section of the profile."""
        others: dict[str, TwoPhase] = {**self.measuring(), "stage": self.stage}
        return others if self.lamp_relay is None else {**others, "lamp_relay": self.lamp_relay}
