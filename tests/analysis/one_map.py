"""One measured map, and budgets of it under whatever a test states of instruments and bench."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from attrs import evolve

from analysis.causes import Budget, Cause, Influence
from analysis.declared import declared_of
from analysis.identity import Identity
from analysis.map_budget import budget_of
from analysis.results import Dark, MapSummary
from analysis.run_folder import load
from analysis.summary import summarise
from tests.synthetic_run import lambertian, plan, write_run

DARK = Dark(status="measured", mean=0.5, sd=0.2, points=4, reason="")
IDENTITY = Identity(
    run="run 1",
    light_sensor="Q-1",
    power_meter="M-1",
    lamp="L-1",
    ballast="B-1",
    rig="bench 1",
    device="Reflector A A-1",
    is_opening_known=False,
)


@cache
def measured() -> MapSummary:
    """3 × 3 points at 400 mm, 200, 600 and 1000 mm from the corner, 4 visits of a reference."""
    with TemporaryDirectory() as folder:
        the_plan = plan(
            grid={"rows": 3, "columns": 3},
            sampling={"samples_per_point": 1, "reference_every": 3, "quick_look": False},
        )
        path = write_run(
            Path(folder) / "run", plan=the_plan, field=lambertian, noise=0.003, warm_up_s=0.0
        )
        return summarise(load(path)).maps[0]


def budget(
    map_: MapSummary | None = None,
    profile: Mapping[str, Any] | None = None,
    dark: Dark = DARK,
    **identity: Any,
) -> Budget:
    """Budget of a map read with a stage; keywords change its identity."""
    found = budget_of(
        map_ or measured(),
        dark,
        evolve(IDENTITY, **identity),
        declared_of({"stage": {}, **(profile or {})}, {}),
    )
    assert found is not None
    return found


def influences(of: Budget, name: str) -> list[Influence]:
    """Those of one name, in their order."""
    return [one for one in of.influences if one.cause.name == name]


def by_key(of: Budget) -> dict[str, Cause]:
    return {one.cause.key: one.cause for one in of.influences}
