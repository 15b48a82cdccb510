"""The budget of a whole map against an independent engine of uncertainty.

GTC 1.5.1 (Measurement Standards Laboratory of New Zealand, MIT licence) differentiates a
calculation automatically, keeps track of inputs that two results share, and works out effective
degrees of freedom by itself. Here it is given the causes of a budget and the plain formulas of
delivered flux, mean, plane efficacy and coefficient of variation, and none of our sensitivities of
sums: those it has to find. Standard uncertainties and degrees of freedom must be the same.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from GTC import core

from analysis import budget as ratios
from analysis.causes import Budget, Influence
from analysis.monte_carlo import draw_together
from analysis.run_folder import DESCRIPTOR, RIG, load
from analysis.summary import summarise
from analysis.uncertainty import efficacy_sizes, evaluate, ratio_terms
from tests.synthetic_run import lambertian, plan, write_run


class Rebuilt:
    """One map as GTC sees it: uncertain cells, wall power and totals.

    Parameters
    ----------
    budget : Budget
        Values, causes, and what each does to one cell.
    known : dict
        Variables of the causes so far, by key; those that another map shares stand in it.
    """

    def __init__(self, budget: Budget, known: dict[str, list[Any]]) -> None:
        count = len(budget.ppfd)
        light = [core.constant(1.0)] * count
        in_efficacy = [core.constant(1.0)] * count
        total = core.constant(1.0)
        power = core.constant(1.0)
        left = core.constant(1.0)
        # What rests on one estimate of a size has its degrees of freedom once: an ensemble, in
        # GTC's words. That holds for the cells of one cause, and for causes of one estimate.
        ensembles: dict[str, list[Influence]] = {}
        for one in budget.influences:
            if one.is_per_cell or one.cause.estimate:
                ensembles.setdefault(one.cause.estimate or one.cause.key, []).append(one)
        for together in ensembles.values():
            sizes = [count if one.is_per_cell else 1 for one in together]
            freedom = together[0].cause.degrees_of_freedom
            made = iter(core.multiple_ureal([0.0] * sum(sizes), [1.0] * sum(sizes), freedom))
            for one, size in zip(together, sizes, strict=True):
                assert one.cause.key not in known
                known[one.cause.key] = [next(made) for _ in range(size)]
        for one in budget.influences:
            freedom = one.cause.degrees_of_freedom
            if one.is_per_cell:
                variables = known[one.cause.key]
            else:
                if one.cause.key not in known:
                    known[one.cause.key] = [core.ureal(0.0, 1.0, freedom, label=one.cause.key)]
                variables = known[one.cause.key] * count
                total += one.total * variables[0]
                power += one.power * variables[0]
                left += one.efficacy * variables[0]
            moves = [float(size) * x for size, x in zip(one.light, variables, strict=True)]
            light = [held + move for held, move in zip(light, moves, strict=True)]
            if one.is_in_efficacy:
                in_efficacy = [held + move for held, move in zip(in_efficacy, moves, strict=True)]
        areas = [float(area) for area in budget.weights_m2]
        read = [float(value) for value in budget.ppfd]
        cells = [value * factor for value, factor in zip(read, light, strict=True)]
        self.cells = cells
        self.flux = _sum(areas, cells) * total
        self.mean = self.flux / math.fsum(areas)
        centre = _sum(areas, cells) / math.fsum(areas)
        square = _sum(areas, [(cell - centre) ** 2 for cell in cells]) / math.fsum(areas)
        self.variation = core.sqrt(square) / centre
        synchronous = [value * factor for value, factor in zip(read, in_efficacy, strict=True)]
        on_plane = _sum(areas, synchronous) / math.fsum(
            area * value for area, value in zip(areas, read, strict=True)
        )
        self.efficacy = budget.plane_efficacy_umol_j * on_plane * total * left / power


def _sum(areas, values):
    return sum(
        (area * value for area, value in zip(areas, values, strict=True)), core.constant(0.0)
    )


INSTRUMENTS = [
    {"name": "light_sensor", "kind": "sdi12-quantum-sensor", "serial_number": "Q-1"},
    {"name": "power_meter", "kind": "modbus-power-meter", "serial_number": "M-1"},
]


def mounded(x_mm, y_mm, height_mm):
    """A flatter light than the one of a point, from no lamp in particular."""
    return 420.0 * (1 - 0.3 * ((x_mm - 650) / 1200) ** 2 - 0.4 * ((y_mm - 560) / 1200) ** 2)


def budget_of_run(folder: Path, field) -> Budget:
    """Budget of one map with noise, drift, dark points, a reference, and known instruments."""
    path = write_run(
        folder,
        plan=plan(
            grid={"rows": 6, "columns": 6},
            sampling={"samples_per_point": 2, "reference_every": 6, "quick_look": False},
        ),
        field=field,
        dark=lambda x, y: 0.5 + 0.0004 * x,
        noise=0.004,
        power_noise=0.002,
        light_drift=lambda t_s: 1 - 2e-5 * t_s,
        warm_up_s=0.0,
        seed=len(folder.name),
    )
    descriptor = json.loads((path / DESCRIPTOR).read_text())
    descriptor["evenfall"]["instruments"] = INSTRUMENTS
    (path / DESCRIPTOR).write_text(json.dumps(descriptor))
    (path / RIG).write_text('format = 1\nname = "bench 1"\n')
    found = summarise(load(path)).maps[0].budget
    assert found is not None
    return found


@pytest.fixture(scope="module")
def budgets(tmp_path_factory) -> tuple[Budget, Budget]:
    folder = tmp_path_factory.mktemp("runs")
    return (
        budget_of_run(folder / "first", lambertian),
        budget_of_run(folder / "second one", mounded),
    )


@pytest.fixture(scope="module")
def rebuilt(budgets) -> tuple[Rebuilt, Rebuilt]:
    known: dict[str, list[Any]] = {}
    a, b = budgets
    return Rebuilt(a, known), Rebuilt(b, known)


def same(ours, theirs) -> None:
    assert theirs.x == pytest.approx(ours.value, rel=1e-9)
    assert ours.standard == pytest.approx(theirs.u, rel=1e-6)
    assert ours.degrees_of_freedom == pytest.approx(theirs.df, rel=1e-6)


def test_these_budgets_hold_what_the_check_needs(budgets):
    # Measured causes with few degrees of freedom, causes of each cell, causes that both share and
    # causes that only one has; otherwise what follows would check little.
    a, b = ({one.cause.key: one for one in budget.influences} for budget in budgets)
    assert any(math.isfinite(one.cause.degrees_of_freedom) for one in a.values())
    assert any(one.is_per_cell for one in a.values())
    assert sum(bool(one.cause.estimate) for one in a.values()) > 2
    assert len(a.keys() & b.keys()) >= 8
    assert len(a.keys() - b.keys()) >= 8


@pytest.mark.parametrize("which", [0, 1])
def test_sums_over_one_map_are_as_uncertain_as_another_engine_finds(budgets, rebuilt, which):
    ours, theirs = evaluate(budgets[which], draws=100), rebuilt[which]
    same(ours.delivered_flux_umol_s, theirs.flux)
    same(ours.mean_ppfd_umol_m2_s, theirs.mean)
    same(ours.plane_efficacy_umol_j, theirs.efficacy)


@pytest.mark.parametrize("which", [0, 1])
def test_spread_of_one_map_is_as_uncertain_as_another_engine_finds(budgets, rebuilt, which):
    # Ours states the spread of the field between the points too, with what is not known of that.
    budget, theirs = budgets[which], rebuilt[which].variation
    ours = evaluate(budget, draws=100).coefficient_of_variation
    between = ours.standard / ours.value, budget.variation_left
    assert math.sqrt(between[0] ** 2 - between[1] ** 2) == pytest.approx(
        theirs.u / theirs.x, rel=1e-6
    )


def test_the_ratio_of_two_maps_is_as_uncertain_as_another_engine_finds(budgets, rebuilt):
    a, b = budgets
    whole = ratios.combine(ratio_terms(efficacy_sizes(a), efficacy_sizes(b)))
    ratio = rebuilt[1].efficacy / rebuilt[0].efficacy
    assert whole.standard == pytest.approx(ratio.u / ratio.x, rel=1e-6)
    assert whole.degrees_of_freedom == pytest.approx(ratio.df, rel=1e-6)
    # Shared causes count: without them the ratio would be as uncertain as both together.
    apart = math.hypot(*(one.efficacy.u / one.efficacy.x for one in rebuilt))
    assert whole.standard < 0.8 * apart


def test_sums_drawn_together_scatter_as_another_engine_finds(budgets, rebuilt):
    # The drawn causes are those of the first-order budget, shared ones drawn once for both maps.
    # Student's t scatters more than the standard uncertainty of its cause says, by √(ν / (ν − 2)),
    # and a product of two normal variables is not straight; 40 000 draws leave 0.4 %.
    drawn = list(draw_together(budgets, draws=40_000, seed=2))
    flux = [np.concatenate([pair[at].delivered_flux_umol_s for pair in drawn]) for at in (0, 1)]
    efficacy = [np.concatenate([pair[at].plane_efficacy_umol_j for pair in drawn]) for at in (0, 1)]
    for at in (0, 1):
        assert flux[at].std() == pytest.approx(rebuilt[at].flux.u, rel=0.02)
        assert efficacy[at].std() == pytest.approx(rebuilt[at].efficacy.u, rel=0.02)
    ratio = rebuilt[1].efficacy / rebuilt[0].efficacy
    assert (efficacy[1] / efficacy[0]).std() == pytest.approx(ratio.u, rel=0.02)
    cell = np.concatenate([pair[0].ppfd[:, 0] for pair in drawn])
    assert cell.std() == pytest.approx(rebuilt[0].cells[0].u, rel=0.02)
