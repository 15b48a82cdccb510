"""Several runs side by side: which delivers more per joule, and how sure that is."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import pairwise

from attrs import evolve, frozen

from analysis.budget import Term
from analysis.comparison import MORE, compare
from analysis.likeness import names_of
from analysis.ranking import Ranking, RankingRow, rank
from analysis.report.tables import Entry, number
from analysis.results import RunSummary


@frozen
class Line:
    """One device in a table of standings."""

    name: str
    height: str
    efficacy: Entry
    ratio: Entry
    half_width: Entry
    words: str
    group: str


@frozen
class Table:
    """The devices at one mounting height, or each at its best."""

    heading: str
    baseline: str
    lines: tuple[Line, ...]


@frozen
class Standing:
    """What a report says about several runs together.

    Attributes
    ----------
    headline : str
        The verdict in one sentence.
    sentences : tuple of str
        The verdicts on the other devices.
    tables : tuple of Table
        Each device at its best height first, then each height that is common.
    refused : tuple of (str, str)
        Pair of names and what is not alike in it; with any, nothing is compared.
    terms : tuple of Term
        What the ± of the headline is made of.
    remarks : tuple of str
    """

    headline: str
    sentences: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    refused: tuple[tuple[str, str], ...] = ()
    terms: tuple[Term, ...] = ()
    remarks: tuple[str, ...] = ()


def standing(runs: Sequence[RunSummary], *, accept: Collection[str] = ()) -> Standing | None:
    """Compare runs against the one with the highest plane efficacy; None for a single run.

    Parameters
    ----------
    runs : sequence of RunSummary
    accept : collection of str
        Names of mismatches that are put up with, see `analysis.likeness.FACTS`.

    Raises
    ------
    NotAFactError
        `accept` holds a name that is no fact.
    """
    if len(runs) < 2:
        return None
    names = names_of(runs)
    at_best = _against_the_best(runs, names, None, accept)
    if at_best.refused:
        return Standing(
            headline="Not compared: these runs are not alike in everything but the device.",
            refused=tuple((pair, one.sentence) for pair, one in at_best.refused),
        )
    if len(at_best.rows) < 2:
        return Standing(
            headline="Not compared: fewer than two of these runs have a usable map.",
            remarks=at_best.remarks,
        )
    tables = [_table("each at its best height", at_best)]
    remarks = list(at_best.remarks)
    for height_mm in _common_heights(runs):
        ranking = _against_the_best(runs, names, height_mm, accept)
        remarks += ranking.remarks
        if len(ranking.rows) > 1:
            tables.append(_table(f"at {height_mm:g} mm", ranking))
    if len(tables) > 1 and _alike(tables[0], tables[1:]):
        del tables[0]
    first, second = (names.index(row.name) for row in at_best.rows[:2])
    pair = compare(runs[first], runs[second], accept=accept)
    specimens = [remark for remark in pair.remarks if "specimen" in remark]
    return Standing(
        headline=at_best.rows[1].sentence,
        sentences=(
            *(row.sentence for row in at_best.rows[2:]),
            *_among_the_others(runs, [names.index(row.name) for row in at_best.rows[1:]], accept),
        ),
        tables=tuple(tables),
        terms=() if pair.at_best is None else pair.at_best.terms,
        remarks=tuple(dict.fromkeys([*remarks, *specimens])),
    )


def _among_the_others(
    runs: Sequence[RunSummary], order: Sequence[int], accept: Collection[str]
) -> list[str]:
    """Verdicts on neighbours in the order below the best, which the best says nothing about."""
    said = []
    for higher, lower in pairwise(order):
        verdict = compare(runs[lower], runs[higher], accept=accept).at_best
        if verdict is not None:
            said.append(verdict.sentence)
    return said


def _against_the_best(
    runs: Sequence[RunSummary],
    names: Sequence[str],
    height_mm: float | None,
    accept: Collection[str],
) -> Ranking:
    for baseline in range(len(runs)):
        found = rank(runs, mounting_height_mm=height_mm, baseline=baseline, accept=accept)
        if found.rows or found.refused:
            break
    if not found.rows:
        return found
    best = names.index(found.rows[0].name)
    return rank(runs, mounting_height_mm=height_mm, baseline=best, accept=accept)


def _common_heights(runs: Sequence[RunSummary]) -> list[float]:
    count: dict[float, int] = {}
    for run in runs:
        for height_mm in {map_.mounting_height_mm for map_ in run.maps}:
            if height_mm is not None:
                count[height_mm] = count.get(height_mm, 0) + 1
    return sorted(height_mm for height_mm, times in count.items() if times > 1)


def _table(heading: str, ranking: Ranking) -> Table:
    return Table(
        heading,
        ranking.baseline,
        tuple(
            Line(
                name=row.name,
                height=f"{row.mounting_height_mm:g} mm",
                efficacy=number(row.plane_efficacy_umol_j),
                ratio=number(row.to_baseline),
                half_width=Entry("")
                if row.name == ranking.baseline
                else number(row.half_width, lambda value: f"{value:.3f}"),
                words=_words(row, ranking.baseline),
                group=row.group,
            )
            for row in ranking.rows
        ),
    )


def _words(row: RankingRow, baseline: str) -> str:
    if row.words != MORE:
        return row.words
    return f"{row.name if row.to_baseline > 1 else baseline} more"


def _alike(table: Table, others: Sequence[Table]) -> bool:
    return any(evolve(table, heading=other.heading) == other for other in others)
