"""What a summary holds: plain frozen records that figures, report and comparison read.

Nothing is computed here. `None` means "not stated"; why stands among the remarks.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from attrs import evolve, field, fields, frozen
from numpy.typing import NDArray

from analysis.causes import Budget
from analysis.corrections import Applied
from analysis.drift import Drift
from analysis.grid import Grid
from analysis.hot_spots import Spot
from analysis.stabilisation import Rule, TimeToStable
from analysis.uncertainty import MapUncertainty
from analysis.uniformity import Uniformity
from analysis.wall_power import WallPower

Floats = NDArray[np.floating[Any]]
Series = tuple[Floats, Floats]
"""Moments [elapsed s] and values."""


@frozen(kw_only=True)
class Dark:
    """The dark reading.

    Attributes
    ----------
    status : str
        ``"measured"`` (one mean for all points), ``"per point"`` (each point has its own),
        ``"skipped"`` (see `reason`) or ``"missing"``.
    mean : float or None
        Mean of the dark points. [µmol m⁻² s⁻¹]
    sd : float or None
        Standard deviation from point to point; None for fewer than two. [µmol m⁻² s⁻¹]
    points : int
        Number of points read.
    reason : str
        Why it was skipped, as the operator gave it.
    """

    status: str
    mean: float | None
    sd: float | None
    points: int
    reason: str


@frozen(kw_only=True)
class Condition:
    """What a quantity was while the maps were read: mean and extremes, in its own unit."""

    mean: float
    minimum: float
    maximum: float


@frozen(kw_only=True)
class WarmUp:
    """How the lamp came to be stable.

    Attributes
    ----------
    rule : Rule
        The rule of the plan.
    installation : int
        Number of the hanging that was warmed up.
    on_since_s : float or None
        Moment at which the lamp was lit. [elapsed s]
    recorded_stable_s : float or None
        Moment at which the run called it stable. [elapsed s]
    timed_out : bool
        Whether the longest wait passed first.
    verdict : TimeToStable or None
        The rule applied anew to what was recorded; None without readings of both.
    light, power : tuple of array
        Moments [elapsed s] and readings of the warm-up, for charts.
    """

    rule: Rule
    installation: int
    on_since_s: float | None
    recorded_stable_s: float | None
    timed_out: bool
    verdict: TimeToStable | None
    light: Series
    power: Series


@frozen(kw_only=True)
class MapSummary:
    """One map: one installation at one mounting height.

    Attributes
    ----------
    installation : int
        Number of the hanging, from 1.
    mounting_height_mm : float or None
        Height of the device above the plane. [mm]
    replicate : int or None
        Which of several maps under one hanging at one height, from 1; None where one was planned.
    grid : Grid
        Points and areas; arrays of shape (n,) below are in its order.
    begun_s, ended_s : float or None
        Start of the first and end of the last reading window used. [elapsed s]
    ppfd : array, shape (n,)
        With all of `corrections`, dark and drift among them; NaN where missing. [µmol m⁻² s⁻¹]
    ppfd_raw : array, shape (n,)
        Mean of the samples as read, nothing subtracted. [µmol m⁻² s⁻¹]
    dark : array, shape (n,)
        The dark reading that was subtracted. [µmol m⁻² s⁻¹]
    sample_sd : array, shape (n,)
        Standard deviation of the samples of a point; NaN for fewer than two. [µmol m⁻² s⁻¹]
    sample_count : array of int, shape (n,)
        Samples that the mean of each point stands on.
    read_s : array, shape (n,)
        Middle of the reading windows of each point. [elapsed s]
    wall_power_w : array, shape (n,)
        Mean over the windows of each point; NaN where no power reading overlaps. [W]
    n_used, n_expected : int
        Points with a value, and points of the grid that stand for an area.
    n_retried : int
        Attempts that failed and were repeated.
    n_reread : int
        Earlier sets of samples that a later one replaced; they stay in the folder.
    missing : tuple of (int, int)
        Row and column of each point without a value, counted from 0.
    delivered_flux_umol_s : float or None
        From the corrected map; None unless complete. [µmol s⁻¹]
    delivered_flux_lower_bound : float or None
        Sum over the points that were read: the plane gets at least this. [µmol s⁻¹]
    mean_ppfd_umol_m2_s : float or None
        Area-weighted mean of the points that were read, see `mean_of`. [µmol m⁻² s⁻¹]
    mean_of : str
        ``"81 of 81 points"``.
    plane_efficacy_umol_j : float or None
        From raw light and power of the same moments. [µmol J⁻¹]
    plane_efficacy_from_means : float or None
        Corrected flux over mean wall power. [µmol J⁻¹]
    efficacy_disagreement : float or None
        From-means over synchronous, less 1. [unitless]
    efficacy_disagreement_limit : float or None
        Expanded uncertainty of that difference (k = 2). [unitless]
    mean_wall_power_w : float or None
        Over the reading windows of this map; without windows, the mean of what was entered. [W]
    wall_power : WallPower or None
        Statistics from the first to the last reading of this map.
    uniformity : Uniformity or None
        None unless the map is complete.
    drift : Drift
        The reference during this map, and what was done about it.
    reference_repeatability : float or None
        Standard deviation of one visit of the reference point, drift taken out; None for
        fewer than three visits. [fraction]
    reference_visits : int
        How many visits that comes from.
    dli_12h, dli_18h : float or None
        Daily light integral of the mean for 12 and 18 h of light; None unless complete.
        [mol m⁻² d⁻¹]
    spots : tuple of analysis.hot_spots.Spot
        Hot and cold spots, the strongest first.
    spot_remarks : tuple of str
        What the search for spots could miss or did not judge.
    corner_deficit, edge_deficit : float or None
        How far corners and edges lie below the mean; None where it is not stated. [fraction]
    remarks : tuple of str
        What is missing or passed a limit, in plain sentences.
    corrections : tuple of analysis.corrections.Applied
        What led from `ppfd_raw` to `ppfd`, and from wall power as read to `wall_power_w`, in its
        order; `analysis.corrections.undo` takes it off again.
    origin : str
        What has to stand beside every number because of how the light was read; mostly empty.
    uncertainty : MapUncertainty or None
        Intervals of the figures above; None unless the map is complete.
    budget : Budget or None
        What they are made of, for comparisons and heights; not in `to_dict`.
    """

    installation: int
    mounting_height_mm: float | None
    grid: Grid
    begun_s: float | None
    ended_s: float | None
    ppfd: Floats
    ppfd_raw: Floats
    dark: Floats
    sample_sd: Floats
    sample_count: NDArray[np.int64]
    read_s: Floats
    wall_power_w: Floats
    n_used: int
    n_expected: int
    n_retried: int
    n_reread: int
    missing: tuple[tuple[int, int], ...]
    delivered_flux_umol_s: float | None
    delivered_flux_lower_bound: float | None
    mean_ppfd_umol_m2_s: float | None
    mean_of: str
    plane_efficacy_umol_j: float | None
    plane_efficacy_from_means: float | None
    efficacy_disagreement: float | None
    efficacy_disagreement_limit: float | None
    mean_wall_power_w: float | None
    wall_power: WallPower | None
    uniformity: Uniformity | None
    drift: Drift
    reference_repeatability: float | None
    reference_visits: int
    dli_12h: float | None
    dli_18h: float | None
    spots: tuple[Spot, ...] = ()
    spot_remarks: tuple[str, ...] = ()
    corner_deficit: float | None = None
    edge_deficit: float | None = None
    remarks: tuple[str, ...] = ()
    corrections: tuple[Applied, ...] = ()
    origin: str = ""
    uncertainty: MapUncertainty | None = None
    budget: Budget | None = field(default=None, repr=False)
    replicate: int | None = None

    @property
    def is_complete(self) -> bool:
        """Whether every point of the grid has a value."""
        return self.n_used == self.n_expected

    @property
    def mark(self) -> str:
        """What has to stand beside every number of this map, empty if nothing has."""
        marks = (self.origin, *(one.mark for one in self.corrections))
        return ", ".join(dict.fromkeys(mark for mark in marks if mark))

    @property
    def place(self) -> str:
        """What replicates of the map have in common, for people: its label without the number."""
        return self.label if self.replicate is None else evolve(self, replicate=None).label

    @property
    def label(self) -> str:
        """Name of the map for people: ``"installation 1, mounting height 400 mm"``."""
        height = "mounting height not stated"
        if self.mounting_height_mm is not None:
            height = f"mounting height {self.mounting_height_mm:g} mm"
        if self.replicate is not None:
            height += f", replicate {self.replicate}"
        return f"installation {self.installation}, {height}" + (self.mark and f", {self.mark}")

    @property
    def stated_efficacy_umol_j(self) -> float | None:
        """The plane efficacy to print: synchronous, or from means where that is all there is."""
        if self.plane_efficacy_umol_j is not None:
            return self.plane_efficacy_umol_j
        return self.plane_efficacy_from_means

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        held = _plain_fields(self)
        del held["budget"]
        if self.replicate is None:
            del held["replicate"]
        return {"label": self.label, "is_complete": self.is_complete, **held}


@frozen(kw_only=True)
class RunSummary:
    """All that is said about one run.

    Attributes
    ----------
    run_name : str
        Name of the run folder.
    path : Path
        Where it lies.
    name : str
        Name of the test in the plan.
    device, specimen, device_kind, lamp, ballast : str
        What was tested and with what; empty where the plan does not say.
    plan, descriptor : dict
        The plan and the descriptor of the folder as read.
    is_complete : bool
        Whether the run ended in order and every planned map is complete.
    warm_ups : tuple of WarmUp
        One for each lighting of the lamp; empty for a hand-measured table.
    dark : Dark
        The dark reading.
    wall_power : WallPower or None
        Statistics from the first to the last reading of the maps.
    power_series : tuple of array
        Moments [elapsed s] and wall power [W] of the whole run, for charts.
    conditions : dict
        Quantity → `Condition` for line voltage, current, power factor, temperature: whatever
        was recorded during the maps.
    maps : tuple of MapSummary
        In the order read.
    events : tuple of dict
        ``elapsed_s, utc, event, subject, detail`` of each event.
    instruments : tuple of dict
        From the descriptor, as the run wrote them.
    remarks : tuple of str
        What is missing, not stated and why, and limits passed: plain sentences.
    """

    run_name: str
    path: Path = field(converter=Path)
    name: str
    device: str
    specimen: str
    device_kind: str
    lamp: str
    ballast: str
    plan: dict[str, Any]
    descriptor: dict[str, Any]
    is_complete: bool
    warm_ups: tuple[WarmUp, ...]
    dark: Dark
    wall_power: WallPower | None
    power_series: Series
    conditions: dict[str, Condition]
    maps: tuple[MapSummary, ...]
    events: tuple[dict[str, Any], ...]
    instruments: tuple[dict[str, Any], ...]
    remarks: tuple[str, ...]

    @property
    def warm_up(self) -> WarmUp | None:
        """The first warm-up, None if there was none."""
        return self.warm_ups[0] if self.warm_ups else None

    @property
    def corrections(self) -> dict[str, str]:
        """Name of each correction that any map was given, and how it was set."""
        return {one.name: one.setting for map_ in self.maps for one in map_.corrections}

    @property
    def marks(self) -> tuple[str, ...]:
        """What has to stand beside numbers of the run: each mark once, its first letter large."""
        marks = dict.fromkeys(map_.mark for map_ in self.maps if map_.mark)
        return tuple(mark[0].upper() + mark[1:] for mark in marks)

    @property
    def begun_utc(self) -> str:
        """Time of day of the first event, empty if there is none."""
        return str(self.events[0]["utc"]) if self.events else ""

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; the path is left to the folder itself."""
        held = _plain_fields(self)
        del held["path"]
        return held


def _plain_fields(record: Any) -> dict[str, Any]:
    return {item.name: _plain(getattr(record, item.name)) for item in fields(type(record))}


def _plain(value: Any) -> Any:
    """Turn a value into what JSON can hold: NaN and infinity become null."""
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.integer | np.bool_):
        return value.item()
    if isinstance(value, np.ndarray):
        return [_plain(item) for item in value.tolist()]
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "to_dict"):
        return _plain(value.to_dict())
    if hasattr(type(value), "__attrs_attrs__"):
        return _plain_fields(value)
    if value is None or isinstance(value, str | int | bool):
        return value
    return str(value)
