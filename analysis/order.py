"""Order effects: did the bench change between the runs, and whose result would that flatter?

Lamp and walls age while devices are measured one after the other. A device that was measured again
shows it: what it changed by from its first run to its last is the bench, not the device. The rule:

- **Bracketed** (A-B-A): if one device of a pair was measured before and after the other, each
  device is taken at its own mean moment, and the other is set against a straight line through
  the first and the last run. Half-way in time, half of the change is taken off.
- **By another device**: a control reflector, or else any device that was measured again, counts
  if it changed by more than its 95 % uncertainty. The share of its change that falls between the
  moments of the two is taken off; one that changed by less is reported and nothing is taken off.
- **What is left** is a term of the ratio: of the straight line, that the bench may have changed at
  any moment between the two runs (a rectangle of half the change to both sides); of the change
  itself, its own uncertainty times the share taken off. If the two were not both measured
  between the two runs that show the change, nothing is taken off and the rectangle is the whole
  change to both sides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from attrs import frozen

from analysis.comparison import judge
from analysis.devices import Device, moment_h
from analysis.digits import duration, percent, signed_percent
from analysis.effects import Effect
from analysis.plane_results import SAME_HEIGHT_MM, results

NAME: Final = "change of the bench between the runs"
LEAST_TOLD: Final = 0.0005
"""Correction below which there is nothing to be said of it. [fraction]"""


@frozen(kw_only=True)
class Change:
    """How the plane efficacy of one device changed from its first run to its last.

    Attributes
    ----------
    name : str
        The device.
    is_control : bool
        Whether it is the control reflector.
    first_h, last_h : float
        Moments of the two runs, since 1970. [h]
    change : float
        Natural logarithm of last over first, mean over the heights that both have.
    standard, half_width : float
        Of `change`: standard uncertainty, and half-width of the 95 % interval.
    """

    name: str
    is_control: bool
    first_h: float
    last_h: float
    change: float
    standard: float
    half_width: float

    @property
    def is_beyond(self) -> bool:
        """Whether it changed by more than its uncertainty."""
        return abs(self.change) > self.half_width

    @property
    def size(self) -> str:
        """The change for people: ``"−3.0 % ± 1.2 %"``."""
        return f"{signed_percent(math.expm1(self.change))} ± {percent(self.half_width)}"

    @property
    def sentence(self) -> str:
        """What is to be said of it with any verdict."""
        who = f"the control reflector {self.name}" if self.is_control else self.name
        said = (
            f"{who[0].upper()}{who[1:]} was measured again: {self.size} from its first run to "
            f"its last, {_apart(self.last_h - self.first_h)} later"
        )
        if self.is_beyond:
            return f"{said}. That is the bench, and is not credited to a device."
        return f"{said}; no more than its uncertainty."


def change_of(device: Device) -> Change | None:
    """Work out how a device changed; None unless two of its runs can be set side by side."""
    moments = [moment_h(run) for run in device.runs]
    if len(moments) < 2 or None in moments:
        return None
    first_h, last_h = moments[0] or 0.0, moments[-1] or 0.0
    if not last_h > first_h:
        return None
    names = (f"{device.name}, first run", f"{device.name}, last run")
    first, last = (
        results(run, name)[0]
        for run, name in zip((device.runs[0], device.runs[-1]), names, strict=True)
    )
    verdicts = [
        judge(names[0], one, names[1], other)
        for one in first
        for other in last
        if abs(one.mounting_height_mm - other.mounting_height_mm) <= SAME_HEIGHT_MM
    ]
    if not verdicts:
        return None
    # Maps of one run share its hanging and its bench: they do not make the mean surer.
    widest = max(verdicts, key=lambda one: one.half_width / one.ratio)
    return Change(
        name=device.name,
        is_control=device.is_control,
        first_h=first_h,
        last_h=last_h,
        change=float(np.mean([math.log(one.b_to_a) for one in verdicts])),
        standard=widest.standard_uncertainty,
        half_width=widest.half_width / widest.ratio,
    )


def mean_moment_h(device: Device, mounting_height_mm: float) -> float | None:
    """Mean moment of a device's usable maps at a height, each hanging counted once. [h]"""
    moments, counts = [], []
    for run in device.runs:
        for one in results(run, device.name)[0]:
            if abs(one.mounting_height_mm - mounting_height_mm) <= SAME_HEIGHT_MM:
                moment = moment_h(run)
                if moment is None:
                    return None
                moments.append(moment)
                counts.append(len(one.efficacies))
    return float(np.average(moments, weights=counts)) if moments else None


def order_effect(
    a: Device, b: Device, height_mm: tuple[float, float], changes: Sequence[Change]
) -> Effect | None:
    """Say what the bench did to the ratio b ÷ a, by the rule of this module.

    Parameters
    ----------
    a, b : Device
        The pair.
    height_mm : tuple of float
        Mounting height of a and of b. [mm]
    changes : sequence of Change
        Of every device that was measured again.

    Returns
    -------
    Effect or None
        None if nothing was measured again, or nothing changed that counts.
    """
    at = [mean_moment_h(one, height) for one, height in zip((a, b), height_mm, strict=True)]
    if None in at:
        return None
    at_a, at_b = at[0] or 0.0, at[1] or 0.0
    own = [
        one
        for one, other_h in ((_of(a, changes), at_b), (_of(b, changes), at_a))
        if one is not None and one.first_h <= other_h <= one.last_h
    ]
    if own:
        return _along_a_line(min(own, key=lambda one: one.standard), a, b, at_b - at_a)
    beyond = sorted((one for one in changes if one.is_beyond), key=lambda one: not one.is_control)
    if not beyond:
        return None
    shown = beyond[0]
    if all(shown.first_h <= moment <= shown.last_h for moment in (at_a, at_b)):
        return _along_a_line(shown, a, b, at_b - at_a)
    return Effect(
        name=NAME,
        change=0.0,
        standard=abs(shown.change) / math.sqrt(3.0),
        source=f"measured: {shown.name}, first and last run",
        remark=f"{a.name} and {b.name} were not both measured between the two runs of "
        f"{shown.name} that show a change of the bench of {shown.size}; all of it, to both sides, "
        "is in the ± figures.",
    )


def _of(device: Device, changes: Sequence[Change]) -> Change | None:
    return next((one for one in changes if one.name == device.name), None)


def _along_a_line(shown: Change, a: Device, b: Device, apart_h: float) -> Effect:
    share = apart_h / (shown.last_h - shown.first_h)
    taken = shown.change * share
    told = f"takes off {percent(abs(math.expm1(taken)))} of their ratio"
    if abs(taken) < LEAST_TOLD:
        told = "leaves their ratio as it is: each mean stands for that moment already"
    return Effect(
        name=NAME,
        change=taken,
        standard=math.hypot(shown.standard * share, abs(shown.change) / 2.0 / math.sqrt(3.0)),
        source=f"measured: {shown.name}, first and last run",
        remark=f"{a.name} and {b.name} are compared as at one moment, on a straight line between "
        f"the first and last run of {shown.name}, which {told}; that the bench may have "
        "changed at any moment between those runs is in the ± figures.",
    )


def _apart(hours: float) -> str:
    return duration(3600.0 * hours) if hours < 48.0 else f"{hours / 24.0:.0f} days"
