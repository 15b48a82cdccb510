"""The run-folder format, once: columns, how a row is written and read, what damage looks like.

A run folder holds one device under test. Everything in it opens in a spreadsheet:

``datapackage.json``
    Descriptor after the Data Package standard: fields, units, versions, instruments, and
    hashes once the run is closed.
``plan.toml``, ``rig.toml``
    Exact copies of what was run.
``readings.csv``, ``events.csv``
    Append-only. Each row ends in the CRC-32 of its own bytes up to and including the comma
    before it, so a reader knows a whole row from a torn or an edited one.

Nothing here writes to disk: the controller (`rig/recorder.py`) does that. This module turns
rows into bytes and bytes into tables, for both sides.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
import tomllib
import zlib
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import pandas as pd
from attrs import field, frozen

FORMAT: Final = 1

READINGS: Final = "readings.csv"
EVENTS: Final = "events.csv"
PLAN: Final = "plan.toml"
RIG: Final = "rig.toml"
DESCRIPTOR: Final = "datapackage.json"
SUMMARY: Final = "summary.json"
REPORT: Final = "report.html"
FIGURES: Final = "figures"

ROLES: Final = (
    "dark",  # lamp off
    "stray",  # lamp lit, its light kept from the sensor
    "warm-up",  # before the lamp is stable
    "quick-look",  # the five points before the map
    "grid",  # a point of the map
    "reference",  # the reference point, revisited
    "monitor",  # the fixed second sensor
    "refine",  # an extra point of weight 0
    "background",  # power and the like, all the time in between
)
STATUSES: Final = (
    "ok",
    "missing",  # the instrument said that it has no value
    "failed",  # an attempt that gave no valid reply; raw holds what came
    "implausible",  # a valid reply outside the plausible range
    "suspect",  # a valid reply that something else speaks against
    "skipped",  # left out by the operator, with a reason among the events
)

READING_COLUMNS: Final = (
    "elapsed_s",
    "utc",
    "window_start_s",
    "window_end_s",
    "instrument",
    "quantity",
    "value",
    "unit",
    "role",
    "installation",
    "grid_row",
    "grid_column",
    "x_mm",
    "y_mm",
    "mounting_height_mm",
    "sample",
    "status",
    "raw",
    "crc32",
)
EVENT_COLUMNS: Final = ("elapsed_s", "utc", "event", "subject", "detail", "crc32")

_INTEGER_COLUMNS: Final = ("installation", "grid_row", "grid_column", "sample")
_FLOAT_COLUMNS: Final = (
    "elapsed_s",
    "window_start_s",
    "window_end_s",
    "value",
    "x_mm",
    "y_mm",
    "mounting_height_mm",
)


class RunFolderError(Exception):
    """The folder cannot be read as a run; the message says what and what to do."""


@frozen(kw_only=True)
class ReadingRow:
    """One row of ``readings.csv``; None is an empty cell.

    `grid_row` and `grid_column` count from 0 at the corner where x and y are smallest.
    `installation` and `sample` count from 1.
    """

    elapsed_s: float
    utc: datetime
    window_start_s: float | None
    window_end_s: float | None
    instrument: str
    quantity: str
    value: float | None
    unit: str
    role: str
    installation: int
    grid_row: int | None = None
    grid_column: int | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    mounting_height_mm: float | None = None
    sample: int | None = None
    status: str = "ok"
    raw: bytes = b""


@frozen(kw_only=True)
class EventRow:
    """One row of ``events.csv``: what happened, to whom, and the particulars."""

    elapsed_s: float
    utc: datetime
    event: str
    subject: str
    detail: str


@frozen(kw_only=True)
class Damage:
    """One stretch of a file that is not a whole row."""

    file: str
    line: int
    problem: str


@frozen(kw_only=True)
class Run:
    """A run as read from its folder. The tables hold whole rows only, in the order written.

    Attributes
    ----------
    readings : DataFrame
        Columns of `READING_COLUMNS` without ``crc32``; numbers as float64, integers as Int64,
        ``raw`` as the escaped text (see `unescape`).
    events : DataFrame
        Columns of `EVENT_COLUMNS` without ``crc32``.
    damage : tuple of Damage
        What was found in the files that is not a whole row; empty for a sound folder.
    """

    path: Path
    descriptor: dict[str, Any]
    plan: dict[str, Any]
    rig: dict[str, Any]
    readings: pd.DataFrame
    events: pd.DataFrame
    damage: tuple[Damage, ...] = field(default=())


_ESCAPED: Final = tuple(
    chr(byte) if 32 < byte < 127 and byte not in b'\\,"' else f"\\x{byte:02x}"
    for byte in range(256)
)


def is_derived(name: str) -> bool:
    """Tell whether a file, by its path in the run folder, can be rebuilt from the others.

    Those are the summary, pages of a report in whatever form, and pictures.
    """
    first, _, rest = name.partition("/")
    if rest:
        return first.endswith(FIGURES)
    is_page = first.startswith(REPORT.partition(".")[0]) and first.endswith((".html", ".pdf"))
    return first == SUMMARY or is_page


def escape(raw: bytes) -> str:
    """Write raw bytes as ASCII that needs no quoting in CSV: ``\\xNN`` for what is not plain."""
    return "".join([_ESCAPED[byte] for byte in raw])


def unescape(text: str) -> bytes:
    """Undo `escape`.

    Raises
    ------
    ValueError
        A backslash that begins no escape, or a character beyond ASCII.
    """
    if re.search(r"\\(?!x[0-9a-f]{2})", text):
        raise ValueError(f"not an escaped reply: {text!r}")
    return re.sub(
        rb"\\x([0-9a-f]{2})", lambda found: bytes([int(found[1], 16)]), text.encode("ascii")
    )


def _number(value: float | None, decimals: int | None = None) -> str:
    if value is None or math.isnan(value):
        return ""
    if decimals is not None:
        return f"{value:.{decimals}f}"
    return repr(float(value))


def _utc(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


def _seal(cells: list[str]) -> bytes:
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="").writerow(cells)
    # What a terminal could not decode comes as a lone surrogate; it must not stop a recording.
    body = buffer.getvalue().encode(errors="backslashreplace") + b","
    return body + b"%08x\n" % zlib.crc32(body)


def header(columns: tuple[str, ...]) -> bytes:
    """Return the first line of a file with these columns."""
    return ",".join(columns).encode() + b"\n"


def encode_reading(row: ReadingRow) -> bytes:
    """Turn one reading into its line, newline and CRC-32 included."""
    return _seal(
        [
            _number(row.elapsed_s, 3),
            _utc(row.utc),
            _number(row.window_start_s, 3),
            _number(row.window_end_s, 3),
            row.instrument,
            row.quantity,
            _number(row.value),
            row.unit,
            row.role,
            str(row.installation),
            "" if row.grid_row is None else str(row.grid_row),
            "" if row.grid_column is None else str(row.grid_column),
            _number(row.x_mm, 2),
            _number(row.y_mm, 2),
            _number(row.mounting_height_mm, 1),
            "" if row.sample is None else str(row.sample),
            row.status,
            escape(row.raw),
        ]
    )


def encode_event(row: EventRow) -> bytes:
    """Turn one event into its line, newline and CRC-32 included."""
    texts = [_one_line(text) for text in (row.event, row.subject, row.detail)]
    return _seal([_number(row.elapsed_s, 3), _utc(row.utc), *texts])


def _one_line(text: str) -> str:
    return " / ".join(text.splitlines()).replace("\0", "\\x00")


def split_rows(data: bytes, file: str) -> tuple[bytes, tuple[Damage, ...], int]:
    """Part the whole rows of a file from its damage.

    Parameters
    ----------
    data : bytes
        The whole file, header line first.
    file : str
        Its name, for the list of damage.

    Returns
    -------
    sound : bytes
        Header and all rows whose CRC-32 holds.
    damage : tuple of Damage
        What was left out.
    tail_start : int
        Offset of a torn tail (bytes after the last newline), or ``len(data)``.
    """
    tail_start = data.rfind(b"\n") + 1
    lines = data[:tail_start].split(b"\n")[:-1]
    damage: list[Damage] = []
    sound: list[bytes] = lines[:1]
    for number, line in enumerate(lines[1:], start=2):
        cut = line.rfind(b",") + 1
        if line[cut:] == b"%08x" % zlib.crc32(line[:cut]):
            sound.append(line)
        else:
            damage.append(Damage(file=file, line=number, problem="CRC-32 does not match the row"))
    if len(damage) == len(lines) - 1 and len(lines) > 2:
        damage = [Damage(file=file, line=2, problem="edited by another program: no CRC-32 matches")]
    if tail_start < len(data):
        torn = f"torn row of {len(data) - tail_start} bytes at the end"
        damage.append(Damage(file=file, line=len(lines) + 1, problem=torn))
    return b"\n".join(sound) + (b"\n" if sound else b""), tuple(damage), tail_start


def _table(path: Path, columns: tuple[str, ...]) -> tuple[pd.DataFrame, tuple[Damage, ...]]:
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return _frame(header(columns), columns), (
            Damage(file=path.name, line=1, problem="the file is not there"),
        )
    sound, damage, _ = split_rows(data, path.name)
    first = sound.split(b"\n", 1)[0]
    if first + b"\n" != header(columns):
        if not first:  # cut inside its own header: nothing had been read yet
            return _frame(header(columns), columns), damage
        raise RunFolderError(
            f"{path}: the header is {first.decode(errors='replace')!r}, expected "
            f"{header(columns).decode().strip()!r}. The file was edited or is of another "
            "format; restore the original."
        )
    return _frame(sound, columns), damage


def _frame(sound: bytes, columns: tuple[str, ...]) -> pd.DataFrame:
    kinds = {
        name: "float64" if name in _FLOAT_COLUMNS else "Int64" if name in _INTEGER_COLUMNS else str
        for name in columns[:-1]
    }
    return pd.read_csv(
        io.BytesIO(sound),
        dtype=kinds,
        usecols=list(columns[:-1]),
        keep_default_na=False,
        na_values={name: [""] for name in (*_FLOAT_COLUMNS, *_INTEGER_COLUMNS)},
    )


def load(path: Path) -> Run:
    """Read a run folder; damage is listed, not raised, as long as anything can be read.

    Raises
    ------
    RunFolderError
        Not a run folder, a newer format, or a plan that cannot be read.
    """
    path = Path(path)
    descriptor_path = path / DESCRIPTOR
    if not descriptor_path.is_file():
        raise RunFolderError(
            f"{path}: not a run folder ({DESCRIPTOR} is not there). Give a folder made by "
            "'evenfall run' or 'evenfall enter'."
        )
    try:
        descriptor = json.loads(descriptor_path.read_bytes())
        written = descriptor["evenfall"]["format"]
    except (ValueError, KeyError, TypeError) as error:
        raise RunFolderError(
            f"{descriptor_path}: not a descriptor of a run ({error}). Restore it from a copy."
        ) from None
    if not isinstance(written, int) or written > FORMAT:
        raise RunFolderError(
            f"{descriptor_path}: run-folder format {written!r}, this version reads up to "
            f"{FORMAT}. Use a newer Evenfall."
        )
    readings, readings_damage = _table(path / READINGS, READING_COLUMNS)
    events, events_damage = _table(path / EVENTS, EVENT_COLUMNS)
    damage = readings_damage + events_damage
    has_rig = (path / RIG).is_file()
    if not has_rig:  # the budget then rests on defaults, which must not pass for the bench
        damage += (Damage(file=RIG, line=1, problem="the file is not there"),)
    return Run(
        path=path,
        descriptor=descriptor,
        plan=_toml(path / PLAN),
        rig=_toml(path / RIG) if has_rig else {},
        readings=readings,
        events=events,
        damage=damage,
    )


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        raise RunFolderError(f"{path}: cannot be read ({why}). Restore it from a copy.") from None
