"""Run summaries for tests of the comparison: alike in everything but what a test changes."""

from __future__ import annotations

import copy
import math
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from attrs import evolve

from analysis.causes import Budget, Cause, Influence
from analysis.results import Condition, MapSummary, RunSummary
from analysis.run_folder import load
from analysis.summary import summarise
from tests.synthetic_run import lambertian, plan, write_run

INSTRUMENTS = (
    {"name": "light_sensor", "kind": "sdi12-quantum-sensor", "serial_number": "Q-1"},
    {"name": "power_meter", "kind": "modbus-power-meter", "serial_number": "M-1"},
)
CALIBRATION, GAIN = 0.05, 0.01
"""Relative standard uncertainty of one sensor's calibration and of one meter's gain."""


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
    return with_budgets(
        base,
        run_name=device.lower().replace(" ", "-"),
        device=device,
        specimen=f"{device[-1]}-1",
        plan=changed,
        instruments=INSTRUMENTS,
        conditions={"line_voltage_v": Condition(mean=230.0, minimum=229.0, maximum=231.0)},
        maps=tuple(maps),
    )


def with_budgets(base: RunSummary, **changes: Any) -> RunSummary:
    """Change a summary, and give each map the budget that is worked out in `test_comparison`."""
    changed = evolve(base, **changes)
    maps = [evolve(map_, budget=_budget(changed, map_)) for map_ in changed.maps]
    return evolve(changed, maps=tuple(maps))


def _budget(run: RunSummary, map_: MapSummary) -> Budget:
    serial = {item["name"]: item["serial_number"] for item in run.instruments}
    here = f"{run.run_name}, {map_.label}"
    # What lies between the points, and the angles of the light, are of the device and its height.
    there = f"{run.device}, {map_.mounting_height_mm}"
    size = len(map_.grid)

    def influence(name: str, key: str, *, light: float = 0.0, **sizes: Any) -> Influence:
        cause = Cause(key=key, name=name, kind="B", distribution="normal", source="by hand")
        return Influence(cause=cause, light=np.full(size, light), **sizes)

    left = (map_.efficacy_disagreement or 0.0) / math.sqrt(3)
    return Budget(
        influences=(
            influence("calibration", serial["light_sensor"], light=CALIBRATION),
            influence("gain of the wattmeter", serial["power_meter"], power=GAIN),
            influence("repeatability", f"repeatability {here}", light=0.005, is_per_cell=True),
            influence("drift", f"drift {here}", efficacy=left),
            influence("sum over points", f"sum {there}", total=0.005 / math.sqrt(2)),
            influence("cosine error", f"cosine {there}", light=0.007 / math.sqrt(2)),
        ),
        ppfd=map_.ppfd,
        weights_m2=map_.grid.weights_m2,
        plane_efficacy_umol_j=map_.stated_efficacy_umol_j,
        continuous_variation=None,
        variation_left=0.0,
        reinstallation=0.010,
        reinstallation_source="by hand",
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
