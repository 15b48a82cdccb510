"""A lab folder whose control reflector was measured now and then, with a known change."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from analysis import lab_folder, run_folder
from tests import synthetic_run

FIRST = datetime.fromisoformat("2026-01-05T09:00:00+00:00")
INSTRUMENTS = [
    {"name": "light_sensor", "kind": "sdi12-quantum-sensor", "serial_number": "Q-1"},
    {"name": "power_meter", "kind": "modbus-power-meter", "serial_number": "M-1"},
]


def new_lab(path: Path) -> Path:
    """Make an empty lab folder."""
    lab_folder.create(path, name="Lab")
    return path


def add_run(
    lab: Path,
    day: float,
    light: float,
    monkeypatch: Any,
    *,
    power_w: float = 600.0,
    line_voltage_v: float = 230.0,
    calibrated_on: str | None = None,
    **plan: Any,
) -> Path:
    """Add a run of 3 × 3 points, so many days after the first, under so many times 500 µmol/m²/s.

    It is of the control unless the plan says otherwise.
    """
    begun = FIRST + timedelta(days=day)
    device = {"name": "Yardstick", "specimen": "Y-1", "is_control": True, **plan.pop("device", {})}
    given = {
        "grid": {"rows": 3, "columns": 3},
        "sampling": {"samples_per_point": 1, "reference_every": 3, "quick_look": False},
        **plan,
    }
    folder = lab / lab_folder.RUNS / f"{begun:%Y-%m-%dT%H%MZ}-{device['name'].lower()}"
    monkeypatch.setattr(synthetic_run, "BEGUN_UTC", begun)
    synthetic_run.write_run(
        folder,
        plan=synthetic_run.plan(device=device, **given),
        field=lambda x_mm, y_mm, height_mm: 500.0 * light + 0.0 * x_mm,
        power_w=lambda t_s: power_w,
        line_voltage_v=lambda t_s: line_voltage_v,
        warm_up_s=0.0,
        other_electrical=True,
    )
    descriptor = json.loads((folder / run_folder.DESCRIPTOR).read_text())
    descriptor["created"] = begun.isoformat()
    descriptor["evenfall"]["instruments"] = [
        {**instrument, "calibrated_on": calibrated_on} for instrument in INSTRUMENTS
    ]
    (folder / run_folder.DESCRIPTOR).write_text(json.dumps(descriptor))
    return folder
