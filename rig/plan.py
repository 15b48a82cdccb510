"""The test plan: what is to be measured, read from ``plan.toml`` and checked as a whole.

Grid and stabilisation rule are built by the analysis from the same file, so their own checks
are called from here and their faults stand in the same list.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import attrs
from attrs import frozen

from rig import correction_checks, plan_checks
from rig.correction_keys import Corrections
from rig.plan_doing import Dark, Limits, Sampling, Trouble, WarmUp
from rig.plan_sections import AboutTest, Area, Ballast, Device, Entered, GridPlan, Heights, Lamp
from rig.plan_series import Series
from rig.plan_value import Value
from rig.toml_faults import Fault
from rig.toml_keys import file_format
from rig.toml_structure import read_sections

FORMAT: Final = 1


@frozen(kw_only=True)
class Plan:
    """A test plan that has passed every check.

    Attributes
    ----------
    path : Path
        The file; curves named in it are counted from its folder.
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
    trouble: Trouble = attrs.field(factory=Trouble)
    limits: Limits = attrs.field(factory=Limits)
    corrections: Corrections = attrs.field(factory=Corrections)
    value: Value | None = None
    series: Series | None = None
    entered: Entered | None = attrs.field(
        default=None, metadata={"allowed": "leave [entered] out; 'evenfall enter' writes it"}
    )
    path: Path = attrs.field(default=Path(), metadata={"internal": True})
    text: bytes = attrs.field(default=b"", repr=False, metadata={"internal": True})
    raw: dict[str, Any] = attrs.field(factory=dict, repr=False, metadata={"internal": True})


def read_plan(path: Path) -> Plan:
    """Read and check a test plan.

    Raises
    ------
    ConfigError
        With everything that is wrong with it.
    """
    path = Path(path)

    def check(sections: Mapping[str, Any], raw: Mapping[str, Any]) -> Iterator[Fault]:
        yield from plan_checks.faults(sections, raw)
        yield from correction_checks.plan_faults(sections, path.parent)

    data, raw, sections = read_sections(path, Plan, check)
    return Plan(**sections, path=path, text=data, raw=raw)
