"""What a report says about conditions, instruments and files."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from attrs import frozen

from analysis.calibration_dates import is_overdue
from analysis.digits import FLUX_UNIT, MISSING, significant
from analysis.quantities import GLOSSARY
from analysis.report import sentences
from analysis.report.tables import Entry, Row
from analysis.results import RunSummary
from analysis.run_folder import DESCRIPTOR, is_derived


def _said(value: Any, unit: str = "") -> str:
    if value is None or value == "":
        return MISSING
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:g}{' ' + unit if unit else ''}"
    return str(value)


def _with(value: Any, *more: str) -> str:
    extra = ", ".join(part for part in more if part)
    said = _said(value)
    return f"{said} ({extra})" if extra else said


def _area(area: Mapping[str, Any]) -> str:
    if area.get("shape") == "round":
        return f"round, {_said(area.get('diameter_mm'), 'mm')} across"
    return f"{_said(area.get('width_mm'))} × {_said(area.get('depth_mm'), 'mm')}"


def conditions(runs: Sequence[RunSummary]) -> list[Row]:
    """State what was tested, with what and in what surroundings; one column for each run."""
    lines: list[tuple[str, Callable[[RunSummary, Mapping[str, Any]], str]]] = [
        ("test", lambda run, _: _said(run.name)),
        ("run folder", lambda run, _: run.run_name),
        ("begun (UTC)", lambda run, _: _said(_utc(run.begun_utc))),
        ("operator", lambda _, plan: _said(_get(plan, "test", "operator"))),
        (
            "device under test",
            lambda run, _: _with(
                sentences.device(run), run.device_kind, run.specimen and f"specimen {run.specimen}"
            ),
        ),
        ("lamp axis", lambda _, plan: _said(_get(plan, "device", "lamp_axis"))),
        (
            "lamp",
            lambda run, plan: _with(_get(plan, "lamp", "kind"), run.lamp and f"sample {run.lamp}"),
        ),
        ("lamp rated power", lambda _, plan: _said(_get(plan, "lamp", "rated_power_w"), "W")),
        (
            "lamp rated flux",
            lambda _, plan: _said(_get(plan, "lamp", "rated_flux_umol_s"), FLUX_UNIT),
        ),
        ("burning position", lambda _, plan: _said(_get(plan, "lamp", "burning_position"))),
        ("lamp hours", lambda _, plan: _said(_get(plan, "lamp", "hours"), "h")),
        (
            "ballast",
            lambda run, plan: _with(
                _get(plan, "ballast", "kind"), run.ballast and f"sample {run.ballast}"
            ),
        ),
        ("ballast setting", lambda _, plan: _said(_get(plan, "ballast", "setting"))),
        (
            "nominal line voltage",
            lambda _, plan: _said(_get(plan, "ballast", "nominal_voltage_v"), "V"),
        ),
        ("area", lambda _, plan: _area(plan.get("area", {}))),
        (
            "walls",
            lambda _, plan: _with(
                _get(plan, "area", "walls"),
                str(_get(plan, "area", "walls_identity") or ""),
                _since(_get(plan, "area", "walls_state_date")),
            ),
        ),
        ("floor", lambda _, plan: _said(_get(plan, "area", "floor"))),
        ("above the walls", lambda _, plan: _said(_get(plan, "area", "above"))),
        (
            "height changed by moving",
            lambda _, plan: _said(_get(plan, "heights", "axis")),
        ),
        (
            "samples at each point",
            lambda _, plan: _said(_get(plan, "sampling", "samples_per_point")),
        ),
        (
            "settling before a reading",
            lambda _, plan: _said(_get(plan, "sampling", "settle_s"), "s"),
        ),
        ("dark reading", lambda run, _: sentences.dark_sentence(run)),
        ("notes", lambda _, plan: _said(_get(plan, "test", "notes"))),
    ]
    rows = [Row(name, "", tuple(Entry(get(run, run.plan)) for run in runs)) for name, get in lines]
    rows += [
        _recorded(quantity, runs)
        for quantity in GLOSSARY
        if any(quantity in run.conditions for run in runs)
    ]
    return [
        row
        for row in rows
        if row.name != "notes" or not all(entry.is_missing for entry in row.entries)
    ]


def _recorded(quantity: str, runs: Sequence[RunSummary]) -> Row:
    known = GLOSSARY[quantity]
    unit = "" if known.unit == "1" else f" {known.unit}"
    entries = []
    for run in runs:
        found = run.conditions.get(quantity)
        if found is None:
            entries.append(Entry(MISSING))
            continue
        span = f"{significant(found.minimum, 4)} to {significant(found.maximum, 4)}"
        text = f"mean {significant(found.mean, 4)}{unit} ({span})"
        entries.append(Entry(text, repr(float(found.mean))))
    return Row(f"{known.title} while read", "", tuple(entries))


def _get(plan: Mapping[str, Any], table: str, key: str) -> Any:
    found = plan.get(table)
    return found.get(key) if isinstance(found, Mapping) else None


def _since(value: Any) -> str:
    return f"as of {value}" if value else ""


def _utc(text: str) -> str:
    return text[:16].replace("T", " ")


@frozen
class Instrument:
    """One line of the list of instruments."""

    run: str
    name: str
    kind: str
    serial_number: str
    calibrated_on: str
    calibration_due: str


def instruments(runs: Sequence[RunSummary]) -> list[Instrument]:
    """List the instruments of all runs; what served in every run stands once."""
    found: dict[tuple[str, ...], list[str]] = {}
    for run in runs:
        for item in run.instruments:
            due = str(item.get("calibration_due") or "")
            key = (
                str(item.get("name") or "").replace("_", " "),
                str(item.get("kind") or MISSING),
                str(item.get("serial_number") or MISSING),
                str(item.get("calibrated_on") or MISSING),
                (due or MISSING) + (", passed" if is_overdue(due, run.begun_utc) else ""),
            )
            found.setdefault(key, []).append(run.run_name)
    return [
        Instrument("all" if len(names) == len(runs) else ", ".join(names), *key)
        for key, names in found.items()
    ]


AS_CLOSED: Final = "as closed"
CHANGED: Final = "CHANGED since closing"
GONE: Final = "GONE since closing"


@frozen
class FileLine:
    """One line of the list of files; `state` is empty where no hash was recorded."""

    run: str
    name: str
    size_bytes: int
    sha256: str
    state: str


def files(runs: Sequence[RunSummary]) -> list[FileLine]:
    """List what each folder holds, derived files left out, with size and SHA-256.

    A file whose hash differs from the one written when the run was closed is named as changed,
    one that is not there any more as gone.
    """
    lines = []
    for run in runs:
        listed = [one for one in run.descriptor.get("resources", []) if isinstance(one, Mapping)]
        closed = {str(one.get("path")): str(one.get("hash", "")) for one in listed}
        for path in sorted(run.path.rglob("*")):
            name = path.relative_to(run.path).as_posix()
            if not path.is_file() or (name not in closed and _is_derived(name)):
                continue
            data = path.read_bytes()
            found = hashlib.sha256(data).hexdigest()
            known = closed.pop(name, "")
            state = "holds the hashes" if name == DESCRIPTOR else ""
            if known:
                state = AS_CLOSED if known == f"sha256:{found}" else CHANGED
            lines.append(FileLine(run.path.name, name, len(data), found, state))
        sizes = {str(one.get("path")): one.get("bytes") for one in listed}
        lines += [
            FileLine(run.path.name, name, int(sizes[name] or 0), known.partition(":")[2], GONE)
            for name, known in closed.items()
            if known
        ]
    return lines


def _is_derived(name: str) -> bool:
    # A page or picture that somebody had put here by name is no reading either.
    is_beside = "/" not in name and name.endswith((".png", ".svg", ".html", ".pdf"))
    return is_derived(name) or is_beside
