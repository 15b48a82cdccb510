"""`evenfall enter`: a hand-measured table and a few facts become a run folder.

The folder is as good as one of a run: a plan that says what is known, a row for each reading
with the cell it came from, and the table itself, byte for byte. What nobody stated stays not
stated; a point that was not read has no row.
"""

from __future__ import annotations

import argparse
import hashlib
from itertools import product
from pathlib import Path
from typing import Any, Final

import attrs
import tomli_w

from analysis import lab_folder, lab_records
from analysis.grid import Grid, grid_from_plan
from analysis.lux import conversion_of
from analysis.quantities import MEASURED
from analysis.run_folder import FIGURES, REPORT, EventRow, ReadingRow
from drivers.clock import Clock, SystemClock
from rig.enter_plan import NO_DARK, Facts, build_plan, plan_problems
from rig.recorder import Recorder
from rig.table import HandTable, read_table
from rig.table_cells import TableError
from rig.toml_faults import ConfigError

INSTRUMENT: Final = "entered"


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
    raw = build_plan(facts, read, table.name, hashlib.sha256(data).hexdigest())
    wrong_facts = plan_problems(raw, facts, read)
    if wrong_facts:
        told = [f"{table.name}, {problem}" for problem in problems]
        raise ConfigError("evenfall enter", told + wrong_facts)
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

    from analysis.report.pages import paths
    from rig.results import derive_with_pictures, show_pages, show_results, utc_text

    facts = Facts(**{item.name: getattr(options, item.name) for item in attrs.fields(Facts)})
    clock = SystemClock()
    folder = enter(options.table, facts, lab=options.lab, clock=clock)
    console = Console(highlight=False)
    console.print(f"Entered: {folder}", markup=False, soft_wrap=True)
    found = derive_with_pictures(folder, made_utc=utc_text(clock))
    show_results(found.runs, console)
    show_pages(paths(folder / REPORT), console, figures=folder / FIGURES)
    return 0


def _read(data: bytes, table: Path, facts: Facts) -> tuple[HandTable | None, tuple[str, ...]]:
    try:
        read = read_table(
            data,
            str(table),
            first_line=facts.first_line,
            positions_in=facts.positions_in,
            values_in=facts.values_in,
            decimal=facts.decimal,
        )
    except TableError as error:
        return None, error.problems
    return read, ()


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

    converted = conversion_of(raw)
    with recorder:
        recorder.attach(copy, data)
        if facts.sensor or facts.lamp:
            kept = lab_records.copies_for_run(lab, instruments=[facts.sensor], lamps=[facts.lamp])
            for name, lines in kept.items():
                recorder.attach(name, lines)
        event("run-begun", facts.device, raw["test"]["name"])
        event("note", INSTRUMENT, f"{table.name}, SHA-256 {raw['entered']['sha256']}")
        event("dark-skipped", "", NO_DARK)
        if converted:
            event("note", INSTRUMENT, converted.remark)
        if facts.wall_power_w is not None:
            text = f"{facts.wall_power_w!r}"
            reading("wall_power_w", "background", facts.wall_power_w, text)
        event(
            "map-begun",
            facts.device,
            f"installation 1, mounting height {facts.mounting_height_mm:g} mm",
        )
        unread = []
        factor, unit = (converted.lux_per_ppfd, "lx") if converted else (1.0, "")
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
                value / factor,
                read.raw[row][column] + unit,
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
