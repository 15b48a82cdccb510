"""Several runs side by side: which delivers more per joule, and how sure that is."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import pairwise

from attrs import evolve, frozen

from analysis.budget import Term
from analysis.comparison import MORE, Verdict
from analysis.devices import devices_of
from analysis.likeness import Mismatch, stamps
from analysis.own_candidates import candidates
from analysis.ranking import Ranking, RankingRow, rank
from analysis.report.sentences import listed
from analysis.report.tables import Entry, number, sure
from analysis.results import RunSummary
from analysis.stated import Stated


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
    """The devices at one mounting height, or each at its own."""

    heading: str
    baseline: str
    lines: tuple[Line, ...]


@frozen(kw_only=True)
class Standing:
    """What a report says about several runs together.

    Attributes
    ----------
    headline : str
        The verdict in one sentence.
    sentences : tuple of str
        The verdicts on the other devices, how devices that were measured again changed, and which
        limits of the plan are broken at the heights compared.
    stamps : tuple of str
        Mismatches that were accepted, and to what results were scaled on request: to be put on
        everything that is shown.
    order : tuple of str
        The devices, the highest plane efficacy first; empty if nothing was compared.
    tables : tuple of Table
        Each device at its own height first, then each height that is common.
    refused : tuple of (str, Mismatch)
        Pair of names and what is not alike in it; with any, nothing is compared.
    lead : Verdict or None
        The verdict that the headline states, of the first two in `order`.
    terms : tuple of Term
        What the ± of the headline is made of.
    remarks : tuple of str
    """

    headline: str
    sentences: tuple[str, ...] = ()
    stamps: tuple[str, ...] = ()
    order: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    refused: tuple[tuple[str, Mismatch], ...] = ()
    lead: Verdict | None = None
    terms: tuple[Term, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def accept_words(self) -> str:
        """The options of the command line that accept every mismatch that is in the way."""
        names = dict.fromkeys(one.name.replace(" ", "-") for _, one in self.refused)
        return " ".join(f"--accept {name}" for name in names)


def standing(runs: Sequence[RunSummary], *, accept: Collection[str] = ()) -> Standing | None:
    """Compare devices with the one of the highest plane efficacy; None for a single run.

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
    own = rank(runs, baseline=None, accept=accept)
    if own.refused:
        return Standing(
            headline="Not compared: these runs are not alike in everything but the device.",
            refused=own.refused,
        )
    changed = tuple(one.sentence for one in own.changes)
    marks = dict.fromkeys(mark for run in runs for mark in run.marks)
    stamped = (*stamps(own.accepted), *marks)
    if len(own.rows) < 2:
        return Standing(
            headline=_of_one_device(own)
            or "Not compared: fewer than two of these devices have a usable map.",
            stamps=stamped,
            order=tuple(row.name for row in own.rows) if _of_one_device(own) else (),
            remarks=own.remarks,
        )
    tables = [_table("each at its own height", own)]
    remarks = list(own.remarks)
    for height_mm in _common_heights(runs):
        ranking = rank(runs, mounting_height_mm=height_mm, baseline=None, accept=accept)
        remarks += ranking.remarks
        if len(ranking.rows) > 1:
            tables.append(_table(f"at {height_mm:g} mm", ranking))
    for at, table in enumerate(tables[1:], 1):
        if evolve(tables[0], heading=table.heading) == table:
            heading = f"{table.heading}, the best height measured of each"
            tables = [evolve(table, heading=heading), *tables[1:at], *tables[at + 1 :]]
            break
    order = [row.name for row in own.rows]
    with_best = [own.verdicts[order[0], name].sentence for name in order[1:]]
    # What the best says nothing about: neighbours in the order below it.
    below = [own.verdicts[pair].sentence for pair in pairwise(order[1:])]
    return Standing(
        headline=with_best[0],
        sentences=(*with_best[1:], *below, *changed, *_limits_broken(runs, own)),
        stamps=stamped,
        order=tuple(order),
        tables=tuple(tables),
        lead=own.verdicts[order[0], order[1]],
        terms=own.verdicts[order[0], order[1]].terms,
        remarks=tuple(dict.fromkeys([*remarks, _specimens(runs)])),
    )


def _of_one_device(own: Ranking) -> str:
    """What several runs of one device say; empty if there are more, or nothing to say."""
    if len(own.rows) == 1 and own.rows[0].name == own.baseline and own.changes:
        return own.changes[0].sentence
    return ""


def _limits_broken(runs: Sequence[RunSummary], own: Ranking) -> tuple[str, ...]:
    """Say which devices keep the limits of their plans at none of their heights."""
    at_mm = {row.name: row.mounting_height_mm for row in own.rows}
    told = []
    for device in devices_of(runs):
        if device.name not in at_mm:
            continue
        broken = candidates(device.whole, device.name).broken.get(at_mm[device.name])
        if broken:
            told.append(f"{device.name} at {at_mm[device.name]:g} mm ({listed(list(broken))})")
    if not told:
        return ()
    return (
        f"Limits of the plan are broken at the heights compared: by {listed(told)}. To keep them, "
        f"{'it has' if len(told) == 1 else 'they have'} to hang at another height.",
    )


def _specimens(runs: Sequence[RunSummary]) -> str:
    named = [f"{one.runs[0].specimen} for {one.name}" for one in devices_of(runs)
             if one.runs[0].specimen]  # fmt: skip
    which = f": {', '.join(named)}" if named else ""
    return f"This is about one specimen of each{which}. Others of the same make can differ."


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
                efficacy=sure(Stated(row.plane_efficacy_umol_j, row.efficacy_half_width)),
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
