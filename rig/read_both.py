"""Read a plan and the profile it is to be run on; what is wrong with either is said at once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from rig.plan import Plan, read_plan
from rig.profile import Profile, cross_check, read_profile
from rig.toml_faults import ConfigError

Content = TypeVar("Content")


def read_both(plan_path: Path, rig_path: Path) -> tuple[Plan, Profile]:
    """Read plan and profile and see that the one can be run on the other.

    Raises
    ------
    ConfigError
        With everything that is wrong: of both files, or, where each is sound in itself, between
        them.
    """
    faults: list[ConfigError] = []
    plan = _read(read_plan, plan_path, faults)
    profile = _read(read_profile, rig_path, faults)
    if plan is None or profile is None:
        raise _together(faults)
    if problems := cross_check(plan, profile):
        raise ConfigError(str(plan_path), problems)
    return plan, profile


def _read(read: Callable[[Path], Content], path: Path, faults: list[ConfigError]) -> Content | None:
    try:
        return read(path)
    except ConfigError as error:
        faults.append(error)
        return None


def _together(faults: list[ConfigError]) -> ConfigError:
    if len(faults) == 1:
        return faults[0]
    return ConfigError(
        " and ".join(fault.file for fault in faults),
        [f"{Path(fault.file).name}: {problem}" for fault in faults for problem in fault.problems],
    )
