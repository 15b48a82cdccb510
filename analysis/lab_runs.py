"""The runs of a lab in the order of time, by plan and descriptor alone; no reading is touched."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from attrs import frozen

from analysis import lab_folder, run_folder


@frozen(kw_only=True)
class LabRun:
    """One run of a lab.

    Attributes
    ----------
    folder : Path
    begun_utc : datetime
        When it began; of readings entered by hand, the day of the measurement.
    plan : dict
        As `tomllib` gives it.
    """

    folder: Path
    begun_utc: datetime
    plan: dict[str, Any]

    def said(self, section: str, key: str) -> Any:
        """Return what the plan has there; None where it has nothing."""
        table = self.plan.get(section)
        return table.get(key) if isinstance(table, Mapping) else None


def lab_runs(lab: Path) -> tuple[tuple[LabRun, ...], tuple[str, ...]]:
    """List the runs of a lab folder.

    Returns
    -------
    runs : tuple of LabRun
        The earliest first.
    problems : tuple of str
        A sentence for each folder that cannot be read.

    Raises
    ------
    LabFolderError
        Not a lab folder that is sound.
    """
    lab_folder.check(lab)
    found, problems = [], []
    for folder in sorted(path for path in (Path(lab) / lab_folder.RUNS).iterdir() if path.is_dir()):
        try:
            plan = tomllib.loads((folder / run_folder.PLAN).read_text(encoding="utf-8"))
            descriptor = json.loads((folder / run_folder.DESCRIPTOR).read_bytes())
            found.append(LabRun(folder=folder, begun_utc=_begun(plan, descriptor), plan=plan))
        except FileNotFoundError as error:
            problems.append(f"{folder.name} is left out: {Path(error.filename).name} is not there.")
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            problems.append(f"{folder.name} is left out, it cannot be read: {error}.")
    return tuple(sorted(found, key=lambda run: (run.begun_utc, run.folder.name))), tuple(problems)


def _begun(plan: Mapping[str, Any], descriptor: Mapping[str, Any]) -> datetime:
    measured_on = plan.get("entered", {}).get("measured_on")
    if isinstance(measured_on, date):
        return datetime(measured_on.year, measured_on.month, measured_on.day, tzinfo=UTC)
    begun = datetime.fromisoformat(descriptor["created"])
    return begun if begun.tzinfo is not None else begun.replace(tzinfo=UTC)
