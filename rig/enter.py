"""`evenfall enter`: a hand-measured table and a few facts become a run folder.

The folder is as good as one of a run: a plan that says what is known, a row for each reading
with the cell it came from, and the table itself, byte for byte. What nobody stated stays not
stated; a point that was not read has no row.
"""

from __future__ import annotations

import argparse
import hashlib
from collections.abc import Mapping, Sequence
from datetime import date
from itertools import product
from pathlib import Path
from typing import Any, Final

import attrs
import tomli_w
from attrs import frozen

from analysis import lab_folder, lab_records
from analysis.grid import Grid, grid_from_plan
from analysis.quantities import MEASURED
from analysis.run_folder import EventRow, ReadingRow
from drivers.clock import Clock, SystemClock
from rig import plan_checks
from rig.plan import Plan
from rig.recorder import Recorder
from rig.table import HandTable, read_table
from rig.table_cells import TableError
from rig.toml_faults import ConfigError, Fault, examine

INSTRUMENT: Final = "entered"
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
    ("test", "operator"): "--operator",
    ("test", "notes"): "--notes",
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
    first_line, positions_in, decimal
        As `rig.table.read_table` takes them.
    """

    device: str
    mounting_height_mm: float
    width_mm: float | None = None
    depth_mm: float | None = None
    diameter_mm: float | None = None
    wall_power_w: float | None = None
    specimen: str = ""
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
    decimal: str | None = None


def enter(table: Path, facts: Facts, *, lab: Path, clock: Clock) -> Path:
    """Turn a hand-measured table into a closed run folder.

    Parameters
    ----------
    table : Path
        The file; see `rig.table` for what it may look like.
    facts : Facts
        What it does not say.
    lab : Path
        Lab folder that the run folder is made in; made if it is not there.
    clock : Clock
        Gives the moment of entering.

    Returns
    -------
    Path
        The run folder.

    Raises
    ------
    ConfigError
        With everything that is wrong with the table and the facts. Nothing was made then.
    RecorderError, LabFolderError
        The folder could not be made or written.
    """
    table = Path(table)
    try:
        data = table.read_bytes()
    except OSError as error:
        raise ConfigError(str(table), [f"cannot be read: {error.strerror}."]) from None
    read, problems = _read(data, table, facts)
    raw = _plan(facts, read, table.name, hashlib.sha256(data).hexdigest())
    _, faults = examine(raw, Plan, plan_checks.faults)
    faults += _power_faults(facts)
    if facts.layout and raw.get("grid", {}).get("layout", facts.layout) != facts.layout:
        text = f"is {facts.layout}, but the positions in the table lie elsewhere; leave it out"
        faults.append(Fault(("--layout",), text))
    if problems and faults:
        told = [f"{table.name}, {problem}" for problem in problems]
        raise ConfigError("evenfall enter", told + [_by_option(fault) for fault in faults])
    if faults:
        raise ConfigError("evenfall enter", [_by_option(fault) for fault in faults])
    if read is None:
        raise TableError(str(table), problems)
    grid = grid_from_plan(raw)
    _refuse_outside(table, read, grid)
    return _write(table, data, facts, read, raw, grid, lab, clock)


def run_enter(options: argparse.Namespace) -> int:
    """Carry out `evenfall enter` with the arguments of `rig.enter_options`.

    Raises
    ------
    ConfigError
        The table or an option cannot be used.
    RecorderError, LabFolderError, OSError
        The folder could not be made or written.
    """
    from rich.console import Console

    from rig.results import derive, show_results

    facts = Facts(**{item.name: getattr(options, item.name) for item in attrs.fields(Facts)})
    clock = SystemClock()
    folder = enter(options.table, facts, lab=options.lab, clock=clock)
    console = Console(highlight=False)
    console.print(f"Entered: {folder}", markup=False)
    summary = derive(folder, made_utc=f"{clock.utc():%Y-%m-%dT%H:%M:%SZ}")
    show_results([summary], console)
    console.print(f"Report: {folder / 'report.html'}", markup=False)
    return 0


def _read(data: bytes, table: Path, facts: Facts) -> tuple[HandTable | None, tuple[str, ...]]:
    try:
        read = read_table(
            data,
            str(table),
            first_line=facts.first_line,
            positions_in=facts.positions_in,
            decimal=facts.decimal,
        )
    except TableError as error:
        return None, error.problems
    return read, ()


def _by_option(fault: Fault) -> str:
    option = _OPTION_OF.get(fault.path)
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


def _refuse_outside(table: Path, read: HandTable, grid: Grid) -> None:
    """On a round area a lattice has corners that are no points; a reading there is a mistake."""
    places = list(product(range(read.rows), range(read.columns)))
    indices = grid.index_of([row for row, _ in places], [column for _, column in places])
    outside = [
        f"the reading {read.raw[row][column]!r} of row {row + 1}, column {column + 1} (row 1 at "
        "the smallest y) lies outside the round area; write - there, or check --diameter-mm"
        for (row, column), index in zip(places, indices, strict=True)
        if index < 0 and read.values[row][column] is not None
    ]
    if outside:
        raise TableError(str(table), outside)


# --- the plan --------------------------------------------------------------------------------


def _plan(facts: Facts, read: HandTable | None, name: str, sha256: str) -> dict[str, Any]:
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
        },
    }
    stated = {
        section: _stated(content) if isinstance(content, dict) else content
        for section, content in plan.items()
    }
    return {key: value for key, value in stated.items() if value != {} or key == "lamp"}


def _stated(section: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in section.items() if value is not None and value != ""}


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


# --- the folder ------------------------------------------------------------------------------


def _write(
    table: Path,
    data: bytes,
    facts: Facts,
    read: HandTable,
    raw: dict[str, Any],
    grid: Grid,
    lab: Path,
    clock: Clock,
) -> Path:
    utc, elapsed_s = clock.stamp()
    folder = lab_folder.new_run_folder(lab, utc, facts.device)
    copy = f"entered-{lab_folder.slug(table.stem)}{table.suffix.lower() or '.txt'}"
    plan_text = "# Written by 'evenfall enter'; what is not here was not stated.\n" + tomli_w.dumps(
        raw
    )
    recorder = Recorder.create(
        folder,
        descriptor={
            "title": raw["test"]["name"],
            "created": utc.isoformat(timespec="seconds"),
            "instruments": [
                {
                    "name": INSTRUMENT,
                    "kind": "hand-measured table",
                    "serial_number": facts.sensor or None,
                }
            ],
            "entered": {
                **{key: str(value) for key, value in raw["entered"].items()},
                "copy": copy,
                "form": read.form,
                "encoding": read.sheet.encoding,
                "separator": read.sheet.separator,
                "decimal": read.sheet.decimal,
            },
        },
        plan_text=plan_text.encode(),
        rig_text=b"# No rig: the readings were taken and entered by hand.\n",
    )

    def event(name: str, subject: str, detail: str) -> None:
        recorder.event(
            EventRow(elapsed_s=elapsed_s, utc=utc, event=name, subject=subject, detail=detail)
        )

    def reading(quantity: str, role: str, value: float, text: str, **place: Any) -> None:
        recorder.reading(
            ReadingRow(
                elapsed_s=elapsed_s,
                utc=utc,
                window_start_s=None,  # nobody wrote down when each point was read
                window_end_s=None,
                instrument=INSTRUMENT,
                quantity=quantity,
                value=value,
                unit=MEASURED[quantity].ucum,
                role=role,
                installation=1,
                mounting_height_mm=facts.mounting_height_mm,
                raw=text.encode(),
                **place,
            )
        )

    with recorder:
        recorder.attach(copy, data)
        if facts.sensor or facts.lamp:
            kept = lab_records.copies_for_run(lab, instruments=[facts.sensor], lamps=[facts.lamp])
            for name, lines in kept.items():
                recorder.attach(name, lines)
        event("run-begun", facts.device, raw["test"]["name"])
        event("note", INSTRUMENT, f"{table.name}, SHA-256 {raw['entered']['sha256']}")
        event("dark-skipped", "", NO_DARK)
        if facts.wall_power_w is not None:
            text = f"{facts.wall_power_w!r}"
            reading("wall_power_w", "background", facts.wall_power_w, text)
        event(
            "map-begun",
            facts.device,
            f"installation 1, mounting height {facts.mounting_height_mm:g} mm",
        )
        unread = []
        for row, column, x_mm, y_mm in zip(
            grid.row.tolist(),
            grid.column.tolist(),
            grid.x_mm.tolist(),
            grid.y_mm.tolist(),
            strict=True,
        ):
            value = read.values[row][column]
            if value is None:
                unread.append(f"row {row + 1}, column {column + 1}")
                continue
            reading(
                "ppfd_umol_m2_s",
                "grid",
                value,
                read.raw[row][column],
                grid_row=row,
                grid_column=column,
                x_mm=x_mm,
                y_mm=y_mm,
                sample=1,
            )
        if unread:
            event("note", INSTRUMENT, f"not read ({len(unread)}): " + "; ".join(unread))
        event("map-ended", facts.device, "")
        event("run-ended", facts.device, "")
        recorder.close()
    return folder
