"""Scaling to a nominal line voltage: on request only, and only where the run itself shows how.

Light and wall power are each taken to follow the line voltage U by a power of it, beside a steady
change with time:

    ln y = level of the map + b · t + s · ln U

The exponent s is fitted to what was read while the maps were read: for light the visits of the
reference (each map has a level of its own, as height changes it), for power the means over blocks
of a minute. Voltage that did not move shows nothing, so scaling is refused below a span of 2 %,
and where an exponent is not known to 20 %: an electronic ballast that holds the power has none to
scale by.

A map corrected for drift belongs to the mean light of its own windows, and its mean power to the
same; so each is then multiplied by U_nominal^s over the mean of U^s in these windows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from analysis.corrections import Applied
from analysis.digits import fixed, percent, significant
from analysis.line_fit import student_t
from analysis.samples import Readings
from analysis.windows import means_over_windows

Floats = NDArray[np.floating[Any]]
Integers = NDArray[np.int64]

LEAST_SPAN: Final = 0.02
"""Of the block means of the voltage, over their mean. [fraction]"""
LARGEST_DOUBT: Final = 0.20
"""Half-width of the 95 % interval of an exponent over the exponent. [fraction]"""
BLOCK_S: Final = 60.0
"""Power and voltage are means over blocks of at least this, as the lamp trails the mains. [s]"""


@frozen(kw_only=True, eq=False)
class MapSeries:
    """What one map gives to the fit.

    Attributes
    ----------
    begun_s, ended_s : float
        From its first to its last reading. [elapsed s]
    point_start_s, point_end_s, point_duration_s : array, shape (n,)
        From the first to the last reading of each point, and the length of its windows. [s]
    start_s, end_s, light : array, shape (k,)
        Windows and values of the visits of the reference. [s; µmol m⁻² s⁻¹]
    """

    begun_s: float
    ended_s: float
    point_start_s: Floats
    point_end_s: Floats
    point_duration_s: Floats
    start_s: Floats
    end_s: Floats
    light: Floats


@frozen(kw_only=True)
class Exponent:
    """How a quantity follows the line voltage.

    Attributes
    ----------
    value, standard : float
        Exponent and its standard uncertainty. [unitless]
    degrees_of_freedom : float
        Of that; 0 where nothing could be fitted.
    """

    value: float
    standard: float
    degrees_of_freedom: float

    @property
    def half_width(self) -> float:
        """Half-width of its 95 % interval; infinite where nothing could be fitted."""
        if not self.degrees_of_freedom > 0:
            return math.inf
        return student_t(0.975, self.degrees_of_freedom) * self.standard

    @property
    def doubt(self) -> float:
        """Half-width over value. [fraction]"""
        return self.half_width / abs(self.value) if self.value else math.inf


def fit_exponent(moments_s: Floats, volts: Floats, values: Floats, level: Integers) -> Exponent:
    """Fit how a quantity follows the line voltage, after a linear time term.

    Parameters
    ----------
    moments_s, volts, values : array, shape (k,)
        Moment, line voltage and reading, in time order; voltage and reading above 0.
    level : array of int, shape (k,)
        Readings of one level have a constant of their own.

    Returns
    -------
    Exponent
        Where neighbours' residuals go together, there are fewer readings than it seems: their
        number is cut by (1 − r)/(1 + r), r being the correlation of one with the next.
    """
    of_level = (level[:, None] == np.unique(level)[None, :]).astype(float)
    hours = (moments_s - moments_s.mean()) / 3600
    log_u = np.log(volts / volts.mean())
    design = np.column_stack([of_level, hours, log_u])
    count, terms = design.shape
    if count <= terms or np.linalg.matrix_rank(design) < terms:
        return Exponent(value=math.nan, standard=math.inf, degrees_of_freedom=0)
    target = np.log(values)
    found = np.linalg.lstsq(design, target, rcond=None)[0]
    rest = target - design @ found
    variance = float(rest @ rest)
    alike = float(rest[1:] @ rest[:-1]) / variance if variance > 0 else 0.0
    share = (1 - alike) / (1 + alike) if alike > 0 else 1.0
    freedom = max(count * share - terms, 1.0)
    covariance = np.linalg.inv(design.T @ design)[-1, -1]
    standard = math.sqrt(variance / freedom * float(covariance))
    return Exponent(value=float(found[-1]), standard=standard, degrees_of_freedom=freedom)


def scaling(
    nominal_v: float,
    maps: Sequence[MapSeries],
    voltage: Readings,
    power: Readings,
    remarks: list[str],
) -> list[tuple[Applied, ...]] | None:
    """Work out what scales each map to the nominal voltage, or say why it is refused.

    Parameters
    ----------
    nominal_v : float
        [V]
    maps : sequence of MapSeries
        At least one.
    voltage, power : Readings
        Accepted readings of line voltage and wall power.
    remarks : list of str
        Gets the reason of a refusal.

    Returns
    -------
    list of tuple of Applied, or None
        For each map, scaling of light and of power; None if it is refused.
    """
    refused = f"Nothing is scaled to {nominal_v:g} V: "
    blocks = [_blocks(one, voltage, power) for one in maps]
    if not all(map(len, blocks)) or not all(_is_watched(one, voltage) for one in maps):
        remarks.append(
            f"{refused}line voltage and wall power were not both read throughout the maps."
        )
        return None
    all_blocks = np.concatenate(blocks)
    level = np.repeat(np.arange(len(maps)), [len(of_map) for of_map in blocks])
    at_s, volts, watts = all_blocks.T
    span = float(np.ptp(volts) / volts.mean())
    if span < LEAST_SPAN:
        remarks.append(
            f"{refused}means of the line voltage over {BLOCK_S:g} s span {percent(span)}; it takes "
            f"{percent(LEAST_SPAN, 0)} to see how light and power follow it."
        )
        return None
    of_power = fit_exponent(at_s, volts, watts, level)
    of_light = _light_exponent(maps, voltage)
    for name, exponent in (("light", of_light), ("wall power", of_power)):
        if not exponent.doubt <= LARGEST_DOUBT:
            remarks.append(f"{refused}{_too_doubtful(name, exponent)}")
            return None
    lowest, highest = float(volts.min()), float(volts.max())
    if not lowest <= nominal_v <= highest:
        remarks.append(
            f"{nominal_v:g} V lies outside the line voltage of the maps, {fixed(lowest, 1)} to "
            f"{fixed(highest, 1)} V: scaling to it goes beyond what was seen."
        )
    return [
        (
            _applied("light", of_light, nominal_v, one, voltage),
            _applied("power", of_power, nominal_v, one, voltage),
        )
        for one in maps
    ]


def _is_watched(of_map: MapSeries, voltage: Readings) -> bool:
    """Whether the voltage was read in the windows of every point, and these have a length."""
    volts = _means(of_map.point_start_s, of_map.point_end_s, voltage)
    return bool((volts > 0).all() and (of_map.point_duration_s > 0).all() and len(volts))


def _too_doubtful(name: str, exponent: Exponent) -> str:
    if not math.isfinite(exponent.half_width):
        return f"there are too few readings to tell how the {name} follows the line voltage."
    return (
        f"the {name} goes with the line voltage to the power {significant(exponent.value, 2)} ± "
        f"{significant(exponent.half_width, 2)}, known to {percent(exponent.doubt, 0)}, and "
        f"{percent(LARGEST_DOUBT, 0)} is the most that is accepted."
    )


def _blocks(of_map: MapSeries, voltage: Readings, power: Readings) -> Floats:
    """Moment, mean voltage and mean power of each block of a map: shape (k, 3)."""
    count = max(int((of_map.ended_s - of_map.begun_s) // BLOCK_S), 1)
    edges_s = np.linspace(of_map.begun_s, of_map.ended_s, count + 1)
    start_s, end_s = edges_s[:-1], edges_s[1:]
    means = [_means(start_s, end_s, readings) for readings in (voltage, power)]
    table = np.column_stack([(start_s + end_s) / 2, *means])
    return table[(table > 0).all(axis=1)]


def _means(start_s: Floats, end_s: Floats, readings: Readings) -> Floats:
    return means_over_windows(
        start_s, end_s, readings.window_start_s, readings.window_end_s, readings.value
    )


def _light_exponent(maps: Sequence[MapSeries], voltage: Readings) -> Exponent:
    start_s, end_s, light = (
        np.concatenate([getattr(one, name) for one in maps])
        for name in ("start_s", "end_s", "light")
    )
    level = np.repeat(np.arange(len(maps)), [len(one.light) for one in maps])
    volts = _means(start_s, end_s, voltage)
    known = np.isfinite(volts) & (volts > 0) & (light > 0)
    if not known.any():
        return Exponent(value=math.nan, standard=math.inf, degrees_of_freedom=0)
    return fit_exponent(((start_s + end_s) / 2)[known], volts[known], light[known], level[known])


def _applied(
    on: str, exponent: Exponent, nominal_v: float, of_map: MapSeries, voltage: Readings
) -> Applied:
    volts = _means(of_map.point_start_s, of_map.point_end_s, voltage)
    weight = of_map.point_duration_s
    of_mean = float(np.average((volts / nominal_v) ** exponent.value, weights=weight))
    mean_v = float(np.average(volts, weights=weight))
    return Applied(
        name="nominal line voltage",
        on=on,
        factor=1 / of_mean,
        source=f"fitted to this run: {on} follows the line voltage to the power "
        f"{significant(exponent.value, 3)} ± {significant(exponent.half_width, 2)}; mean "
        f"{fixed(mean_v, 1)} V",
        setting=f"to {nominal_v:g} V",
        uncertainty=abs(math.log(mean_v / nominal_v)) * exponent.standard,
        mark=f"scaled to a line voltage of {nominal_v:g} V",
    )
