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
from itertools import combinations, permutations
from typing import Final

from attrs import evolve, field, frozen

from analysis.budget import CONFIDENCE
from analysis.comparison import RELEVANT, Verdict, judge
from analysis.devices import Device, devices_of
from analysis.effects import Effect
from analysis.likeness import Mismatch, check_facts, mismatches, names_of
from analysis.order import Change, change_of, order_effect
from analysis.own_candidates import Candidates, candidates, remark_on
from analysis.own_height import OwnHeights, own_heights
from analysis.plane_results import SAME_HEIGHT_MM, Result, best, results
from analysis.results import RunSummary
from analysis.series import remarks_on
from analysis.uncertainty import interval

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
    plane_efficacy_umol_j, efficacy_half_width : float
        With the half-width of its own 95 % interval. [µmol J⁻¹]
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
    efficacy_half_width: float
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
    verdicts : dict
        Pair of names as in `rows`, higher plane efficacy first → verdict, Holm's rule applied.
    refused : tuple of (str, Mismatch)
        Pair of names and what is not alike in it, for what was not accepted.
    accepted : tuple of Mismatch
        What is not alike and was put up with.
    changes : tuple of Change
        How devices that were measured again changed, the control reflector first.
    remarks : tuple of str
        What was accepted, devices and maps that are not in the table and why, and what was
        taken off for the order of the runs.
    """

    baseline: str
    rows: tuple[RankingRow, ...] = ()
    verdicts: Mapping[tuple[str, str], Verdict] = field(factory=dict)
    refused: tuple[tuple[str, Mismatch], ...] = ()
    accepted: tuple[Mismatch, ...] = ()
    changes: tuple[Change, ...] = ()
    remarks: tuple[str, ...] = ()


def rank(
    runs: Sequence[RunSummary],
    *,
    mounting_height_mm: float | None = None,
    baseline: int | None = 0,
    accept: Collection[str] = (),
    relevant: float = RELEVANT,
) -> Ranking:
    """Put several devices in order of plane efficacy, and say which can be told apart.

    Parameters
    ----------
    runs : sequence of RunSummary
        Two or more; several of one device count as one, see `analysis.devices`.
    mounting_height_mm : float or None
        Height to compare at; None takes each device at its own best, of those that keep the
        limits of its plan (`analysis.own_candidates`). [mm]
    baseline : int or None
        Which device the ratios refer to, in the order in which they occur in `runs`; None takes
        the one with the highest plane efficacy.
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
    devices = devices_of(runs)
    referred = devices[baseline or 0].name
    found = _mismatches(runs)
    refused = tuple(
        (f"{a} and {b}", one)
        for a, b, facts in found.values()
        for one in facts
        if one.name not in accept
    )
    if refused:
        return Ranking(baseline=referred, refused=refused)
    accepted = tuple(dict.fromkeys(one for _, _, facts in found.values() for one in facts))
    remarks = [
        f"Accepted, and not in the ± figures: {one.sentence}."
        for one in accepted
        if one.name not in ("light sensor", "power meter")
    ]
    changes = tuple(one for one in map(change_of, devices) if one is not None)
    changes = tuple(sorted(changes, key=lambda one: not one.is_control))
    remarks += _on_replicates(devices, changes)
    remarks += remarks_on(runs)
    chosen: dict[int, Result] = {}
    allowed: dict[int, Candidates] = {}
    for at, device in enumerate(devices):
        if device.is_control and sum(not one.is_control for one in devices) > 1:
            remarks.append(f"{device.name} is the control reflector and not in the table.")
            continue
        usable, left_out = results(device.whole, device.name)
        remarks += left_out
        if mounting_height_mm is not None:
            usable = tuple(
                one
                for one in usable
                if abs(one.mounting_height_mm - mounting_height_mm) <= SAME_HEIGHT_MM
            )
        elif usable:
            allowed[at] = candidates(device.whole, device.name)
            usable = allowed[at].of(usable)
        if usable:
            chosen[at] = best(usable)
        else:
            where = "" if mounting_height_mm is None else f" at {mounting_height_mm:g} mm"
            remarks.append(f"{device.name} is not in the table: it has no usable map{where}.")
    not_taken = remark_on(one.left_out for one in allowed.values())
    remarks += not_taken
    whole = Ranking(baseline=referred, accepted=accepted, changes=changes, remarks=tuple(remarks))
    if not chosen or (baseline is not None and baseline not in chosen):
        return whole
    own = None
    if mounting_height_mm is None:
        own = own_heights([(devices[at].name, allowed[at].heights) for at in chosen])
    effects = _effects(devices, chosen, changes, own)

    def verdict(i: int, j: int, decided: bool | None = None) -> Verdict:
        return judge(
            devices[i].name,
            chosen[i],
            devices[j].name,
            chosen[j],
            relevant,
            decided=decided,
            effects=effects[i, j],
            at_own=own is not None and (own.is_choice or bool(not_taken)),
            pairs=len(chosen) * (len(chosen) - 1) // 2,
        )

    first = next(iter(chosen))
    to_first = {at: 1.0 if at == first else verdict(first, at).b_to_a for at in chosen}
    order = sorted(chosen, key=lambda at: -to_first[at])
    base = order[0] if baseline is None else baseline
    parted = _holm({pair: verdict(*pair).p_value for pair in combinations(order, 2)})
    letters = _letters(order, parted)
    verdicts = {pair: verdict(*pair, pair in parted) for pair in combinations(order, 2)}
    rows = []
    for at in order:
        against = None
        if at != base:
            decided = (at, base) in parted or (base, at) in parted
            against = verdict(base, at, decided)
        ratio = 1.0 if against is None else against.b_to_a
        rows.append(
            RankingRow(
                name=devices[at].name,
                mounting_height_mm=chosen[at].mounting_height_mm,
                plane_efficacy_umol_j=chosen[at].efficacy_umol_j,
                efficacy_half_width=interval(
                    chosen[at].efficacy_umol_j, chosen[at].sizes
                ).half_width,
                to_baseline=ratio,
                half_width=0.0 if against is None else against.half_width * ratio / against.ratio,
                words="" if against is None else against.words,
                sentence="" if against is None else against.sentence,
                group=letters[at],
            )
        )
    remarks += [
        one.remark for pair in combinations(order, 2) for one in effects[pair] if one.remark
    ]
    return evolve(
        whole,
        baseline=devices[base].name,
        rows=tuple(rows),
        verdicts={(devices[i].name, devices[j].name): one for (i, j), one in verdicts.items()},
        remarks=tuple(dict.fromkeys(remarks)),
    )


def _mismatches(
    runs: Sequence[RunSummary],
) -> dict[Pair, tuple[str, str, tuple[Mismatch, ...]]]:
    """Names, and what is not alike, of each pair of runs; those of one device among them."""
    names = names_of(runs)
    return {
        (i, j): (names[i], names[j], mismatches(runs[i], runs[j], (names[i], names[j])))
        for i, j in combinations(range(len(runs)), 2)
    }


def _on_replicates(devices: Sequence[Device], changes: Sequence[Change]) -> list[str]:
    """What is assumed, or not known, of devices with several runs."""
    said = []
    for device in devices:
        count = len(device.runs)
        if count > 1:
            said.append(f"Each of the {count} runs of {device.name} counts as hung anew.")
            if all(one.name != device.name for one in changes):
                said.append(
                    f"Whether the bench changed between the runs of {device.name} is not known: "
                    "their times are not recorded, or the first and the last have no usable map "
                    "at a common height."
                )
    return said


def _effects(
    devices: Sequence[Device],
    chosen: Mapping[int, Result],
    changes: Sequence[Change],
    own: OwnHeights | None,
) -> dict[Pair, tuple[Effect, ...]]:
    """What stands between each ordered pair of devices beside themselves."""
    held: dict[Pair, tuple[Effect, ...]] = {}
    place = {at: number for number, at in enumerate(chosen)}
    for i, j in permutations(chosen, 2):
        heights = chosen[i].mounting_height_mm, chosen[j].mounting_height_mm
        found = [order_effect(devices[i], devices[j], heights, changes)]
        if own is not None:
            found.append(own.effect(place[i], place[j]))
        held[i, j] = tuple(one for one in found if one is not None)
    return held


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
