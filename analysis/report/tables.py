"""The tables of a report: every number beside its unit, its exact value kept in the page."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

from attrs import frozen

from analysis.digits import (
    DLI_UNIT,
    EFFICACY_UNIT,
    FLUX_UNIT,
    MISSING,
    PPFD_UNIT,
    fixed,
    plus_minus,
    significant,
)
from analysis.hot_spots import Spot
from analysis.replicates import replicate_words
from analysis.report import sentences
from analysis.results import MapSummary, RunSummary
from analysis.stated import (
    Stated,
    of_deficit,
    of_efficacy,
    of_flux,
    of_points,
    of_variation,
    of_wall_power,
)
from analysis.uncertainty import Interval


@frozen
class Entry:
    """One cell of a table: what is printed, and the exact value where it is a number."""

    text: str
    value: str = ""

    @property
    def is_missing(self) -> bool:
        """Whether the cell says that there is nothing to state."""
        return self.text == MISSING


@frozen
class Row:
    """One line of a table: what it is, its unit, an entry for each column."""

    name: str
    unit: str
    entries: tuple[Entry, ...]


@frozen
class Group:
    """Rows under a common heading."""

    name: str
    rows: tuple[Row, ...]


def number(value: float | None, write: Callable[[float | None], str] = significant) -> Entry:
    """Make an entry of a value that may be missing."""
    if value is None or not math.isfinite(value):
        return Entry(MISSING)
    return Entry(write(value), repr(float(value)))


def _percent(decimals: int) -> Callable[[float | None], str]:
    def write(value: float | None) -> str:
        return MISSING if value is None else fixed(100.0 * value, decimals)

    return write


_Getter = Callable[[MapSummary], "Entry"]


def sure(stated: Stated, *, scale: float = 1.0) -> Entry:
    """Make an entry of a figure with its ±.

    Parameters
    ----------
    stated : Stated
    scale : float
        100 to print a fraction in per cent.
    """
    if stated.value is None or not math.isfinite(stated.value):
        return Entry(MISSING)
    return Entry(plus_minus(*stated.times(scale)), repr(float(stated.value)))


def _flux(name: str) -> _Getter:
    return lambda map_: sure(of_flux(map_, name))


def _efficacy(name: str) -> _Getter:
    return lambda map_: sure(of_efficacy(map_, name))


def _deficit(name: str) -> _Getter:
    return lambda map_: sure(of_deficit(map_, name), scale=100.0)


def _at_points(name: str, scale: float = 1.0) -> _Getter:
    return lambda map_: sure(of_points(map_, name), scale=scale)


def _of(name: str, write: Callable[[float | None], str] = significant) -> _Getter:
    return lambda map_: number(getattr(map_, name), write)


def _drifted(name: str, write: Callable[[float | None], str]) -> _Getter:
    def get(map_: MapSummary) -> Entry:
        if map_.drift.source == "none":
            return Entry(MISSING)
        return number(getattr(map_.drift, name), write)

    return get


def _slope(map_: MapSummary) -> Entry:
    return sure(Stated(map_.drift.slope_percent_per_hour, map_.drift.slope_interval))


def _count(map_: MapSummary, kind: str) -> Entry:
    count = sum(spot.kind == kind for spot in map_.spots)
    return Entry(str(count), repr(float(count)))


def _whole(name: str) -> _Getter:
    def get(map_: MapSummary) -> Entry:
        count = getattr(map_, name)
        return Entry(str(count), repr(float(count)))

    return get


def _verdict_on_drift(map_: MapSummary) -> Entry:
    if map_.drift.source == "none":
        return Entry("not known")
    return Entry("accepted" if map_.drift.accepted else "not accepted")


MARK: Final = "*"
"""Behind each number of a map that was scaled on request; a note says to what."""
_READINGS: Final = "Readings"
_ABOVE_TARGET: Final = "area at or above target"
_METRICS: Final[tuple[tuple[str, tuple[tuple[str, str, _Getter], ...]], ...]] = (
    (
        "Photons for the power",
        (
            ("plane efficacy, same moments", EFFICACY_UNIT, _efficacy("plane_efficacy_umol_j")),
            (
                "plane efficacy, corrected flux ÷ mean power",
                EFFICACY_UNIT,
                _efficacy("plane_efficacy_from_means"),
            ),
            ("difference of the two", "%", _of("efficacy_disagreement", _percent(2))),
            (
                "difference that noise explains",
                "%",
                _of("efficacy_disagreement_limit", _percent(2)),
            ),
            ("mean wall power", "W", lambda map_: sure(of_wall_power(map_))),
        ),
    ),
    (
        "Light on the plane",
        (
            ("delivered flux", FLUX_UNIT, _flux("delivered_flux_umol_s")),
            ("mean PPFD of the points read", PPFD_UNIT, _flux("mean_ppfd_umol_m2_s")),
            ("greatest PPFD", PPFD_UNIT, _at_points("maximum")),
            ("least PPFD", PPFD_UNIT, _at_points("minimum")),
            ("daily light integral, 12 h", DLI_UNIT, _flux("dli_12h")),
            ("daily light integral, 18 h", DLI_UNIT, _flux("dli_18h")),
        ),
    ),
    (
        "Evenness, valid for its grid only",
        (
            ("measurement grid", "", lambda map_: Entry(map_.grid.label)),
            ("min/mean", "", _at_points("min_to_mean")),
            ("min/max", "", _at_points("min_to_max")),
            ("max/mean", "", _at_points("max_to_mean")),
            (
                "coefficient of variation",
                "%",
                lambda map_: sure(of_variation(map_), scale=100.0),
            ),
            ("Christiansen uniformity", "%", _at_points("christiansen", 100.0)),
            ("low-quarter uniformity", "%", _at_points("low_quarter", 100.0)),
            ("area within ±10 % of mean", "%", _at_points("share_within_10pct", 100.0)),
            ("area within ±20 % of mean", "%", _at_points("share_within_20pct", 100.0)),
            (_ABOVE_TARGET, "%", _at_points("share_above_target", 100.0)),
            ("corners below the mean by", "%", _deficit("corner_deficit")),
            ("edges below the mean by", "%", _deficit("edge_deficit")),
            ("hot spots", "", lambda map_: _count(map_, "hot")),
            ("cold spots", "", lambda map_: _count(map_, "cold")),
        ),
    ),
    (
        "Drift while the map was read",
        (
            ("mean PPFD before correction", PPFD_UNIT, lambda m: number(sentences.raw_mean(m))),
            ("span of the reference", "%", _drifted("span", _percent(2))),
            ("slope", "% per hour", _slope),
            ("largest correction of a point", "%", _drifted("largest_correction", _percent(2))),
            ("verdict", "", _verdict_on_drift),
        ),
    ),
    (
        _READINGS,
        (
            ("points read", "", _whole("n_used")),
            ("points of the grid", "", _whole("n_expected")),
            ("attempts repeated", "", _whole("n_retried")),
            ("repeatability of one visit", "%", _of("reference_repeatability", _percent(2))),
        ),
    ),
)


def columns(runs: Sequence[RunSummary]) -> list[tuple[RunSummary, MapSummary]]:
    """Return all maps in the order in which tables and figures show them."""
    return [(run, map_) for run in runs for map_ in run.maps]


def _marked(entry: Entry, map_: MapSummary, group: str = "") -> Entry:
    """Put the mark of a map behind its numbers, counts of readings left out."""
    if not map_.mark or not entry.value or group == _READINGS:
        return entry
    return Entry(entry.text + MARK, entry.value)


def metrics(runs: Sequence[RunSummary]) -> list[Group]:
    """Build the table of metrics, one column for each map; rows without any value are left out."""
    maps = [map_ for _, map_ in columns(runs)]
    groups = []
    for name, lines in _METRICS:
        rows = [
            Row(label, unit, tuple(_marked(get(map_), map_, name) for map_ in maps))
            for label, unit, get in lines
        ]
        stated = tuple(row for row in rows if not all(entry.is_missing for entry in row.entries))
        groups.append(Group(name, stated))
    return [group for group in groups if group.rows]


def unstated(runs: Sequence[RunSummary]) -> list[str]:
    """Name the metrics that no map states, so that their absence is said.

    The share above the target is passed over where no plan sets a target.
    """
    maps = [map_ for _, map_ in columns(runs)]
    has_target = any(
        run.plan.get("limits", {}).get("target_ppfd_umol_m2_s") is not None for run in runs
    )
    return [
        label
        for _, lines in _METRICS
        for label, _, get in lines
        if maps
        and all(get(map_).is_missing for map_ in maps)
        and (has_target or label != _ABOVE_TARGET)
    ]


def key_numbers(runs: Sequence[RunSummary]) -> list[tuple[str, str, tuple[Entry, ...]]]:
    """Build the short table at the top: one line for each map."""
    return [
        (
            sentences.device(run),
            sentences.height(map_) + replicate_words(map_.replicate),
            tuple(
                _marked(cell, map_)
                for cell in (
                    _efficacy("stated_efficacy_umol_j")(map_),
                    _flux("mean_ppfd_umol_m2_s")(map_),
                    _at_points("min_to_mean")(map_),
                    _at_points("maximum")(map_),
                    _flux("delivered_flux_umol_s")(map_),
                    sure(of_wall_power(map_)),
                    Entry(map_.grid.label),
                )
            ),
        )
        for run, map_ in columns(runs)
    ]


KEY_HEADINGS: Final = (
    ("plane efficacy", EFFICACY_UNIT),
    ("mean PPFD", PPFD_UNIT),
    ("min/mean", ""),
    ("greatest PPFD", PPFD_UNIT),
    ("delivered flux", FLUX_UNIT),
    ("wall power", "W"),
    ("grid", ""),
)


@frozen
class SpotLine:
    """One line of the list of spots."""

    kind: str
    row: int
    column: int
    x_mm: str
    y_mm: str
    ppfd: Entry
    background: Entry
    excess: Entry
    threshold: Entry


def _excess(spot: Spot, interval: Interval | None) -> Stated:
    return Stated(spot.excess, None if interval is None else interval.half_width)


def spots(map_: MapSummary) -> list[SpotLine]:
    """List hot and cold spots, the strongest first; rows and columns count from 1."""
    known = map_.uncertainty
    sizes: dict[Spot, Interval] = {}
    if known is not None and known.spots:
        sizes = dict(zip(map_.spots, known.spots, strict=True))
    order = sorted(map_.spots, key=lambda spot: -abs(spot.excess))
    return [
        SpotLine(
            kind=spot.kind,
            row=spot.row + 1,
            column=spot.column + 1,
            x_mm=fixed(spot.x_mm, 0),
            y_mm=fixed(spot.y_mm, 0),
            ppfd=number(spot.ppfd),
            background=number(spot.background),
            excess=sure(_excess(spot, sizes.get(spot)), scale=100.0),
            threshold=number(spot.threshold, _percent(1)),
        )
        for spot in order
    ]
