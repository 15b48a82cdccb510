"""What a run says about its mounting height, in plain sentences: the verdict first."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from attrs import frozen

from analysis.digits import EFFICACY_UNIT, FLUX_UNIT, PPFD_UNIT, fixed, percent, significant
from analysis.height_curves import Curve, allowance
from analysis.height_limits import (
    CLEARANCE,
    HOT_SPOTS,
    MEAN,
    MIN_TO_MEAN,
    PEAK,
    Limit,
    Span,
    value_at,
)
from analysis.heights import Heights, NoHeights
from analysis.next_height import LEAST_GAIN
from analysis.report.sentences import listed

WORTH_SAYING_MM: Final = 5.0
"""A range of heights narrower than this is not spoken of. [mm]"""
LIMIT_KEYS: Final = "peak_ppfd_umol_m2_s, mean_ppfd_umol_m2_s or minimum_to_mean"


@frozen(kw_only=True)
class HeightRow:
    """One line of the table: a height and the five figures there, each with its 95 % interval.

    `label` tells what the height is; `cells` are texts in the order of `HEADINGS`.
    """

    height: str
    label: str
    cells: tuple[str, ...]


HEADINGS: Final = (
    ("plane efficacy", EFFICACY_UNIT),
    ("delivered flux", FLUX_UNIT),
    ("mean PPFD", PPFD_UNIT),
    ("peak PPFD", PPFD_UNIT),
    ("min/mean", ""),
)


def name_of(limit: Limit) -> str:
    """Name a limit: "peak PPFD at most 1500 µmol m⁻² s⁻¹"."""
    return {
        PEAK: f"peak PPFD at most {limit.wanted:g} {PPFD_UNIT}",
        MEAN: f"mean PPFD at least {limit.wanted:g} {PPFD_UNIT}",
        MIN_TO_MEAN: f"min/mean at least {limit.wanted:g}",
        HOT_SPOTS: "no hot spot",
        CLEARANCE: f"clearance of {limit.wanted:g} mm",
    }[limit.key]


def verdict(found: Heights | NoHeights) -> str:
    """Say in one sentence how low the device may hang, or why that is not known."""
    if isinstance(found, NoHeights):
        return f"How low {found.device} may hang is not known: no map of this run can be used."
    answer = found.answer
    if answer.lowest_mm is None or answer.highest_mm is None:
        return _none(found)
    decides = answer.binding is not None or answer.ending is not None or answer.is_only_highest
    if not found.has_light_limit and not decides:
        return (
            f"How low {found.device} may hang is not decided: the plan states no limit for the "
            f"light ({LIMIT_KEYS} in its section [limits])."
        )
    aside = "Leaving aside the hot spots, which are seen at every height measured, "
    opening = aside if found.leaves_spots_aside else ""
    low, high = _up(answer.lowest_mm), _down(answer.highest_mm)
    if float(high) < float(low):  # less than a millimetre between them
        low, high = f"{answer.lowest_mm:.1f}", f"{answer.highest_mm:.1f}"
    above = "" if answer.ending is None else _short_of(answer.ending)
    if answer.goes_beyond_below:
        only = found.range_mm[0] == found.range_mm[1]
        sentence = (
            f"{found.device} holds every limit at {low} mm, the {'only' if only else 'lowest'} "
            "height measured, so the lowest it may hang lies at or beyond the range measured."
        )
        if above:
            sentence += f" Above {high} mm {above}."
        return _capital(opening + sentence)
    if answer.is_only_highest:
        return _capital(
            f"{opening}{found.device} holds every limit only at {low} mm, the highest height "
            "measured, so the lowest it may hang lies at or beyond the range measured."
        )
    assert answer.binding is not None
    if answer.binding.key == CLEARANCE:
        lit = "and every limit of the light holds there"
        if not found.has_light_limit:
            lit = "the plan states no limit for the light"
        why = f"that is its clearance, {lit}"
    else:
        why = f"below that {_short_of(answer.binding)}"
    if above:
        hang = f"hang {found.device} between {low} and {high} mm: {why}; above it {above}."
    else:
        measured = f"measured up to {found.range_mm[1]:g} mm"
        hang = f"hang {found.device} at {low} mm or higher ({measured}): {why}."
    return _capital(opening + hang)


def _short_of(limit: Limit) -> str:
    return {
        PEAK: f"the peak PPFD may pass {limit.wanted:g} {PPFD_UNIT}",
        MEAN: f"the mean PPFD may fall short of {limit.wanted:g} {PPFD_UNIT}",
        MIN_TO_MEAN: f"min/mean may fall short of {limit.wanted:g}",
        HOT_SPOTS: "there are hot spots",
    }[limit.key]


def _none(found: Heights) -> str:
    low, high = (f"{value:g}" for value in found.range_mm)
    where = f"No height from {low} to {high} mm holds every limit"
    if low == high:
        where = f"At {low} mm, the only height measured, not every limit holds"
    if not found.answer.failing:
        parts = [
            f"{name_of(limit)} is sure {_spans(limit.holds_mm)}"
            for limit in found.limits
            if limit.holds_mm != (found.range_mm,)
        ]
        return f"{where} for {found.device} at once: {listed(parts)}."
    reasons = [_failing(limit) for limit in found.answer.failing]
    everywhere = " at each of them" if low != high else ""
    return f"{where} for {found.device}: {listed(reasons)}{everywhere}."


def _failing(limit: Limit) -> str:
    """Say how a limit fails at every height: surely, or as far as can be told."""
    sure = not limit.possible_mm
    passes, falls = ("passes", "falls") if sure else ("may pass", "may fall")
    return {
        PEAK: f"the peak PPFD {passes} {limit.wanted:g} {PPFD_UNIT}",
        MEAN: f"the mean PPFD {falls} short of {limit.wanted:g} {PPFD_UNIT}",
        MIN_TO_MEAN: f"min/mean {falls} short of {limit.wanted:g}",
        HOT_SPOTS: "there are hot spots",
        CLEARANCE: f"its clearance of {limit.wanted:g} mm lies above all of them",
    }[limit.key]


def sentences(found: Heights | NoHeights) -> list[str]:
    """Say what stands behind the verdict, and what would better it."""
    if isinstance(found, NoHeights):
        return list(found.left_out)
    said = [
        *_undecided(found),
        *_next(found),
        *_price_of_height(found),
        *_between_points(found),
        *_between_planes(found),
        *_planes(found),
    ]
    temperature = found.plane_temperature
    if temperature is None:
        said.append("Radiant heat not measured.")
    else:
        said.append(
            f"Radiant heat not measured; a temperature was logged at the plane: mean "
            f"{fixed(temperature.mean, 1)} °C, highest {fixed(temperature.maximum, 1)} °C."
        )
    return [*said, *found.left_out]


def _undecided(found: Heights) -> list[str]:
    answer = found.answer
    said: list[str] = []
    if answer.lowest_mm is None:
        return said
    if answer.undecided_mm is not None and answer.binding is not None:
        low, high = answer.undecided_mm
        if high - low >= 1:
            begin = f"From {_up(low)}"
            if low <= found.range_mm[0] + 0.5:
                begin = f"From {found.range_mm[0]:g} mm, the lowest height measured, or lower"
            said.append(
                f"{begin} to {_up(high)} mm it is not decided whether this limit holds: "
                f"{name_of(answer.binding)}."
            )
    if answer.has_more:
        said.append("Every limit holds again further up, beyond heights at which one does not.")
    if found.flux_alike_mm is not None:
        low, high = found.flux_alike_mm
        if high - low >= WORTH_SAYING_MM and found.range_mm[1] > found.range_mm[0]:
            said.append(
                f"From {_up(low)} to {_down(high)} mm the delivered flux cannot be told from that "
                f"at {_up(answer.lowest_mm)} mm."
            )
    return said


def _price_of_height(found: Heights) -> list[str]:
    """What hanging higher costs; known better than either flux, for both share their errors."""
    low, high = found.range_mm
    if high <= low:
        return []
    flux = found.curves.flux
    change = float(flux.value[-1] / flux.value[0]) - 1
    least, most = np.quantile(flux.draws[:, -1] / flux.draws[:, 0] - 1, (0.025, 0.975))
    half = float(most - least) / 2
    span = f"From {low:g} to {high:g} mm the delivered flux"
    if abs(change) <= half:
        return [f"{span} does not change measurably ({percent(half)} would have been seen)."]
    way = "falls" if change < 0 else "rises"
    return [
        f"{span} {way} by {percent(abs(change))} ± {percent(half)}, what both heights share taken "
        "out."
    ]


def _next(found: Heights) -> list[str]:
    proposed = found.next_height
    if proposed is None:
        if found.widest_gain is None:
            return []
        return [
            f"No further height would narrow the answer by {percent(LEAST_GAIN, 0)} or more: what "
            "all heights share, calibration above all, decides."
        ]
    at = f"Next height worth measuring: {proposed.mounting_height_mm:g} mm"
    if proposed.narrows is not None:
        return [
            f"{at}; it should narrow the range not decided by some {percent(proposed.narrows, 0)}."
        ]
    if proposed.where == "between":
        return [f"{at}, where hot spots were only looked for on a map between those measured."]
    return [f"{at}, {proposed.where} the range measured."]


def _between_points(found: Heights) -> list[str]:
    curves = found.curves
    said = []
    if not found.spots_judged:
        said.append("Hot spots are not judged: the grid has too few points for it.")
    if not curves.knows_between:
        return [*said, "The peak is that of the points: what lies between them is not known."]
    at = found.answer.lowest_mm or found.range_mm[0]
    least, most = (100 * value_at(curves, along, at) for along in curves.peak_missed)
    if most >= 0.05:
        said.append(
            f"The peak counts what may lie between the points: {fixed(least, 1)} to "
            f"{fixed(most, 1)} % above the highest point at {_up(at)} mm, from the bend of the "
            "light around it."
        )
    return said


def _between_planes(found: Heights) -> list[str]:
    curves, at = found.curves, found.answer.lowest_mm
    if at is None or len(curves.planes_mm) < 2:
        return []
    most = allowance(curves, at)
    if most < 0.0005:
        return []
    basis = (
        "declared, for with two heights nothing shows how the light bends between them"
        if curves.curvature_is_declared
        else "from leaving each inner height out in turn"
    )
    return [f"Between heights measured, ± {percent(most)} is allowed for interpolation ({basis})."]


def _planes(found: Heights) -> list[str]:
    several = [
        f"{height_mm:g} mm of {count}"
        for height_mm, count in zip(found.curves.planes_mm, found.installations, strict=True)
        if count > 1
    ]
    said = [f"Mean of several installations: {listed(several)}."] if several else []
    if found.curves.efficacy is None:
        said.append("Plane efficacy is not stated: not every height used has a wall power.")
    return said


def rows(found: Heights) -> list[HeightRow]:
    """Make the table of the heights measured, the answer among them."""
    curves = found.curves
    at = {float(height_mm): "measured" for height_mm in curves.planes_mm}
    answer_mm = found.answer.lowest_mm
    if answer_mm is not None and found.answer.binding is not None:
        near = [height_mm for height_mm in at if abs(height_mm - answer_mm) < 0.5]
        at[near[0] if near else answer_mm] = "measured, lowest" if near else "lowest"
    # Digits after the point; fewer than the interval would be lost, more would mean nothing.
    quantities = (
        (curves.efficacy, 2),
        (curves.flux, 0),
        (curves.mean, 0),
        (curves.peak, 0),
        (curves.min_to_mean, 3),
    )
    return [
        HeightRow(
            height=_up(height_mm) if "lowest" in label else f"{height_mm:g}",
            label=label,
            cells=tuple(_cell(found, curve, places, height_mm) for curve, places in quantities),
        )
        for height_mm, label in sorted(at.items())
    ]


def _cell(found: Heights, curve: Curve | None, places: int, height_mm: float) -> str:
    if curve is None:
        return "–"
    value, low, high = (
        value_at(found.curves, along, height_mm)
        for along in (curve.value, curve.quantile(0.025), curve.quantile(0.975))
    )
    return f"{fixed(value, places)} ± {fixed((high - low) / 2, places)}"


def where_holds(found: Heights, limit: Limit) -> str:
    """Say at which of the heights measured a limit holds: "from 472 mm up"."""
    if limit.holds_mm == (found.range_mm,):
        return "throughout"
    if not limit.holds_mm:
        return "nowhere" if not limit.possible_mm else "not decided anywhere"
    return _spans(limit.holds_mm)


def _spans(spans: tuple[Span, ...]) -> str:
    return listed([f"from {_up(low)} to {_down(high)} mm" for low, high in spans])


def _up(height_mm: float) -> str:
    """Round up to whole millimetres: the device never hangs lower than is sure."""
    return f"{math.ceil(height_mm - 1e-6):d}"


def _down(height_mm: float) -> str:
    return f"{math.floor(height_mm + 1e-6):d}"


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def alt_text(found: Heights) -> str:
    """Say what the figure shows to whoever cannot see it."""
    curves = found.curves
    ends = [
        f"{name} from {significant(float(curve.value[0]))} to {significant(float(curve.value[-1]))}"
        for name, curve in (
            ("peak PPFD", curves.peak),
            ("mean PPFD", curves.mean),
            ("min/mean", curves.min_to_mean),
        )
        if np.isfinite(curve.value).all()
    ]
    low, high = (f"{value:g}" for value in found.range_mm)
    return f"Curves against mounting height from {low} to {high} mm: {', '.join(ends)}"
