"""The lab folder: what outlives a run.

::

    lab/
      lab.toml           name and format
      instruments.csv    append-only: acquired, calibrated, repaired, …
      lamps.csv          append-only: hours, starts, seasoned, …
      runs/              one folder for each run
      schedule.csv       append-only: planned runs and what became of them, if there are any
      planned/           their plans as acknowledged, and door notices
      notices.toml       how somebody is told, if wanted; notices.csv: what came of it
      index.csv          one line for each run; rebuilt at any time from the runs

The two records are read and added to by `analysis.lab_records`.
"""

from __future__ import annotations

import json
import re
import tomllib
import unicodedata
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from analysis import run_folder
from analysis.durable import append, replace, sync_folder
from analysis.lab_entries import INSTRUMENT_COLUMNS, LAMP_COLUMNS
from analysis.lab_records import (
    INSTRUMENTS,
    LAMPS,
    LabFolderError,
    csv_line,
    header,
)

FORMAT: Final = 1
LAB: Final = "lab.toml"
RUNS: Final = "runs"
INDEX: Final = "index.csv"

INDEX_COLUMNS: Final = (
    "run",
    "begun_utc",
    "test",
    "device",
    "specimen",
    "lamp",
    "mounting_heights_mm",
    "state",
)


def create(lab: Path, *, name: str) -> None:
    """Make a new lab folder.

    Raises
    ------
    LabFolderError
        There is a lab folder, or something else that is not an empty folder.
    OSError
        It cannot be written.
    """
    lab = Path(lab)
    if (lab / LAB).exists():
        raise LabFolderError(f"{lab}: is a lab folder already; it is never overwritten.")
    if lab.exists() and (not lab.is_dir() or any(lab.iterdir())):
        raise LabFolderError(f"{lab}: exists and is not empty. Give a new folder for the lab.")
    (lab / RUNS).mkdir(parents=True)
    append(lab / INSTRUMENTS, header(INSTRUMENT_COLUMNS))
    append(lab / LAMPS, header(LAMP_COLUMNS))
    # Last, because it is what makes the folder a lab folder.
    append(lab / LAB, f"format = {FORMAT}\nname = {json.dumps(name, ensure_ascii=False)}\n")
    sync_folder(lab)


def check(lab: Path) -> str:
    """Check that a folder is a lab folder of a format that is known; return the lab's name.

    Raises
    ------
    LabFolderError
        With everything that is wrong with the folder itself.
    """
    lab = Path(lab)
    path = lab / LAB
    if not path.is_file():
        raise LabFolderError(
            f"{lab}: not a lab folder ({LAB} is not there). Give another folder, or a new one."
        )
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except ValueError as error:
        raise LabFolderError(
            f"{path}: cannot be read ({error}). Mend it or restore a copy."
        ) from None
    problems = []
    written = content.get("format")
    if type(written) is not int or written < 1:
        problems.append(f"format is {written!r}; give format = {FORMAT}")
    elif written > FORMAT:
        raise LabFolderError(
            f"{path}: lab-folder format {written}, this version reads up to {FORMAT}. "
            "Use a newer Evenfall."
        )
    name = content.get("name")
    if not isinstance(name, str) or not name.strip():
        problems.append(f'name is {name!r}; give text, e.g. name = "Light lab"')
    for file, columns in ((INSTRUMENTS, INSTRUMENT_COLUMNS), (LAMPS, LAMP_COLUMNS)):
        try:
            head = (lab / file).read_bytes().split(b"\n", 1)[0].decode("utf-8-sig").strip()
        except (OSError, UnicodeDecodeError):
            problems.append(f"{file} cannot be read; restore it from a copy")
            continue
        if head != ",".join(columns):
            problems.append(f"{file} begins with {head!r}, expected {','.join(columns)!r}")
    if not (lab / RUNS).is_dir():
        problems.append(f"the folder {RUNS} is not there; make it, or restore it from a copy")
    if problems:
        raise LabFolderError(f"{lab}: " + "; ".join(problems) + ".")
    return str(name)


def new_run_folder(lab: Path, utc: datetime, name: str) -> Path:
    """Return the path of a run folder that does not exist yet, e.g. 2026-01-05T1800Z-reflector-a.

    The lab folder is made if it is not there or empty. The run folder itself is left to
    whoever writes it.

    Raises
    ------
    LabFolderError
        The folder cannot be made, is something else, or a lab folder that is not sound.
    """
    lab = Path(lab)
    if not lab.exists() or (lab.is_dir() and not any(lab.iterdir())):
        try:
            create(lab, name=lab.resolve().name or "lab")
        except OSError as error:
            raise LabFolderError(
                f"{lab}: the lab folder cannot be made: {error.strerror}. Give another place."
            ) from None
    check(lab)
    stem = f"{utc.astimezone(UTC):%Y-%m-%dT%H%MZ}-{slug(name)}"
    path = lab / RUNS / stem
    again = 1
    while path.exists():
        again += 1
        path = lab / RUNS / f"{stem}-{again}"
    return path


def lab_of(run: Path) -> Path | None:
    """Return the lab folder that a run folder lies in; None for one that stands alone."""
    runs = Path(run).resolve().parent
    return runs.parent if runs.name == RUNS and (runs.parent / LAB).is_file() else None


def slug(name: str) -> str:
    """Turn a name into what is safe in the name of a folder on every system."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:40].rstrip("-") or "run"


def rebuild_index(lab: Path) -> tuple[dict[str, str], ...]:
    """Write ``index.csv`` anew from the runs and return its lines.

    Only plan and descriptor of each run are read, never its readings. A folder that cannot be
    read stands in the index with the reason.

    Returns
    -------
    tuple of dict
        One for each run, by name, with the keys `INDEX_COLUMNS`.

    Raises
    ------
    LabFolderError
        Not a lab folder that is sound.
    OSError
        The index cannot be written.
    """
    lab = Path(lab)
    check(lab)
    folders = sorted(path for path in (lab / RUNS).iterdir() if path.is_dir())
    rows = tuple(_index_row(folder) for folder in folders)
    lines = [csv_line([row[column] for column in INDEX_COLUMNS]) for row in rows]
    replace(lab / INDEX, header(INDEX_COLUMNS) + "".join(lines))
    return rows


def _index_row(folder: Path) -> dict[str, str]:
    row = dict.fromkeys(INDEX_COLUMNS, "") | {"run": folder.name}
    try:
        descriptor = json.loads((folder / run_folder.DESCRIPTOR).read_bytes())
        plan = tomllib.loads((folder / run_folder.PLAN).read_text(encoding="utf-8"))
        is_closed = descriptor["evenfall"]["is_closed"]
        heights = plan["heights"]["mounting_height_mm"]
        return row | {
            "begun_utc": str(descriptor.get("created", "")),
            "test": _said(plan, "test", "name"),
            "device": _said(plan, "device", "name"),
            "specimen": _said(plan, "device", "specimen"),
            "lamp": _said(plan, "lamp", "sample"),
            "mounting_heights_mm": " ".join(f"{height:g}" for height in heights),
            "state": "closed" if is_closed else "open",
        }
    except FileNotFoundError as error:
        return row | {"state": f"cannot be read: {Path(error.filename).name} is not there"}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        return row | {"state": f"cannot be read: {type(error).__name__}: {error}"}


def _said(plan: dict[str, Any], section: str, key: str) -> str:
    return str(plan.get(section, {}).get(key, ""))
