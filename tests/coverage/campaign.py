"""Do the 95 % intervals hold the truth 95 times in 100? A thousand benches say.

    python -m tests.coverage.campaign --benches 1000 --processes 2

Each bench errs as `benches.toml` says, reads two devices through the real analysis, and is asked
whether its intervals hold what was true. Bounds are exact binomial ones (Clopper and Pearson).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from typing import Any

import numpy as np
from scipy.stats import binomtest

from analysis.comparison import MORE, judge
from analysis.declared import Declared, declared_of
from analysis.plane_results import Result
from analysis.uncertainty import Interval, efficacy_sizes, evaluate
from drivers.simulated.scenario import Area, Device, Distribution
from tests.coverage.bench import Bench, Reading
from tests.coverage.fields import Field, fields_of, room_with_devices

ROOMS = 40
BENCHES_PER_ROOM = 25
CONFIDENCE = 0.999


@cache
def _room(number: int) -> list[Field]:
    return room_with_devices(1000 + number, points=9 if number % 2 else 8)


@cache
def _equal_pair() -> list[Field]:
    """Two devices of equal delivered flux and as different angular spread as reflectors are."""
    area = Area(
        width_mm=1200.0,
        depth_mm=1200.0,
        wall_height_mm=1100.0,
        wall_reflectance=(0.85,) * 4,
        floor_reflectance=0.25,
        above="open",
    )
    devices = [
        Device(
            name=name,
            efficiency=0.8,
            aperture_x_mm=size,
            aperture_y_mm=size,
            distribution=Distribution(exponent_x=exponent, exponent_y=exponent),
        )
        for name, size, exponent in (("narrow", 250.0, 3.0), ("wide", 500.0, 0.8))
    ]
    return fields_of(area, devices, 400.0, 9)


def declared(**stated: float) -> Declared:
    """What the owner of such a bench declares: the classes of `benches.toml`, all defaults."""
    return declared_of({"stage": {}, "uncertainty": stated}, {})


def result(readings: list[Reading]) -> Result:
    """Plane efficacy of one device over its hangings."""
    efficacies = tuple(float(one.map_.stated_efficacy_umol_j or 0.0) for one in readings)
    sizes: dict[Any, float] = {}
    for one in readings:
        for cause, size in efficacy_sizes(one.budget).items():
            sizes[cause] = sizes.get(cause, 0.0) + size / len(readings)
    return Result(
        mounting_height_mm=float(readings[0].map_.mounting_height_mm or 0.0),
        efficacy_umol_j=float(np.mean(efficacies)),
        efficacies=efficacies,
        sizes=sizes,
        reinstallation=readings[0].budget.reinstallation,
        reinstallation_source="",
    )


def holds(interval: Interval | None, truth: float) -> bool:
    return interval is not None and interval.low <= truth <= interval.high


def pair(
    fields: list[Field],
    bench: Bench,
    stated: Declared,
    *,
    hangings: int = 1,
    ratio: float = 1.0,
    known: bool = True,
) -> tuple[list[list[Reading]], bool, bool, float]:
    """Read two devices whose true efficacies stand in a given ratio.

    Returns
    -------
    readings, whether the interval of the ratio holds it, whether the verdict is "more", half-width
    """
    level = fields[0].share / fields[1].share * ratio
    read = [
        [bench.read(field, name, stated, flux=flux, known=known) for _ in range(hangings)]
        for field, name, flux in zip(fields[:2], "ab", (1.0, level), strict=True)
    ]
    verdict = judge("a", result(read[0]), "b", result(read[1]))
    reach = verdict.half_width / verdict.ratio
    covered = abs(verdict.b_to_a / ratio - 1) <= reach
    return read, covered, verdict.words == MORE, reach


def one_bench(seed: int) -> dict[str, float]:
    """Everything that one bench is asked; 1 for yes."""
    fields = _room((seed // BENCHES_PER_ROOM) % ROOMS)
    stated = declared()
    bench = Bench.draw(seed)
    read, covered, more, reach = pair(fields, bench, stated)
    first, field = read[0][0], fields[0]
    found = evaluate(first.budget)
    area = field.grid.area_m2
    answers = {
        "delivered flux": holds(found.delivered_flux_umol_s, first.true_flux),
        "mean PPFD": holds(found.mean_ppfd_umol_m2_s, first.true_flux / area),
        "plane efficacy": holds(found.plane_efficacy_umol_j, first.true_efficacy),
        "coefficient of variation": holds(found.coefficient_of_variation, field.variation),
        "min/mean": holds(found.min_to_mean, field.min_to_mean),
        "ratio": covered,
        "false difference": more,
        "ratio half-width %": 100 * reach,
    }
    _, covered, more, _ = pair(fields, Bench.draw(seed + 10**6), stated, known=False)
    answers["ratio, angles not known"] = covered
    answers["false difference, angles not known"] = more
    _, covered, more, _ = pair(fields, Bench.draw(seed + 2 * 10**6), stated, hangings=3)
    answers["ratio, three hangings"] = covered
    answers["false difference, three hangings"] = more
    _, covered, _, _ = pair(_equal_pair(), Bench.draw(seed + 3 * 10**6), stated, known=False)
    answers["ratio 1, other spread"] = covered
    fine = {"installation": {"flux_sd_percent": 0.4}}
    well = declared(reinstallation_percent=0.4)
    _, _, more, reach = pair(fields, Bench.draw(seed + 4 * 10**6, fine), well, ratio=1.03)
    answers["3 % found"] = more
    answers["its half-width %"] = 100 * reach
    return {name: float(value) for name, value in answers.items()}


def run(seeds: Iterable[int], processes: int = 1) -> dict[str, np.ndarray]:
    """Ask many benches; answers by question, in the order of the seeds."""
    listed = list(seeds)
    if processes > 1:
        with ProcessPoolExecutor(processes) as pool:
            found = list(pool.map(one_bench, listed, chunksize=BENCHES_PER_ROOM))
    else:
        found = [one_bench(seed) for seed in listed]
    return {name: np.array([one[name] for one in found]) for name in found[0]}


def main(arguments: list[str] | None = None) -> int:
    """Print a table of all questions."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=1000)
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args(arguments)
    found = run(range(options.benches), options.processes)
    for name, answers in found.items():
        if "half-width" in name:
            print(f"{name:40} {answers.mean():6.2f}   {answers.min():.2f} to {answers.max():.2f}")
            continue
        count = int(answers.sum())
        bound = binomtest(count, len(answers)).proportion_ci(0.95, method="exact")
        print(f"{name:40} {100 * count / len(answers):6.1f} %  {bound.low:.3f} to {bound.high:.3f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
