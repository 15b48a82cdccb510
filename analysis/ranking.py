"""Several devices in one table: who delivers more per joule than whom.

With many devices there are many pairs, and among many pairs some seem to differ by chance. The
chance of even one such pair is held to 5 % after Holm: the pairs are taken in the order of their
p-values, each against 5 % divided by the number of pairs still open, and from the first that
fails on, none counts as "more". Devices that no such pair parts share a letter.

References
----------
.. [1] S. Holm (1979), A simple sequentially rejective multiple test procedure, Scandinavian
   Journal of Statistics 6, 65-70 (from memory).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from itertools import combinations
from typing import Final

from attrs import frozen

from analysis.budget import CONFIDENCE
from analysis.comparison import RELEVANT, Verdict, judge
from analysis.likeness import Mismatch, check_facts, mismatches, names_of
from analysis.plane_results import SAME_HEIGHT_MM, Result, best, results
from analysis.results import RunSummary

Pair = tuple[int, int]
_LETTERS: Final = "abcdefghijklmnopqrstuvwxyz"


@frozen(kw_only=True)
class RankingRow:
    """One device of a ranking.

    Attributes
    ----------
    name : str
        Device, with specimen or run where names are equal.
    mounting_height_mm : float
        Height that the figures are for. [mm]
    plane_efficacy_umol_j : float
        [µmol J⁻¹]
    to_baseline : float
        Over the plane efficacy of the baseline; 1 for the baseline itself.
    half_width : float
        Of the 95 % interval of `to_baseline`; 0 for the baseline.
    words : str
        Verdict between this device and the baseline, empty for the baseline itself.
    sentence : str
        The same for people.
    group : str
        Letters; two devices that share one cannot be told apart.
    """

    name: str
    mounting_height_mm: float
    plane_efficacy_umol_j: float
    to_baseline: float
    half_width: float
    words: str
    sentence: str
    group: str


@frozen(kw_only=True)
class Ranking:
    """Several devices, the highest plane efficacy first.

    Attributes
    ----------
    baseline : str
        Device that the ratios refer to.
    rows : tuple of RankingRow
        Empty if refused.
    refused : tuple of (str, Mismatch)
        Pair of names and what is not alike in it, for what was not accepted.
    remarks : tuple of str
        What was accepted, and devices and maps that are not in the table, and why.
    """

    baseline: str
    rows: tuple[RankingRow, ...]
    refused: tuple[tuple[str, Mismatch], ...]
    remarks: tuple[str, ...]


def rank(
    runs: Sequence[RunSummary],
    *,
    mounting_height_mm: float | None = None,
    baseline: int = 0,
    accept: Collection[str] = (),
    relevant: float = RELEVANT,
) -> Ranking:
    """Put several devices in order of plane efficacy, and say which can be told apart.

    Parameters
    ----------
    runs : sequence of RunSummary
        Two or more.
    mounting_height_mm : float or None
        Height to compare at; None takes each device at its own best. [mm]
    baseline : int
        Which of `runs` the ratios refer to.
    accept : collection of str
        Names of mismatches that are put up with in every pair.
    relevant : float
        See `analysis.comparison`. [fraction]

    Raises
    ------
    NotAFactError
        `accept` holds a name that is no fact.
    ValueError
        Fewer than two runs.
    """
    if len(runs) < 2:
        raise ValueError("a ranking takes at least two runs")
    check_facts(accept)
    names = names_of(runs)
    found = {
        (i, j): mismatches(runs[i], runs[j], (names[i], names[j]))
        for i, j in combinations(range(len(runs)), 2)
    }
    refused = tuple(
        (f"{names[i]} and {names[j]}", one)
        for (i, j), facts in found.items()
        for one in facts
        if one.name not in accept
    )
    if refused:
        return Ranking(baseline=names[baseline], rows=(), refused=refused, remarks=())
    remarks = [
        f"Accepted, and not in the ± figures: {sentence}."
        for sentence in dict.fromkeys(one.sentence for facts in found.values() for one in facts)
    ]
    chosen: dict[int, Result] = {}
    for at, (run, name) in enumerate(zip(runs, names, strict=True)):
        usable, left_out = results(run, name)
        remarks += left_out
        if mounting_height_mm is not None:
            usable = tuple(
                one
                for one in usable
                if abs(one.mounting_height_mm - mounting_height_mm) <= SAME_HEIGHT_MM
            )
        if usable:
            chosen[at] = best(usable)
        else:
            where = "" if mounting_height_mm is None else f" at {mounting_height_mm:g} mm"
            remarks.append(f"{name} is not in the table: it has no usable map{where}.")
    if baseline not in chosen:
        return Ranking(baseline=names[baseline], rows=(), refused=(), remarks=tuple(remarks))
    order = sorted(chosen, key=lambda at: -chosen[at].efficacy_umol_j)

    def verdict(i: int, j: int, decided: bool | None = None) -> Verdict:
        differing = [one.name for one in found[min(i, j), max(i, j)]]
        return judge(names[i], chosen[i], names[j], chosen[j], differing, relevant, decided=decided)

    parted = _holm({pair: verdict(*pair).p_value for pair in combinations(order, 2)})
    letters = _letters(order, parted)
    rows = []
    for at in order:
        against = None
        if at != baseline:
            decided = (at, baseline) in parted or (baseline, at) in parted
            against = verdict(baseline, at, decided)
        ratio = 1.0 if against is None else against.b_to_a
        rows.append(
            RankingRow(
                name=names[at],
                mounting_height_mm=chosen[at].mounting_height_mm,
                plane_efficacy_umol_j=chosen[at].efficacy_umol_j,
                to_baseline=ratio,
                half_width=0.0 if against is None else against.half_width * ratio / against.ratio,
                words="" if against is None else against.words,
                sentence="" if against is None else against.sentence,
                group=letters[at],
            )
        )
    return Ranking(baseline=names[baseline], rows=tuple(rows), refused=(), remarks=tuple(remarks))


def _holm(p_values: Mapping[Pair, float]) -> set[Pair]:
    """Pairs that differ, with a chance of at most 5 % that any of them is there by chance."""
    parted: set[Pair] = set()
    for place, pair in enumerate(sorted(p_values, key=lambda pair: p_values[pair])):
        if p_values[pair] >= (1 - CONFIDENCE) / (len(p_values) - place):
            break
        parted.add(pair)
    return parted


def _letters(order: Sequence[int], parted: Collection[Pair]) -> dict[int, str]:
    """Give each device the letters of the sets, as large as can be, that no parted pair is in."""
    groups = [frozenset(order)]
    for i, j in parted:
        split = [
            part
            for group in groups
            for part in ((group - {i}, group - {j}) if {i, j} <= group else (group,))
        ]
        groups = [one for one in dict.fromkeys(split) if not any(one < other for other in split)]
    groups.sort(key=lambda group: sorted(order.index(at) for at in group))
    return {
        at: "".join(_LETTERS[n % 26] for n, group in enumerate(groups) if at in group)
        for at in order
    }
