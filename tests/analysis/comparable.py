"""Run summaries for tests of the comparison: alike in everything but what a test changes."""

from __future__ import annotations

import copy
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from attrs import evolve

from analysis.results import Condition, MapSummary, RunSummary
from analysis.run_folder import load
from analysis.summary import summarise
from tests.synthetic_run import lambertian, plan, write_run

INSTRUMENTS = (
    {"name": "light_sensor", "kind": "sdi12-quantum-sensor", "serial_number": "Q-1"},
    {"name": "power_meter", "kind": "modbus-power-meter", "serial_number": "M-1"},
)


@cache
def _measured() -> RunSummary:
    """One run from a folder: 5 x 5 points, 0.5 % noise, drift and repeatability in it."""
    with TemporaryDirectory() as folder:
        the_plan = plan(
            grid={"rows": 5, "columns": 5},
            sampling={"samples_per_point": 1, "reference_every": 5, "quick_look": False},
        )
        path = write_run(
            Path(folder) / "run",
            plan=the_plan,
            field=lambertian,
            noise=0.005,
            warm_up_s=0.0,
            other_electrical=False,
        )
        return summarise(load(path))


def run(
    device: str = "Reflector A",
    efficacies: dict[float, float | tuple[float, ...]] | None = None,
    **plan_changes: Any,
) -> RunSummary:
    """Return a summary with the given plane efficacies.

    Parameters
    ----------
    efficacies : dict
        Mounting height [mm] → plane efficacy [µmol/J], or one for each installation.
    plan_changes : mapping
        Table of the plan → keys to replace.
    """
    base = _measured()
    changed = copy.deepcopy(base.plan)
    for table, values in plan_changes.items():
        changed[table].update(values)
    maps = [
        map_with(height_mm, value, installation=number)
        for height_mm, values in (efficacies or {400.0: 1.20}).items()
        for number, value in enumerate(values if isinstance(values, tuple) else (values,), 1)
    ]
    return evolve(
        base,
        run_name=device.lower().replace(" ", "-"),
        device=device,
        specimen=f"{device[-1]}-1",
        plan=changed,
        instruments=INSTRUMENTS,
        conditions={"line_voltage_v": Condition(mean=230.0, minimum=229.0, maximum=231.0)},
        maps=tuple(maps),
    )


def map_with(height_mm: float | None, efficacy: float | None, **changes: Any) -> MapSummary:
    """One map with this plane efficacy; its readings repeat to 0.5 % and nothing drifts."""
    given = {
        "mounting_height_mm": height_mm,
        "plane_efficacy_umol_j": efficacy,
        "plane_efficacy_from_means": efficacy,
        "efficacy_disagreement": 0.0,
        "reference_repeatability": 0.005,
        "ppfd": np.full(25, 500.0),
        **changes,
    }
    return evolve(_measured().maps[0], **given)
