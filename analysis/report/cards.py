"""What stands on the cards of a run and of a comparison, see `analysis.figures.cards`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from attrs import frozen

from analysis.comparison import MORE
from analysis.devices import devices_of
from analysis.digits import EFFICACY_UNIT, FLUX_UNIT, PPFD_UNIT, fixed, plus_minus, significant
from analysis.figures.cards import DPI, SQUARE, WIDE, CardMap, CardText, card
from analysis.figures.plane import Setting
from analysis.figures.style import Scale, to_png, to_svg_file
from analysis.plane_results import SAME_HEIGHT_MM
from analysis.report import sentences
from analysis.report.findings import Findings
from analysis.report.pictures import shared_scale
from analysis.report.standing import Standing
from analysis.results import MapSummary, RunSummary
from analysis.stated import of_efficacy, of_flux

_SHAPES = (("wide", WIDE), ("square", SQUARE))


@frozen
class Card:
    """The content of a card, drawn in whatever shape is asked for."""

    maps: tuple[CardMap, ...]
    scale: Scale
    text: CardText
    stamps: tuple[str, ...]

    def write(self, folder: Path) -> None:
        """Write ``card-wide`` and ``card-square`` into a folder, each as PNG and SVG."""
        alt = f"{self.text.headline} {self.text.number} {self.text.reach}, {self.text.means}"
        for shape, size_in in _SHAPES:
            stem = folder / f"card-{shape}"
            # A stamp changes the figure that it is put on, so each file gets one of its own.
            png, svg = (card(self.maps, self.scale, self.text, size_in=size_in) for _ in range(2))
            stem.with_suffix(".png").write_bytes(to_png(png, dpi=DPI, stamps=self.stamps))
            stem.with_suffix(".svg").write_bytes(
                to_svg_file(svg, name=stem.name, alt=alt, stamps=self.stamps)
            )


def card_of(found: Findings) -> Card | None:
    """Make the card of one run, or of the comparison of several; None where nothing is to show."""
    if found.standing is not None:
        return comparison_card(found.runs, found.standing)
    return run_card(found.runs[0])


def lead_map(found: Findings) -> tuple[RunSummary, MapSummary] | None:
    """Return the one map to show where there is room for one; None if none was read.

    That of the device that the first verdict puts first, where it is compared; without a verdict
    that of the highest plane efficacy, of the first run that has a map.
    """
    together = found.standing
    if together is not None and together.lead is not None:
        return _map_at(found.runs, together.order[0], together.lead.height_mm[0])
    for run in found.runs:
        if run.maps:
            return run, _best(run)
    return None


def _best(run: RunSummary) -> MapSummary:
    return max(run.maps, key=lambda map_: map_.stated_efficacy_umol_j or 0.0)


def run_card(run: RunSummary) -> Card | None:
    """Make the card of one run: its map of the highest plane efficacy; None without a map."""
    if not run.maps:
        return None
    one = _best(run)
    if one.stated_efficacy_umol_j is not None:
        whole, unit, means = plus_minus(*of_efficacy(one)), EFFICACY_UNIT, " per joule"
    elif one.delivered_flux_umol_s is not None:
        whole, unit, means = plus_minus(*of_flux(one, "delivered_flux_umol_s")), FLUX_UNIT, ""
    else:
        whole, unit, means = f"{one.n_used}/{one.n_expected}", "points read", None
    number, _, reach = whole.partition(" ± ")
    told = "no figure for the whole plane" if means is None else f"delivered to the plane{means}"
    if one.uniformity is not None:
        told += f"; min/mean {fixed(one.uniformity.min_to_mean, 2)}"
    scale = shared_scale([run])
    return Card(
        (_on_card(run, one, f"mounting height {sentences.height(one)}"),),
        scale,
        CardText(
            headline=sentences.device(run),
            number=number,
            reach=f"± {reach} {unit}" if reach else unit,
            means=told,
            foot=_foot(scale, (one,)),
        ),
        tuple(run.marks),
    )


def comparison_card(runs: Sequence[RunSummary], together: Standing) -> Card | None:
    """Make the card of a comparison: the two devices of its first verdict.

    None where there is no verdict, or no map to show at the height that it is for.
    """
    verdict = together.lead
    if verdict is None:
        return None
    shown: list[tuple[RunSummary, MapSummary, str]] = []
    heights = dict(zip(together.order[:2], verdict.height_mm, strict=True))
    for name in (verdict.greater, verdict.lesser):
        found = _map_at(runs, name, heights[name])
        if found is None:
            return None
        shown.append((*found, f"{name}, {heights[name]:g} mm"))
    scale = shared_scale(runs)
    more = verdict.words == MORE
    means = f"more per joule than {verdict.lesser}" if more else f"per joule: {verdict.words}"
    return Card(
        tuple(_on_card(run, map_, title) for run, map_, title in shown),
        scale,
        CardText(
            headline=verdict.sentence,
            number=f"{fixed(100 * (verdict.ratio - 1), 1)} %",
            reach=f"± {fixed(100 * verdict.half_width, 1)} %",
            means=means,
            foot=_foot(scale, tuple(map_ for _, map_, _ in shown)),
        ),
        together.stamps,
    )


def _map_at(
    runs: Sequence[RunSummary], name: str, height_mm: float
) -> tuple[RunSummary, MapSummary] | None:
    for device in devices_of(runs):
        for run in device.runs if device.name == name else ():
            for map_ in run.maps:
                at_mm = map_.mounting_height_mm
                if at_mm is not None and abs(at_mm - height_mm) <= SAME_HEIGHT_MM:
                    return run, map_
    return None


def _on_card(run: RunSummary, map_: MapSummary, title: str) -> CardMap:
    return CardMap(title=title, map_=map_, setting=Setting.from_plan(run.plan))


def _foot(scale: Scale, maps: Sequence[MapSummary]) -> str:
    size = dict.fromkeys(
        f"{fixed(one.grid.width_mm, 0)} × {fixed(one.grid.depth_mm, 0)} mm, {one.grid.label}"
        for one in maps
    )
    top = significant(scale.top_umol_m2_s)
    return f"PPFD in {PPFD_UNIT}, 0 to {top}; {'; '.join(size)}; ± at 95 %"
