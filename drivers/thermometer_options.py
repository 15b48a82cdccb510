"""What every thermometer declares, whatever its bus."""

from __future__ import annotations

from attrs import define

from drivers.options import number, text


@define(kw_only=True, slots=False)
class ThermometerOptions:
    """One temperature that is watched during a run."""

    place: str = text(default="reflector", doc="Where its probe sits.")
    highest_c: float | None = number(
        default=None,
        unit="°C",
        least=-40.0,
        most=400.0,
        doc="Above it the run stops and the lamp relay opens. It does not replace a hard-wired "
        "thermal cut-out.",
    )
    every_s: float = number(
        default=5.0, unit="s", least=0.2, most=60.0, doc="Time from one reading to the next."
    )
