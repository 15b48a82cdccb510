"""The plan of an entered run: the facts of the command line and what the table itself says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, Final

from attrs import frozen

from analysis.lux import by_kind
from analysis.photons import LAMP_KINDS
from analysis.quantities import MEASURED
from rig import plan_checks
from rig.plan import Plan
from rig.table import HandTable
from rig.toml_faults import Fault, either
from rig.toml_structure import examine

SAME_PLACE_MM: Final = 0.51
"""Clipboards give whole millimetres: 66.7 mm is written as 67. [mm]"""
NO_DARK: Final = "entered by hand; the table holds no dark reading"

_OPTION_OF: Final = {
    ("device", "name"): "--device",
    ("device", "specimen"): "--specimen",
    ("device", "lamp_axis"): "--lamp-axis",
    ("lamp", "sample"): "--lamp",
    ("lamp", "kind"): "--lamp-kind",
    ("lamp", "rated_power_w"): "--lamp-power-w",
    ("lamp", "rated_flux_umol_s"): "--lamp-flux-umol-s",
    ("lamp", "hours"): "--lamp-hours",
    ("ballast", "sample"): "--ballast",
    ("ballast", "kind"): "--ballast-kind",
    ("area", "width_mm"): "--width-mm",
    ("area", "depth_mm"): "--depth-mm",
    ("area", "diameter_mm"): "--diameter-mm",
    ("area", "walls"): "--walls",
    ("area", "walls_identity"): "--walls-identity",
    ("area", "floor"): "--floor",
    ("area", "above"): "--above",
    ("heights", "mounting_height_mm", 0): "--mounting-height-mm",
    ("entered", "sensor"): "--sensor",
    ("entered", "measured_on"): "--measured-on",
    ("entered", "lux_per_ppfd"): "--lux-per-ppfd",
    ("entered", "lux_limit_percent"): "--lux-limit-percent",
    ("test", "operator"): "--operator",
    ("test", "notes"): "--notes",
}

#: Of a whole section that a plan lacks the reader says "give a section"; here it is an option.
_MISSING: Final = {
    ("area",): "the size of the area is missing; give --width-mm and --depth-mm, or --diameter-mm "
    "for a round one",
    ("device",): "--device is empty; give the name of the device under test",
}


@frozen(kw_only=True)
class Facts:
    """What a table does not say. None and "" are not stated; names and units as in the plan.

    Attributes
    ----------
    device : str
        Name of the device under test.
    mounting_height_mm : float
        Datum of the device to the diffuser of the sensor. [mm]
    width_mm, depth_mm, diameter_mm : float or None
        Size of the area: width and depth, or the diameter of a round one. [mm]
    wall_power_w : float or None
        Mean wall power during the readings. [W]
    layout : str or None
        Where the points lie if the table does not say: ``"cell-centres"`` (the default) or
        ``"edge-inclusive"``.
    lux_per_ppfd, lux_limit_percent : float or None
        Factor of this lamp for readings in lux, and its limits. [lx per µmol m⁻² s⁻¹, %]
    first_line, positions_in, values_in, decimal
        As `rig.table.read_table` takes them.
    """

    device: str
    mounting_height_mm: float
    width_mm: float | None = None
    depth_mm: float | None = None
    diameter_mm: float | None = None
    wall_power_w: float | None = None
    specimen: str = ""
    is_control: bool | None = None
    lamp_axis: str | None = None
    lamp: str = ""
    lamp_kind: str | None = None
    lamp_power_w: float | None = None
    lamp_flux_umol_s: float | None = None
    lamp_hours: float | None = None
    ballast: str = ""
    ballast_kind: str | None = None
    walls: str = ""
    walls_identity: str = ""
    floor: str = ""
    above: str = ""
    sensor: str = ""
    measured_on: date | None = None
    operator: str = ""
    notes: str = ""
    layout: str | None = None
    first_line: str = "far"
    positions_in: str | None = None
    values_in: str | None = None
    decimal: str | None = None
    lux_per_ppfd: float | None = None
    lux_limit_percent: float | None = None


def build_plan(facts: Facts, read: HandTable | None, name: str, sha256: str) -> dict[str, Any]:
    """Return the plan as TOML has it; what nobody stated is left out.

    Parameters
    ----------
    facts : Facts
        From the command line.
    read : HandTable or None
        The table, if it could be read.
    name, sha256 : str
        Of the table's file.
    """
    is_round = facts.diameter_mm is not None
    area = {
        "shape": "round" if is_round else None,
        "width_mm": facts.width_mm,
        "depth_mm": facts.depth_mm,
        "diameter_mm": facts.diameter_mm,
        "walls": facts.walls,
        "walls_identity": facts.walls_identity,
        "floor": facts.floor,
        "above": facts.above,
    }
    has_positions = read is not None and (read.x_mm is not None or read.y_mm is not None)
    plan: dict[str, Any] = {
        "format": 1,
        "test": {
            "name": f"{facts.device}, entered by hand",
            "operator": facts.operator,
            "notes": facts.notes,
        },
        "device": {
            "name": facts.device,
            "specimen": facts.specimen,
            "is_control": facts.is_control,
            "lamp_axis": facts.lamp_axis,
        },
        "lamp": {
            "sample": facts.lamp,
            "kind": facts.lamp_kind,
            "rated_power_w": facts.lamp_power_w,
            "rated_flux_umol_s": facts.lamp_flux_umol_s,
            "hours": facts.lamp_hours,
        },
        "ballast": {"sample": facts.ballast, "kind": facts.ballast_kind},
        "area": area,
        "grid": {} if read is None else _grid(facts, read),
        "heights": {"mounting_height_mm": [facts.mounting_height_mm]},
        "dark": {"points": 0, "skip_reason": NO_DARK},
        "sampling": {"samples_per_point": 1, "quick_look": False},
        "entered": {
            "table": name,
            "sha256": sha256,
            "first_line": "as positions say" if has_positions else facts.first_line,
            "sensor": facts.sensor,
            "measured_on": facts.measured_on,
            **_conversion(facts, read),
        },
    }
    stated = {
        section: _stated(content) if isinstance(content, dict) else content
        for section, content in plan.items()
    }
    return {key: value for key, value in stated.items() if value != {} or key == "lamp"}


def _stated(section: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in section.items() if value is not None and value != ""}


def is_in_lux(facts: Facts, read: HandTable | None) -> bool:
    """Tell whether the readings are in lux, as far as the table could be read."""
    return (facts.values_in if read is None else read.unit.name) == "lux"


def _conversion(facts: Facts, read: HandTable | None) -> dict[str, Any]:
    """Say by what readings in lux are to be divided: as stated, or by the kind of the lamp."""
    if facts.lux_per_ppfd is not None or facts.lux_limit_percent is not None:
        return {
            "lux_per_ppfd": facts.lux_per_ppfd,
            "lux_limit_percent": facts.lux_limit_percent,
            "lux_source": "stated for this lamp",
        }
    known = by_kind(facts.lamp_kind) if is_in_lux(facts, read) else None
    if known is None:
        return {}
    return {
        "lux_per_ppfd": known.lux_per_ppfd,
        "lux_limit_percent": 100 * known.limit,
        "lux_source": known.source,
    }


def _lux_faults(facts: Facts, read: HandTable | None) -> list[Fault]:
    """A factor goes with its limits and with readings in lux, and they go with it."""
    factor, limit_percent = facts.lux_per_ppfd, facts.lux_limit_percent
    if (factor is None) != (limit_percent is None):
        given, other = "--lux-per-ppfd", "--lux-limit-percent"
        if factor is None:
            given, other = other, given
        return [Fault((given,), f"goes with {other}; give both, or neither")]
    if not is_in_lux(facts, read):
        if factor is None or read is None:
            return []
        text = "is given, but the readings are PPFD; leave it out, or say --values-in lux"
        return [Fault(("--lux-per-ppfd",), text)]
    if factor is None and by_kind(facts.lamp_kind) is None:
        kinds = either([kind for kind in LAMP_KINDS if kind != "daylight"])
        return [
            Fault(
                ("--lamp-kind",),
                f"is {facts.lamp_kind or 'not stated'}, and the readings are in lux; give {kinds}, "
                "or --lux-per-ppfd with --lux-limit-percent, from the lamp's spectrum or from a "
                "quantum sensor held beside the lux meter",
            )
        ]
    return []


def _grid(facts: Facts, read: HandTable) -> dict[str, Any]:
    """Name the layout that the table's own positions follow; lines of their own if none."""
    width_mm = facts.width_mm or facts.diameter_mm or 0.0
    depth_mm = facts.depth_mm or facts.diameter_mm or 0.0
    counted = {"rows": read.rows, "columns": read.columns}
    layouts = [facts.layout] if facts.layout else ["cell-centres", "edge-inclusive"]
    for layout in layouts:
        if _follows(read.x_mm, layout, width_mm, read.columns) and _follows(
            read.y_mm, layout, depth_mm, read.rows
        ):
            return {"layout": layout, **counted}
    x_mm = read.x_mm or _places(facts.layout, width_mm, read.columns)
    y_mm = read.y_mm or _places(facts.layout, depth_mm, read.rows)
    return {"layout": "lines", "x_mm": list(x_mm), "y_mm": list(y_mm)}


def _follows(stated_mm: Sequence[float] | None, layout: str, extent_mm: float, count: int) -> bool:
    if stated_mm is None:
        return True
    places = _places(layout, extent_mm, count)
    return all(
        abs(one - other) <= SAME_PLACE_MM for one, other in zip(stated_mm, places, strict=True)
    )


def _places(layout: str | None, extent_mm: float, count: int) -> list[float]:
    if layout == "edge-inclusive":
        return [extent_mm * n / max(count - 1, 1) for n in range(count)]
    return [extent_mm * (n + 0.5) / count for n in range(count)]


def plan_problems(raw: Mapping[str, Any], facts: Facts, read: HandTable | None) -> list[str]:
    """List what is wrong with the facts, each by the option that states it."""
    _, faults = examine(raw, Plan, plan_checks.faults)
    faults += [*_power_faults(facts), *_lux_faults(facts, read)]
    if facts.layout and raw.get("grid", {}).get("layout", facts.layout) != facts.layout:
        text = f"is {facts.layout}, but the positions in the table lie elsewhere; leave it out"
        faults.append(Fault(("--layout",), text))
    return [_by_option(fault) for fault in faults]


def _by_option(fault: Fault) -> str:
    option = _OPTION_OF.get(fault.path)
    if fault.text.startswith("is missing") and fault.path in _MISSING:
        return _MISSING[fault.path]
    return f"{option} {fault.text}" if option else str(fault)


def _power_faults(facts: Facts) -> list[Fault]:
    lowest, highest = 0.0, MEASURED["wall_power_w"].plausible[1]
    if facts.wall_power_w is None or lowest < facts.wall_power_w <= highest:
        return []
    return [
        Fault(
            ("--wall-power-w",),
            f"is {facts.wall_power_w!r}; give a number of W above 0 and at most {highest:g}, "
            "e.g. 612, or leave it out",
        )
    ]
