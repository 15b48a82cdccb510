"""How sure the figures are, in the report: what dominates, what to improve first, the budget."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from attrs import frozen

from analysis.budget import Term
from analysis.digits import percent
from analysis.figures.budget_bars import BudgetBar, budget_bars
from analysis.figures.style import to_svg
from analysis.report import sentences
from analysis.report.pictures import Picture
from analysis.results import MapSummary, RunSummary
from analysis.uncertainty import BudgetRow, Interval, MapUncertainty

SHOWN: Final = 0.02
"""Causes below this standard uncertainty are gathered in one line. [%]"""
MOST_BARS: Final = 8
ADVICE: Final = {
    "calibration of the light sensor": "a calibration with a smaller uncertainty",
    "spectral error of the light sensor": "a spectral factor for this kind of lamp",
    "cosine error of the light sensor": "the sensor's cosine response from its maker, or a sensor "
    "with a better one",
    "linearity of the light sensor": "a sensor whose linearity is certified",
    "temperature of the light sensor": "a thermometer at the sensor and its coefficient",
    "gain of the wattmeter": "a wattmeter of a better class, or its calibration",
    "wattmeter on distorted current": "a meter rated for the ballast's distorted current",
    "levelling of the light sensor": "levelling the sensor more closely",
    "height of the device over the sensor": "measuring the mounting height more closely",
    "where the grid lies": "measuring where the grid lies more closely",
    "where the sensor stands at each point": "placing the sensor more closely",
    "repeatability of a reading": "more samples at each point",
    "scaling to the nominal line voltage": "a stabilised supply, and no scaling",
    "dark reading": "a dark reading, or more points of it",
    "drift of the lamp during the map": "a longer warm-up, and reference visits more often",
    "light between the points": "more rows and columns",
}
"""What makes a cause smaller, as what follows "best improved by"."""
OF_THE_RUN: Final = frozenset(
    {
        "repeatability of a reading",
        "dark reading",
        "drift of the lamp during the map",
        "light between the points",
    }
)
"""What a run measures by itself, if it is planned to; the others are stated in the profile."""


@frozen(kw_only=True)
class BudgetLine:
    """One line of the printed table."""

    name: str
    kind: str
    distribution: str
    degrees_of_freedom: str
    percent: str
    share: str
    source: str


@frozen(kw_only=True)
class RunBudget:
    """The budget of one run: what the template prints."""

    name: str
    sentences: tuple[str, ...]
    lines: tuple[BudgetLine, ...]
    whole: BudgetLine
    what: str
    bars: tuple[BudgetBar, ...]
    combined_percent: float
    mark: str

    @property
    def picture(self) -> Picture:
        """The largest causes, drawn anew each time; not every page shows it."""
        svg = to_svg(
            budget_bars(
                self.bars,
                combined_percent=self.combined_percent,
                title=f"What the ± of the {self.what} is made of",
            ),
            name=self.mark,
            alt=f"Standard uncertainty of the {self.what} from each cause, {self.name}: "
            + ", ".join(f"{bar.name} {bar.percent:.2f} %" for bar in self.bars),
        )
        caption = f"{self.name}: standard uncertainty of the {self.what} from its largest causes."
        return Picture(svg=svg, caption=caption)


@frozen(kw_only=True)
class TermLine:
    """One line of what stands between two devices."""

    name: str
    percent: str
    source: str


def budget_parts(runs: Sequence[RunSummary]) -> list[RunBudget]:
    """Make the budget of each run that has one: that of its map with the highest efficacy."""
    found = []
    for at, run in enumerate(runs):
        maps = [one for one in run.maps if one.uncertainty is not None]
        if maps:
            best = max(maps, key=lambda one: one.stated_efficacy_umol_j or 0.0)
            found.append(_part(run, best, at))
    return found


def _part(run: RunSummary, map_: MapSummary, at: int) -> RunBudget:
    held = map_.uncertainty
    assert held is not None
    whole = math.sqrt(sum(row.percent**2 for row in held.rows))
    what = "plane efficacy" if held.plane_efficacy_umol_j is not None else "delivered flux"
    return RunBudget(
        name=sentences.map_title(run, map_),
        sentences=tuple(_said(held, what, whole)),
        lines=tuple(_lines(held.rows)),
        whole=_whole(held),
        what=what,
        bars=tuple(
            BudgetBar(name=row.name, percent=row.percent, is_measured=row.kind == "A")
            for row in held.rows[:MOST_BARS]
        ),
        combined_percent=whole,
        mark=f"b{at}",
    )


def _said(held: MapUncertainty, what: str, whole: float) -> list[str]:
    result = _result(held)
    first = held.rows[0]
    left = 2 * math.sqrt(max(whole**2 - first.percent**2, 0.0)) / 100
    said = [
        f"The {what} is known to ± {percent(result.relative_half_width)} (95 %). The largest part "
        f"of that is {first.name}, {percent(first.share, 0)} of the variance; without it ± "
        f"{percent(left)} would be left."
    ]
    if advice := ADVICE.get(first.name):
        said.append(f"It is best improved by {advice}.")
    said += held.assumptions
    ours = [row.name for row in held.rows if row.is_default and row.percent >= SHOWN]
    of_run = [name for name in ours if name in OF_THE_RUN]
    of_bench = [name for name in ours if name not in OF_THE_RUN]
    # Where nothing is stated, the assumptions say so already.
    if any(not row.is_default and row.name not in OF_THE_RUN for row in held.rows) and of_bench:
        said.append(
            "Assumed by default, for want of a statement in the rig profile: "
            f"{sentences.listed(of_bench)}."
        )
    if of_run:
        said.append(
            f"Assumed by default, as this run did not measure it: {sentences.listed(of_run)}."
        )
    return said


def _result(held: MapUncertainty) -> Interval:
    return held.plane_efficacy_umol_j or held.delivered_flux_umol_s


def _whole(held: MapUncertainty) -> BudgetLine:
    result = _result(held)
    relative = result.standard / abs(result.value)
    factor = result.half_width / result.standard
    return BudgetLine(
        name="all together",
        kind="",
        distribution="",
        degrees_of_freedom=_freedom(result.degrees_of_freedom),
        percent=f"{100 * relative:.2f}",
        share="100.0",
        source=f"× {factor:.2f} for 95 %: ± {percent(result.relative_half_width)}",
    )


def _lines(rows: Sequence[BudgetRow]) -> list[BudgetLine]:
    shown = [row for row in rows if row.percent >= SHOWN]
    small = [row for row in rows if row.percent < SHOWN]
    lines = [
        BudgetLine(
            name=row.name,
            kind=row.kind,
            distribution=row.distribution,
            degrees_of_freedom=_freedom(row.degrees_of_freedom),
            percent=f"{row.percent:.2f}",
            share=f"{100 * row.share:.1f}",
            source=row.source,
        )
        for row in shown
    ]
    if small:
        size = math.sqrt(sum(row.percent**2 for row in small))
        lines.append(
            BudgetLine(
                name=f"{len(small)} more, each below {SHOWN:g} %",
                kind="",
                distribution="",
                degrees_of_freedom="",
                percent=f"{size:.2f}",
                share=f"{100 * sum(row.share for row in small):.1f}",
                source=", ".join(row.name for row in small),
            )
        )
    return lines


def _freedom(value: float) -> str:
    return "∞" if math.isinf(value) or value > 1000 else f"{value:.0f}"


def term_lines(terms: Sequence[Term]) -> list[TermLine]:
    """Gather the terms of a ratio by name, the largest first; what cancels is said to."""
    held: dict[str, list[Term]] = {}
    for term in terms:
        held.setdefault(term.name, []).append(term)
    lines = []
    for name, group in held.items():
        left = math.hypot(*(term.in_ratio for term in group))
        if all(term.is_shared for term in group):
            source = "the same in both: only what acts unlike on the two is left"
        else:
            source = " · ".join(dict.fromkeys(term.source for term in group))
        lines.append((left, TermLine(name=name, percent=f"{100 * left:.2f}", source=source)))
    return [line for _, line in sorted(lines, key=lambda pair: -pair[0])]
