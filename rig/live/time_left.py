"""How long a run will still take, from its plan, its profile and what it has done so far."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from attrs import define, frozen

from analysis import run_folder
from analysis.grid import GridError
from rig.estimate import Step, estimate
from rig.plan import read_plan
from rig.profile import read_profile
from rig.toml_faults import ConfigError

#: Before so many points the pace of a map is not known.
PACE_AFTER = 3


@frozen
class Left:
    """Time left.

    Attributes
    ----------
    seconds : float
        [s]
    at_least : bool
        A lamp that is slow to settle makes it longer.
    of_map_only : bool
        The rest of the run is not known, only of the map under way.
    """

    seconds: float
    at_least: bool
    of_map_only: bool = False


@define
class Course:
    """Where in its planned course a run is.

    Attributes
    ----------
    steps : sequence of Step
        As planned; empty where plan and profile do not tell.
    maps_ended : int
    warm_up_begun_s, map_begun_s : float or None
        Since when one is under way. [s]
    read_then, read, expected : int
        Points of the map under way: at its beginning, now, in all.
    """

    steps: Sequence[Step]
    maps_ended: int = 0
    warm_up_begun_s: float | None = None
    map_begun_s: float | None = None
    read_then: int = 0
    read: int = 0
    expected: int = 0

    def left(self, now_s: float) -> Left | None:
        """Return how long it still takes, at an elapsed time; None where nothing tells. [s]"""
        maps = [at for at, step in enumerate(self.steps) if step.what.startswith("map of")]
        if self.map_begun_s is not None:
            pace_s = self._map_left(now_s)
            if self.maps_ended >= len(maps):
                return None if pace_s is None else Left(pace_s, at_least=False, of_map_only=True)
            at = maps[self.maps_ended]
            if pace_s is None:
                pace_s = max(0.0, self.steps[at].duration_s - (now_s - self.map_begun_s))
            return self._with(pace_s, at + 1)
        if not self.steps or self.maps_ended > len(maps):
            return None
        at = maps[self.maps_ended - 1] + 1 if self.maps_ended else 0
        if self.warm_up_begun_s is not None:
            waits = [one for one in range(at, len(self.steps)) if self.steps[one].at_least]
            if not waits:
                return None
            warm_s = self.steps[waits[0]].duration_s - (now_s - self.warm_up_begun_s)
            rest = self._with(max(0.0, warm_s), waits[0] + 1)
            return Left(rest.seconds, at_least=True)
        return self._with(0.0, at)

    def _map_left(self, now_s: float) -> float | None:
        done = self.read - self.read_then
        if self.map_begun_s is None or done < PACE_AFTER:
            return None
        return (now_s - self.map_begun_s) / done * (self.expected - self.read)

    def _with(self, seconds: float, rest: int) -> Left:
        later = self.steps[rest:]
        return Left(
            seconds + sum(step.duration_s for step in later),
            at_least=any(step.at_least for step in later),
        )


def course_of(folder: Path) -> Course:
    """Return the planned course of a run folder; without steps where it cannot be told."""
    try:
        plan = read_plan(folder / run_folder.PLAN)
        steps = estimate(plan, read_profile(folder / run_folder.RIG)).steps
    except (ConfigError, GridError, OSError, AttributeError, ValueError):
        return Course(())
    return Course(steps)
