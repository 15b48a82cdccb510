"""The test plan that suits a scenario of the virtual bench."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any, Final

from drivers.simulated.scenario import Device, Scenario

#: A lamp that has run up sooner than this is one for trying things out.
QUICK_RUN_UP_S: Final = 30.0


def suited_plan(scenario: Scenario, device: Device, mounting_height_mm: float) -> dict[str, Any]:
    """Return a plan as TOML has it, for one device of a scenario at one height.

    A lamp that runs up in seconds gets a plan of a minute or two: few points, short rule. Any
    other gets the full grid and the usual rule.
    """
    lamp, ballast, area = scenario.lamp, scenario.ballast, scenario.area
    is_quick = lamp.second_stage_s < QUICK_RUN_UP_S
    side = 3 if is_quick else 9
    quick_warm_up = {
        "block_s": 4.0,
        "window_s": 20.0,
        "limit_percent": 2.0,
        "minimum_on_s": 15.0,
        "maximum_s": 300.0,
    }
    return {
        "format": 1,
        "test": {"name": f"{device.name} at {mounting_height_mm:g} mm"},
        "device": {"name": device.name, "specimen": "virtual"},
        "lamp": {
            "sample": "virtual",
            "kind": "high-pressure sodium",
            "rated_power_w": lamp.rated_power_w,
            "rated_flux_umol_s": lamp.rated_flux_umol_s,
            "hours": lamp.hours,
            "minimum_off_s": 10.0 if is_quick else 900.0,
        },
        "ballast": {
            "sample": "virtual",
            "kind": ballast.kind,
            "nominal_voltage_v": scenario.mains.nominal_v,
        },
        "area": {
            "shape": "rectangle",
            "width_mm": area.width_mm,
            "depth_mm": area.depth_mm,
            "walls": "simulated white board",
            "walls_identity": "virtual",
            "walls_state_date": date(2026, 1, 1),
            "floor": "simulated grey floor",
            "above": area.above,
        },
        "grid": {"layout": "cell-centres", "rows": side, "columns": side},
        "heights": {"mounting_height_mm": [mounting_height_mm], "axis": "lamp"},
        "dark": {"points": 5},
        "warm_up": quick_warm_up if is_quick else {"preset": "bench", "maximum_s": 5400.0},
        "sampling": {
            "samples_per_point": 2 if is_quick else 3,
            "settle_s": 0.8,
            "reference_every": 5 if is_quick else 9,
            "quick_look": not is_quick,
        },
    }


def unlike(held: Mapping[str, Any], suited: Mapping[str, Any]) -> Iterator[str]:
    """Say in which facts of the bench a plan is unlike the one that suits it."""
    for section, keys in (
        ("device", ("name",)),
        ("area", ("width_mm", "depth_mm")),
        ("heights", ("mounting_height_mm",)),
    ):
        table = held.get(section)
        for key in keys:
            said = table.get(key) if isinstance(table, Mapping) else None
            if said != suited[section][key]:
                shown = "not stated" if said is None else repr(said)
                yield f"{section}.{key} is {shown}, here {suited[section][key]!r}"
