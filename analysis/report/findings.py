"""What was found in one or several runs, worked out once for pages, pictures and terminal."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from attrs import frozen

from analysis.figures.style import Scale
from analysis.heights import Heights, NoHeights, heights
from analysis.report.difference_part import DifferenceMap, difference_maps
from analysis.report.pictures import shared_scale
from analysis.report.standing import Standing, standing
from analysis.results import RunSummary
from analysis.value_ranking import ValueRanking, rank_by_value


@frozen(kw_only=True, eq=False)
class Findings:
    """Runs and what they say together.

    Attributes
    ----------
    runs : tuple of RunSummary
        In the order in which they are shown.
    scale : Scale
        Holds every map of them.
    standing : Standing or None
        None for a single run.
    heights : tuple of Heights, NoHeights or None
        For each run; None for one that was not read at two mounting heights.
    ranking : ValueRanking or None
        What costs least; None where nobody asked.
    differences : tuple of DifferenceMap
        The best device over each other one.
    no_differences : tuple of str
        Pairs without a difference map, and why.
    """

    runs: tuple[RunSummary, ...]
    scale: Scale
    standing: Standing | None
    heights: tuple[Heights | NoHeights | None, ...]
    ranking: ValueRanking | None
    differences: tuple[DifferenceMap, ...]
    no_differences: tuple[str, ...]

    @property
    def stamps(self) -> tuple[str, ...]:
        """What has to be put on everything that is shown of these runs together."""
        return () if self.standing is None else self.standing.stamps


def find(runs: Sequence[RunSummary], *, accept: Collection[str] = ()) -> Findings:
    """Work out what these runs say, each by itself and all together.

    Parameters
    ----------
    runs : sequence of RunSummary
        At least one, in the order in which they shall appear.
    accept : collection of str
        Mismatches between runs that are put up with, see `analysis.likeness.FACTS`.

    Raises
    ------
    ValueError
        No run was given; `NotAFactError`: `accept` holds a name that is no fact.
    """
    known = [heights(run) if _has_several_heights(run) else None for run in runs]
    return _found(runs, known, accept)


def join(parts: Sequence[Findings], *, accept: Collection[str] = ()) -> Findings:
    """Work out what several say together, keeping what each found in its runs by themselves.

    Parameters and errors are as of `find`.
    """
    runs = [run for part in parts for run in part.runs]
    return _found(runs, [known for part in parts for known in part.heights], accept)


def _found(
    runs: Sequence[RunSummary], known: Sequence[Heights | NoHeights | None], accept: Collection[str]
) -> Findings:
    if not runs:
        raise ValueError("a report needs at least one run")
    together = standing(runs, accept=accept)
    order = () if together is None else together.order
    maps, remarks = difference_maps(runs, order) if len(order) > 1 else ([], [])
    return Findings(
        runs=tuple(runs),
        scale=shared_scale(runs),
        standing=together,
        heights=tuple(known),
        ranking=rank_by_value(runs, accept=accept),
        differences=tuple(maps),
        no_differences=tuple(remarks),
    )


def _has_several_heights(run: RunSummary) -> bool:
    return len({map_.mounting_height_mm for map_ in run.maps} - {None}) > 1
