"""The control reflector of a lab over its runs: which results belong on one chart.

Runs whose plan says ``is_control = true`` are taken from the lab folder. A chart holds results of
one control at one mounting height that are alike in every fact of `analysis.likeness` but the age
of the lamp, which is what the chart is to show. Where another lamp, cleaned walls or another
sensor come in, a new chart begins, and it is said why. A run on a line voltage or at an ambient
temperature far from the middle of its chart is left off it, by name.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from statistics import median
from typing import Final

from attrs import define, field, frozen

from analysis import run_folder
from analysis.control_chart import ControlChart, control_chart
from analysis.digits import fixed, percent
from analysis.lab_runs import lab_runs
from analysis.likeness import AMBIENT_APART_K, LINE_VOLTAGE_APART, Mismatch, mismatches
from analysis.plane_results import SAME_HEIGHT_MM, usable_maps
from analysis.results import MapSummary, RunSummary
from analysis.run_folder import RunFolderError
from analysis.summary import summarise

SECONDS_PER_DAY: Final = 86400.0
_AGEING: Final = ("lamp hours",)
_MEASURED: Final = ("line voltage", "ambient temperature")


@frozen(kw_only=True)
class ControlResult:
    """One map of the control.

    Attributes
    ----------
    run : RunSummary
    map_ : MapSummary
    begun_utc : datetime
        When its run began.
    """

    run: RunSummary
    map_: MapSummary
    begun_utc: datetime

    @property
    def efficacy_umol_j(self) -> float:
        """Plane efficacy. [µmol J⁻¹]"""
        return float(self.map_.stated_efficacy_umol_j or 0.0)

    @property
    def mean_ppfd_umol_m2_s(self) -> float:
        """Mean PPFD. [µmol m⁻² s⁻¹]"""
        return float(self.map_.mean_ppfd_umol_m2_s or 0.0)


@frozen(kw_only=True)
class HeightChart:
    """Results of one control, all alike, at one mounting height.

    Attributes
    ----------
    control : str
        Device, and specimen where it is stated.
    mounting_height_mm : float
        [mm]
    results : tuple of ControlResult
        The earliest first.
    efficacy, mean : ControlChart
        Of plane efficacy and of mean PPFD.
    """

    control: str
    mounting_height_mm: float
    results: tuple[ControlResult, ...]
    efficacy: ControlChart
    mean: ControlChart


@frozen(kw_only=True)
class Epoch:
    """A time in which nothing of the bench was changed.

    Attributes
    ----------
    control : str
    runs : tuple of RunSummary
        The earliest first.
    charts : tuple of HeightChart
        One for each mounting height, lowest first.
    changes : tuple of Mismatch
        What was changed since the epoch before; empty for the first.
    silent : tuple of str
        Names of facts that these runs do not state, so that a change of them would not show.
    left_out : tuple of str
        Runs and maps of this time that are on no chart, and why.
    """

    control: str
    runs: tuple[RunSummary, ...]
    charts: tuple[HeightChart, ...]
    changes: tuple[Mismatch, ...]
    silent: tuple[str, ...]
    left_out: tuple[str, ...]


@frozen(kw_only=True)
class ControlHistory:
    """All that a lab knows of its controls.

    Attributes
    ----------
    epochs : tuple of Epoch
        In the order in which they began.
    problems : tuple of str
        Runs that could not be read.
    """

    epochs: tuple[Epoch, ...]
    problems: tuple[str, ...]


@define
class _Group:
    control: str
    held: list[tuple[datetime, RunSummary]] = field(factory=list)
    changes: tuple[Mismatch, ...] = ()


def control_history(lab: Path) -> ControlHistory:
    """Gather what a lab's runs of its control reflectors say.

    Raises
    ------
    LabFolderError
        Not a lab folder that is sound.
    """
    runs, found = lab_runs(lab)
    problems = list(found)
    groups: list[_Group] = []
    for one in runs:
        if one.said("device", "is_control") is not True:
            continue
        try:
            summary = summarise(run_folder.load(one.folder))
        except RunFolderError as error:
            problems.append(f"{one.folder.name} is left out: {error}")
            continue
        _group_of(summary, groups).held.append((one.begun_utc, summary))
    return ControlHistory(epochs=tuple(map(_epoch, groups)), problems=tuple(problems))


def unlike(a: RunSummary, b: RunSummary, names: tuple[str, str]) -> tuple[Mismatch, ...]:
    """List what was changed on the bench from one run to another; age and mains do not count."""
    return tuple(
        one
        for one in mismatches(a, b, names)
        if one.name not in (*_AGEING, *_MEASURED) and one.values[0] != one.values[1]
    )


def _group_of(run: RunSummary, groups: list[_Group]) -> _Group:
    control = f"{run.device} ({run.specimen})" if run.specimen else run.device
    latest: _Group | None = None
    for group in groups:
        if group.control == control:
            if not unlike(group.held[0][1], run, ("", "")):
                return group
            latest = group
    fresh = _Group(control)
    if latest is not None:
        before = latest.held[-1][1]
        fresh.changes = unlike(before, run, (f"{before.run_name}", f"{run.run_name}"))
    groups.append(fresh)
    return fresh


def _epoch(group: _Group) -> Epoch:
    left_out: list[str] = []
    alike = _on_like_mains(group.held, left_out)
    results: list[ControlResult] = []
    for begun_utc, run in alike:
        heights, unusable = usable_maps(run, run.run_name)
        left_out += unusable
        results += [
            ControlResult(run=run, map_=map_, begun_utc=begun_utc)
            for hangings in heights
            for map_ in hangings
        ]
    newest = group.held[-1][1]
    return Epoch(
        control=group.control,
        runs=tuple(run for _, run in alike),
        charts=_charts(group.control, results),
        changes=group.changes,
        silent=tuple(one.name for one in mismatches(newest, newest, ("", ""))),
        left_out=tuple(left_out),
    )


def _charts(control: str, results: Sequence[ControlResult]) -> tuple[HeightChart, ...]:
    heights: list[list[ControlResult]] = []
    for one in sorted(results, key=lambda one: one.map_.mounting_height_mm or 0.0):
        height = one.map_.mounting_height_mm or 0.0
        if heights and abs((heights[-1][0].map_.mounting_height_mm or 0.0) - height) <= (
            SAME_HEIGHT_MM
        ):
            heights[-1].append(one)
        else:
            heights.append([one])
    return tuple(_chart(control, group) for group in heights)


def _chart(control: str, group: Sequence[ControlResult]) -> HeightChart:
    ordered = tuple(sorted(group, key=lambda one: (one.begun_utc, one.map_.begun_s or 0.0)))
    days = [
        (one.begun_utc.timestamp() + (one.map_.begun_s or 0.0)) / SECONDS_PER_DAY for one in ordered
    ]
    return HeightChart(
        control=control,
        mounting_height_mm=float(ordered[0].map_.mounting_height_mm or 0.0),
        results=ordered,
        efficacy=control_chart(days, [one.efficacy_umol_j for one in ordered]),
        mean=control_chart(days, [one.mean_ppfd_umol_m2_s for one in ordered]),
    )


def _on_like_mains(
    held: Sequence[tuple[datetime, RunSummary]], left_out: list[str]
) -> list[tuple[datetime, RunSummary]]:
    """Leave off runs whose line voltage or ambient is far from the middle of all of them."""
    kept = list(held)
    for quantity, what, unit, allowed in (
        ("line_voltage_v", "line voltage", "V", lambda middle: LINE_VOLTAGE_APART * middle),
        ("temperature_c", "temperature", "°C", lambda _middle: AMBIENT_APART_K),
    ):
        means = {
            run.run_name: condition.mean
            for _, run in held
            if (condition := run.conditions.get(quantity)) is not None
        }
        if not means:
            continue
        middle = median(means.values())
        for name, mean in means.items():
            if abs(mean - middle) > allowed(middle):
                kept = [(utc, run) for utc, run in kept if run.run_name != name]
                apart = (
                    percent(abs(mean / middle - 1))
                    if unit == "V"
                    else f"{fixed(abs(mean - middle), 1)} K"
                )
                left_out.append(
                    f"{name}: its mean {what} was {fixed(mean, 1)} {unit}, {apart} from the "
                    f"{fixed(middle, 1)} {unit} of most others."
                )
    return kept
