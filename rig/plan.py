"""The test plan: what is to be measured, read from ``plan.toml`` and checked as a whole.

Grid and stabilisation rule are built by the analysis from the same file, so their own checks
are called from here and their faults stand in the same list.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import attrs
from attrs import frozen

from rig import plan_checks
from rig.plan_doing import Dark, Limits, Sampling, WarmUp
from rig.plan_sections import AboutTest, Area, Ballast, Device, Entered, GridPlan, Heights, Lamp
from rig.plan_value import Value
from rig.toml_keys import file_format
from rig.toml_structure import read_sections

FORMAT: Final = 1


@frozen(kw_only=True)
class Plan:
    """A test plan that has passed every check.

    Attributes
    ----------
    text : bytes
        The file as it was read.
    raw : dict
        Its content as `tomllib` gives it; what the analysis reads.
    """

    format: int = file_format(FORMAT)
    test: AboutTest
    device: Device
    lamp: Lamp
    ballast: Ballast = attrs.field(factory=Ballast)
    area: Area
    grid: GridPlan = attrs.field(factory=GridPlan)
    heights: Heights
    dark: Dark = attrs.field(factory=Dark)
    warm_up: WarmUp = attrs.field(factory=WarmUp)
    sampling: Sampling = attrs.field(factory=Sampling)
    limits: Limits = attrs.field(factory=Limits)
    value: Value | None = None
    entered: Entered | None = attrs.field(
        default=None, metadata={"allowed": "leave [entered] out; 'evenfall enter' writes it"}
    )
    text: bytes = attrs.field(default=b"", repr=False, metadata={"internal": True})
    raw: dict[str, Any] = attrs.field(factory=dict, repr=False, metadata={"internal": True})


def read_plan(path: Path) -> Plan:
    """Read and check a test plan.

    Raises
    ------
    ConfigError
        With everything that is wrong with it.
    """
    data, raw, sections = read_sections(path, Plan, plan_checks.faults)
    return Plan(**sections, text=data, raw=raw)
