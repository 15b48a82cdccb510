"""What a run was read with, as far as it is stated: which causes of error two runs share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from attrs import frozen

from analysis.likeness import instrument_of
from analysis.results import RunSummary

OPENING_KNOWN: Final = "above the centre"
"""What a plan says in ``[device] opening`` of a device with one opening there."""


@frozen(kw_only=True)
class Identity:
    """What a map was read with, as far as it is stated; empty strings where it is not.

    Attributes
    ----------
    run : str
        Path of the run: what nothing else identifies is of this run alone.
    light_sensor, power_meter, lamp, ballast, rig : str
    device : str
        Device and specimen.
    is_opening_known : bool
        Whether the plan states one opening above the centre of the area.
    """

    run: str
    light_sensor: str
    power_meter: str
    lamp: str
    ballast: str
    rig: str
    device: str
    is_opening_known: bool

    def key(self, what: str, *owners: str) -> str:
        """Return the key of a cause that belongs to these owners, or to this run alone."""
        return f"{what} of {' and '.join(owners)}" if all(owners) else f"{what} in {self.run}"


def identity_of(run: RunSummary, rig: Mapping[str, Any]) -> Identity:
    """Gather what a run was read with, as far as it is stated."""

    def stated(table: str, key: str) -> str:
        held = run.plan.get(table)
        return str(held.get(key, "")) if isinstance(held, Mapping) else ""

    return Identity(
        run=str(run.path),
        light_sensor=instrument_of(run, "light_sensor", "entered"),
        power_meter=instrument_of(run, "power_meter"),
        lamp=run.lamp,
        ballast=run.ballast,
        rig=str(rig.get("name", "")),
        device=f"{run.device} {run.specimen}" if run.device and run.specimen else "",
        is_opening_known=stated("device", "opening") == OPENING_KNOWN,
    )
