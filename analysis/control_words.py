"""What the control reflector says of the bench, in sentences for people.

The chart judges plane efficacy, which takes the mains out; mean PPFD beside it tells whether wall
power went along.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from analysis.control_chart import DAYS_PER_MONTH, LEAST_RESULTS, ControlChart
from analysis.control_runs import ControlHistory, Epoch, HeightChart, unlike
from analysis.devices import devices_of, moment_h
from analysis.digits import percent
from analysis.results import RunSummary

_OF_THE_MAP = ("grid", "height axis")
"""Facts that two maps may differ in while the bench is the same."""


def verdicts(epoch: Epoch) -> tuple[str, ...]:
    """Say for each mounting height whether the bench is steady."""
    if not epoch.charts:
        return (f"The control reflector {epoch.control} has no usable map yet.",)
    return tuple(_verdict(chart) for chart in epoch.charts)


def began(epoch: Epoch) -> str:
    """Say why a new chart begins; empty for the first."""
    if not epoch.changes:
        return ""
    reasons = "; ".join(one.sentence for one in epoch.changes)
    return f"A new chart begins, because the bench is another: {reasons}."


def silent(epoch: Epoch) -> str:
    """Name the facts that the runs do not state; empty if they state all."""
    if not epoch.silent:
        return ""
    return (
        f"Not stated in the newest of these runs: {', '.join(epoch.silent)}. A change there would "
        "look like a change of the bench, or not show at all."
    )


def calibrated(epoch: Epoch) -> tuple[str, ...]:
    """Name the calibrations in the course of an epoch: a step there is no change of the bench."""
    told = []
    for before, after in pairwise(epoch.runs):
        for name in ("light_sensor", "power_meter"):
            then, now = (_calibration(run, name) for run in (before, after))
            if then and now and then != now:
                told.append(
                    f"The {name.replace('_', ' ')} was calibrated anew on {now}, between "
                    f"{before.run_name} and {after.run_name}: a step there may be that."
                )
    return tuple(told)


def _calibration(run: RunSummary, name: str) -> str:
    found = (one.get("calibrated_on") for one in run.instruments if one.get("name") == name)
    return str(next(found, None) or "")


def bench_between(history: ControlHistory, runs: Sequence[RunSummary]) -> tuple[str, ...]:
    """Say how the bench changed while these runs were compared; none if the lab has no control.

    Parameters
    ----------
    history : ControlHistory
        Of the lab that the runs lie in.
    runs : sequence of RunSummary
        Those compared.
    """
    if not history.epochs:
        return ()
    moments_h = [moment for run in runs if (moment := moment_h(run)) is not None]
    alike = [epoch for epoch in history.epochs if all(_same_bench(epoch, run) for run in runs)]
    charts = [chart for epoch in alike for chart in epoch.charts]
    if not moments_h or not charts:
        return (
            "The lab keeps a control reflector, but no run of it with the lamp, the walls and the "
            "instruments of these runs: whether the bench changed between them is not known.",
        )
    chart = max(charts, key=lambda one: len(one.results))
    days = (max(moments_h) - min(moments_h)) / 24.0
    # A device that was measured again shows the bench among these very runs (`analysis.order`).
    return (_between(chart, days, is_seen=len(devices_of(runs)) < len(runs)),)


def _same_bench(epoch: Epoch, run: RunSummary) -> bool:
    return bool(epoch.runs) and all(
        one.name in _OF_THE_MAP for one in unlike(epoch.runs[0], run, ("", ""))
    )


def _between(chart: HeightChart, days: float, *, is_seen: bool) -> str:
    of = f"the control reflector {chart.control} at {chart.mounting_height_mm:g} mm"
    efficacy, count = chart.efficacy, len(chart.results)
    if efficacy.fading_per_month is None or efficacy.fading_half_width is None:
        return (
            f"Whether the bench changed between these runs is not known: there are {count} results "
            f"of {of}, and {LEAST_RESULTS} are needed."
        )
    months = days / DAYS_PER_MONTH
    slope, half = efficacy.fading_per_month * months, efficacy.fading_half_width * months
    span = f"over the {days:.0f} days of these runs" if days >= 1 else "within the day"
    if efficacy.is_fading:
        told = (
            "It is not credited to a device."
            if is_seen
            else "That is the bench and no device; it is still in the ratios of these runs. "
            "Compared together with runs of the control reflector from before and after, it is "
            "taken off as far as they show it."
        )
        return (
            f"The bench {_moved(efficacy)} a month, by {percent(abs(slope), _digits(half))} ± "
            f"{percent(half, _digits(half))} "
            f"{span} ({count} results of {of}). {told}"
        )
    return (
        f"The bench is steady over {count} results of {of}: {span} it changed by no more than "
        f"{percent(abs(slope) + half)}."
    )


def _moved(chart: ControlChart) -> str:
    slope = chart.fading_per_month or 0.0
    verb = "has faded" if slope < 0 else "has become brighter"
    half = chart.fading_half_width or 0.0
    return f"{verb} by {percent(abs(slope), _digits(half))} ± {percent(half, _digits(half))}"


def _digits(half_width: float) -> int:
    """Decimals of the per cent of a half-width, and of what it belongs to: it is never nought."""
    return 1 if half_width >= 0.0005 else 2


def _verdict(chart: HeightChart) -> str:
    count = len(chart.results)
    first, last = (f"{one.begun_utc:%Y-%m-%d}" for one in (chart.results[0], chart.results[-1]))
    of = (
        f"control reflector {chart.control} at {chart.mounting_height_mm:g} mm, {count} "
        f"result{'s' if count != 1 else ''}"
    )
    of += f" of {first}" if first == last else f" from {first} to {last}"
    if count < LEAST_RESULTS:
        return f"Not decided whether the bench is steady: {of}; {LEAST_RESULTS} are needed."
    if chart.efficacy.is_fading:
        return (
            f"The bench {_moved(chart.efficacy)} per month ({of}). It is not credited to a device: "
            "look at walls, lamp and sensor."
        )
    if chart.mean.is_fading:
        return (
            f"The light {_moved(chart.mean)} per month, and wall power with it, so that plane "
            f"efficacy is steady ({of}): look at mains and ballast."
        )
    if odd := len({signal.at for signal in chart.efficacy.signals}):
        return (
            f"{odd} of {count} results {'is' if odd == 1 else 'are'} out of the ordinary ({of}): "
            "look at the bench before comparing across them."
        )
    return f"The bench is steady ({of})."
