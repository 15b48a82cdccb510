"""Section ``[series]`` of a plan: runs that belong together, and their order.

A run folder holds one device, so measuring the control reflector before and after a device is
three runs. Each of their plans carries this section, word for word; which run is due follows from
those that are done (`rig/series.py`), so that one plan serves both runs of the control.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any, Final

from attrs import frozen

from rig.plan_sections import Device
from rig.toml_faults import Fault
from rig.toml_keys import text, texts

#: Fewer do not come back to the first.
LEAST: Final = 3


@frozen(kw_only=True)
class Series:
    """Section ``[series]``: several runs, of which the last is again of the first device."""

    name: str = text(
        "Name of the series, the same in the plan of each of its runs.",
        example="Reflector A against the control",
        empty=False,
    )
    devices: tuple[str, ...] = texts(
        "Devices in the order in which they are run, each once for each of its runs; the last is "
        "the first again.",
        example=["Control", "Reflector A", "Control"],
    )


def faults(sections: Mapping[str, Any]) -> Iterator[Fault]:
    """Find what is wrong between the keys of a series and the device of the plan."""
    series: Series | None = sections.get("series")
    device: Device | None = sections.get("device")
    if series is None:
        return
    names, place = series.devices, ("series", "devices")
    if len(names) < LEAST or names[0] != names[-1]:
        yield Fault(
            place,
            f"is {list(names)}; give {LEAST} or more, the last the same as the first: only a "
            "device that is measured again tells what the bench did meanwhile",
        )
    elif any(one == other for one, other in pairwise(names)):
        yield Fault(
            place,
            f"is {list(names)}, with one device twice in a row; give another in between, or "
            "heights.installations for several hangings",
        )
    if device is None:
        return
    if device.name not in names:
        yield Fault(
            place,
            f"is {list(names)}, without the device of this plan (device.name = {device.name!r}); "
            "give its name there",
        )
    if not device.specimen:
        yield Fault(
            ("device", "specimen"),
            "is missing, and the plan is of a series; give it: only runs of one specimen can be "
            "set against each other",
        )
