"""Propagation of distributions by drawing, against the worked examples of the supplement.

Source: JCGM 101:2008, 9.2, the sum of four inputs; inputs and published results from memory, and
computed again by closed forms where there are any. Our draws are of maps, so the four inputs are
four causes that move the one cell of a map: its flux less the value read is their sum.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import attrs
import numpy as np
import pytest
from scipy import integrate, stats

from analysis.causes import Budget, Cause, Influence
from analysis.monte_carlo import draw_together

DRAWS = 400_000
SCATTER = 0.025
"""Four times what so many draws leave in the half-width of the 95 % intervals below."""


def one_cell(*inputs: tuple[str, float, float], is_per_cell: bool = False) -> Budget:
    """A map of one cell that reads 1, moved by inputs: distribution, size, degrees of freedom."""
    return Budget(
        influences=tuple(
            Influence(
                cause=Cause(
                    key=f"input {at}",
                    name=f"input {at}",
                    kind="B",
                    distribution=distribution,
                    source="JCGM 101:2008, 9.2",
                    degrees_of_freedom=freedom,
                ),
                light=np.array([size]),
                is_per_cell=is_per_cell,
            )
            for at, (distribution, size, freedom) in enumerate(inputs)
        ),
        ppfd=np.array([1.0]),
        weights_m2=np.array([1.0]),
        plane_efficacy_umol_j=None,
        continuous_variation=None,
        variation_left=0.0,
        reinstallation=0.0,
        reinstallation_source="",
    )


def sums(budget: Budget, seed: int = 4) -> np.ndarray:
    drawn = draw_together([budget], draws=DRAWS, seed=seed)
    return np.concatenate([one.delivered_flux_umol_s for (one,) in drawn]) - 1.0


def half_width(values: np.ndarray) -> float:
    """Half of the probabilistically symmetric 95 % interval."""
    low, high = np.quantile(values, [0.025, 0.975])
    return float(high - low) / 2


def alike(distribution: str, sizes: Sequence[float]) -> Budget:
    return one_cell(*((distribution, size, math.inf) for size in sizes))


def test_four_normal_inputs():
    # 9.2.2, published: 0, 2.00 and ± 3.92.
    found = sums(alike("normal", [1.0] * 4))
    assert len(found) == DRAWS
    assert found.mean() == pytest.approx(0.0, abs=0.02)
    assert found.std() == pytest.approx(2.0, abs=0.012)
    assert half_width(found) == pytest.approx(3.91993, abs=SCATTER)


def test_four_rectangular_inputs():
    # 9.2.3, published: 2.00 and ± 3.88; exact for the sum of four: 2√3 (2 − (3/5)^¼) = 3.87941.
    # What a first-order budget says, 3.92, is outside the scatter, so normal draws would fail.
    found = sums(alike("rectangular", [1.0] * 4))
    assert found.std() == pytest.approx(2.0, abs=0.012)
    assert half_width(found) == pytest.approx(2 * math.sqrt(3) * (2 - 0.6**0.25), abs=SCATTER)
    # Four inputs of half-width √3 reach no further than this.
    assert abs(found).max() <= 4 * math.sqrt(3)


def test_four_rectangular_inputs_one_of_ten_times_the_size():
    # 9.2.4, published: 10.1 and ± 17.0, where a first-order budget says ± 19.9.
    found = sums(alike("rectangular", [1.0, 1.0, 1.0, 10.0]))
    assert found.std() == pytest.approx(math.sqrt(103), abs=0.05)
    assert half_width(found) == pytest.approx(17.0, abs=0.1)


@pytest.mark.parametrize("is_per_cell", [False, True])
def test_an_input_measured_a_few_times_is_drawn_from_student_t(is_per_cell):
    # 6.4.9 of the supplement; ± 2.57058 for 5 degrees of freedom, any t table (GUM Table G.2).
    found = sums(one_cell(("t", 1.0, 5.0), is_per_cell=is_per_cell))
    assert half_width(found) == pytest.approx(2.57058, abs=SCATTER)
    assert stats.kstest(found, stats.t(5).cdf).pvalue > 1e-3


def test_an_input_that_two_maps_share_is_one_draw_and_others_are_not():
    shared = one_cell(("normal", 1.0, math.inf))
    for a, b in draw_together([shared, shared], draws=1000):
        assert (a.delivered_flux_umol_s == b.delivered_flux_umol_s).all()
    own = one_cell(("normal", 1.0, math.inf), is_per_cell=True)
    pairs = [
        (a.delivered_flux_umol_s, b.delivered_flux_umol_s)
        for (a, b) in draw_together([own, own], draws=DRAWS)
    ]
    a, b = (np.concatenate(parts) for parts in zip(*pairs, strict=True))
    assert np.corrcoef(a, b)[0, 1] == pytest.approx(0.0, abs=5 / math.sqrt(DRAWS))


def test_the_least_of_many_equal_cells_is_drawn_as_order_statistics_say():
    # Of n independent normal values the least stays above v with the chance (1 − Φ(v))ⁿ, and on
    # average lies 2.3437 standard deviations below them for n = 64 (integral of the closed form).
    one = one_cell(("normal", 0.01, math.inf), is_per_cell=True)
    cells = attrs.evolve(
        one,
        influences=tuple(attrs.evolve(held, light=np.full(64, 0.01)) for held in one.influences),
        ppfd=np.full(64, 500.0),
        weights_m2=np.full(64, 0.02),
    )
    drawn = draw_together([cells], draws=20_000)
    least = np.concatenate([part.ppfd.min(axis=1) for (part,) in drawn])
    away = (least / 500.0 - 1.0) / 0.01
    mean, _ = integrate.quad(lambda v: v * 64 * stats.norm.pdf(v) * stats.norm.sf(v) ** 63, -9, 3)
    assert mean == pytest.approx(-2.3437, abs=5e-4)
    assert away.mean() == pytest.approx(mean, abs=0.015)
    assert stats.kstest(away, lambda v: 1 - stats.norm.sf(v) ** 64).pvalue > 1e-3
