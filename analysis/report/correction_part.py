"""What a report says about corrections: the table of what was applied, and the marks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import frozen

from analysis.corrections import LIGHT_ORDER, POWER_ORDER, Applied
from analysis.digits import MISSING, PPFD_UNIT, THIN, fixed, percent, significant
from analysis.report import sentences
from analysis.report.tables import MARK
from analysis.results import MapSummary, RunSummary


@frozen(kw_only=True)
class CorrectionLine:
    """One correction of a run: what it did to each map, and where its figures come from."""

    name: str
    on: str
    done: tuple[str, ...]
    source: str
    uncertainty: str


def correction_lines(run: RunSummary) -> list[CorrectionLine]:
    """List the corrections of a run in their order, one text for each map."""
    lines = []
    for on, order in (("light", LIGHT_ORDER), ("power", POWER_ORDER)):
        for name in order:
            of_maps = [_of(map_, name, on) for map_ in run.maps]
            applied = [one for one in of_maps if one is not None]
            if not applied:
                continue
            known = [one.uncertainty for one in applied if one.uncertainty is not None]
            lines.append(
                CorrectionLine(
                    name=name,
                    on="light" if on == "light" else "wall power",
                    done=tuple("–" if one is None else _done(one) for one in of_maps),
                    source="; ".join(dict.fromkeys(one.source for one in applied)),
                    uncertainty=percent(max(known), 2) if known else MISSING,
                )
            )
    return lines


def _of(map_: MapSummary, name: str, on: str) -> Applied | None:
    return next((one for one in map_.corrections if one.name == name and one.on == on), None)


def _done(one: Applied) -> str:
    parts = []
    if np.any(np.asarray(one.factor) != 1):
        parts.append(f"× {_range(one.factor, 4)}")
    if np.any(np.asarray(one.offset) != 0):
        unit = PPFD_UNIT if one.on == "light" else "W"
        parts.append(f"{'+' if np.nanmin(one.offset) > 0 else ''}{_range(one.offset, None)} {unit}")
    return ", ".join(parts) or "no change"


def _range(values: object, decimals: int | None) -> str:
    """Write a number, or the extremes of several."""

    def write(value: float) -> str:
        return significant(value, 3) if decimals is None else fixed(value, decimals)

    every = np.atleast_1d(np.asarray(values, dtype=float))
    low, high = write(float(np.nanmin(every))), write(float(np.nanmax(every)))
    return low if low == high else f"{low} to {high}"


def mark_notes(runs: Sequence[RunSummary]) -> list[str]:
    """Say of each marked map what its mark means; empty where no map is marked."""
    found = []
    for mark in dict.fromkeys(mark for run in runs for mark in run.marks):
        marked = [sentences.device(run) for run in runs if mark in run.marks]
        found.append(f"{MARK}{THIN}{mark}: {sentences.listed(list(dict.fromkeys(marked)))}.")
    return found
