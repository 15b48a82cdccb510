"""The mounting height, in the report: verdict, curves, and the limits one by one."""

from __future__ import annotations

from attrs import frozen

from analysis.figures.height_curves import height_trade_off
from analysis.figures.style import to_svg
from analysis.heights import Heights, NoHeights
from analysis.report import height_words, sentences
from analysis.report.findings import Findings
from analysis.report.height_words import HeightRow
from analysis.report.pictures import Picture
from analysis.results import RunSummary


@frozen(kw_only=True)
class HeightPart:
    """One run: what the template prints."""

    name: str
    verdict: str
    sentences: tuple[str, ...]
    rows: tuple[HeightRow, ...] = ()
    limits: tuple[tuple[str, str], ...] = ()
    picture: Picture | None = None


def height_parts(found: Findings) -> tuple[HeightPart, ...]:
    """Make the section on mounting height, one part for each run that was read at two or more."""
    return tuple(
        _part(run, held, name=f"h{at}")
        for at, (run, held) in enumerate(zip(found.runs, found.heights, strict=True))
        if held is not None
    )


def height_verdicts(found: Findings) -> list[str]:
    """Return the verdict alone of each of these runs."""
    return [height_words.verdict(held) for held in found.heights if held is not None]


def _part(run: RunSummary, found: Heights | NoHeights, *, name: str) -> HeightPart:
    device = sentences.device(run)
    verdict, said = height_words.verdict(found), tuple(height_words.sentences(found))
    if isinstance(found, NoHeights):
        return HeightPart(name=device, verdict=verdict, sentences=said)
    picture = None
    if found.range_mm[1] > found.range_mm[0]:
        figure = height_trade_off(found, title=f"Mounting height, {device}")
        picture = Picture(
            to_svg(figure, name=name, alt=height_words.alt_text(found)),
            "Between the heights measured each point is interpolated; nothing is said beyond them. "
            "The bands hold what all heights share, calibration above all: what lies between two "
            "heights is known better.",
        )
    return HeightPart(
        name=device,
        verdict=verdict,
        sentences=said,
        rows=tuple(height_words.rows(found)),
        limits=tuple(
            (height_words.name_of(limit), height_words.where_holds(found, limit))
            for limit in found.limits
        ),
        picture=picture,
    )
