"""Intervals and rows of budgets that are worked out by hand."""

import math

import numpy as np
import pytest
from attrs import evolve
from scipy import stats

from analysis.budget import combine
from analysis.causes import Budget, Cause, Influence
from analysis.monte_carlo import draw_together
from analysis.uncertainty import (
    budget_rows,
    efficacy_sizes,
    evaluate,
    flux_sizes,
    interval,
    ratio_terms,
)

NORMAL_95 = 1.959964
CELLS = 64


def cause(name="one", *, freedom=math.inf, key="", estimate="", **given):
    facts = {"kind": "B", "distribution": "normal", "source": f"source of {name}", **given}
    if math.isfinite(freedom):
        facts = {**facts, "kind": "A", "distribution": "t"}
    return Cause(key=key or name, name=name, degrees_of_freedom=freedom, estimate=estimate, **facts)


def acts(size, name="one", *, cells=CELLS, own=False, freedom=math.inf, **given):
    """An influence of one size on all cells."""
    of = {key: given.pop(key) for key in ("key", "estimate") if key in given}
    light = np.full(cells, size) if np.isscalar(size) else np.asarray(size, dtype=float)
    return Influence(
        cause=cause(name, freedom=freedom, **of), light=light, is_per_cell=own, **given
    )


def budget(*influences, ppfd=None, efficacy=None, **given):
    light = np.full(CELLS, 500.0) if ppfd is None else np.asarray(ppfd, dtype=float)
    facts = {
        "continuous_variation": None,
        "variation_left": 0.0,
        "reinstallation": 0.01,
        "reinstallation_source": "",
        **given,
    }
    return Budget(
        influences=influences,
        ppfd=light,
        weights_m2=np.full(len(light), 0.02),
        plane_efficacy_umol_j=efficacy,
        **facts,
    )


def test_noise_of_equal_cells_leaves_its_root_of_n_in_the_flux():
    found = evaluate(budget(acts(0.01, own=True)), draws=10)
    flux = found.delivered_flux_umol_s
    assert flux.value == pytest.approx(64 * 500 * 0.02)
    assert flux.standard / flux.value == pytest.approx(0.01 / 8)
    assert flux.relative_half_width == pytest.approx(NORMAL_95 * 0.01 / 8)
    mean = found.mean_ppfd_umol_m2_s
    assert (mean.value, mean.standard) == pytest.approx((500.0, 500 * 0.01 / 8))


def test_what_all_cells_have_in_common_stays_whole_in_the_flux():
    flux = evaluate(budget(acts(0.01)), draws=10).delivered_flux_umol_s
    assert flux.standard / flux.value == pytest.approx(0.01)
    assert (flux.low, flux.high) == pytest.approx(
        (flux.value * (1 - NORMAL_95 * 0.01), flux.value * (1 + NORMAL_95 * 0.01))
    )


def test_independent_causes_add_up_in_squares_and_power_counts_against_light():
    found = evaluate(budget(acts(0.03), acts(0.0, "meter", power=0.04), efficacy=1.2), draws=10)
    assert found.plane_efficacy_umol_j.standard == pytest.approx(1.2 * 0.05)
    assert found.delivered_flux_umol_s.standard == pytest.approx(640 * 0.03)
    assert found.wall_power == pytest.approx(NORMAL_95 * 0.04)
    # One cause that raises light and power alike cancels.
    both = budget(acts(0.03, power=0.03), efficacy=1.2)
    assert efficacy_sizes(both) == {}
    assert evaluate(both, draws=10).plane_efficacy_umol_j.half_width == 0


def test_two_effects_of_one_cause_add_up_with_their_signs():
    twice = budget(acts(0.03), acts(-0.01))
    assert list(flux_sizes(twice).values()) == pytest.approx([0.02])


def test_two_sizes_of_what_cells_have_for_themselves_add_up_in_squares():
    twice = budget(acts(0.03, own=True), acts(0.04, own=True))
    assert list(flux_sizes(twice).values()) == pytest.approx([0.05 / 8])


def test_few_degrees_of_freedom_widen_the_interval():
    # Student's t for 5 degrees of freedom: 2.57058, any table.
    found = interval(100.0, {cause(freedom=5.0): 0.01})
    assert found.half_width == pytest.approx(2.57058, abs=1e-5)
    assert found.degrees_of_freedom == pytest.approx(5.0)


def test_degrees_of_freedom_of_a_sum_follow_welch_and_satterthwaite():
    # Two of 3 and 4 % with 6 and 8: 25² / (81/6 + 256/8) = 625 / 45.5.
    sizes = {cause("a", freedom=6.0): 0.03, cause("b", freedom=8.0): -0.04, cause("c"): 0.0}
    assert interval(1.0, sizes).degrees_of_freedom == pytest.approx(625 / 45.5)
    # A declared one of 5 % beside them: 50² / 45.5.
    assert interval(1.0, {**sizes, cause("c"): 0.05}).degrees_of_freedom == pytest.approx(
        2500 / 45.5
    )


def test_causes_of_one_estimate_are_known_no_better_than_it_is():
    # Four alike with 6 each: 4² × 6 / 4 = 24 as four estimates, and 6 as one.
    apart = {cause(f"{at}", freedom=6.0): 0.01 for at in range(4)}
    together = {cause(f"{at}", freedom=6.0, estimate="noise"): 0.01 for at in range(4)}
    assert interval(1.0, apart).degrees_of_freedom == pytest.approx(24.0)
    assert interval(1.0, together).degrees_of_freedom == pytest.approx(6.0)
    assert combine(ratio_terms(together, {})).degrees_of_freedom == pytest.approx(6.0)
    named = {evolve(one, name="noise"): size for one, size in together.items()}
    (row,) = budget_rows(named)
    assert row.degrees_of_freedom == pytest.approx(6.0)
    assert row.percent == pytest.approx(2.0)


def test_drawn_causes_of_one_estimate_are_wide_together():
    # Two cells that each hang on one visit. Drawn apart, the size of one says nothing of the
    # other's; of one estimate they are the t distribution of two dimensions.
    def visits(**given):
        return [
            acts([0.01, 0.0], "a", key="visit 1", freedom=3.0, **given),
            acts([0.0, 0.01], "a", key="visit 2", freedom=3.0, **given),
        ]

    found = []
    for given in ({}, {"estimate": "noise"}):
        of = budget(*visits(**given), ppfd=[500.0, 500.0])
        cells = np.concatenate([one.ppfd for (one,) in draw_together([of], draws=40_000)])
        away = (cells / 500 - 1) / 0.01
        assert stats.kstest(away[:, 0], stats.t(3).cdf).pvalue > 1e-3
        assert np.corrcoef(away.T)[0, 1] == pytest.approx(0.0, abs=0.05)
        found.append(stats.spearmanr(*np.abs(away.T)).statistic)
    apart, together = found
    assert apart == pytest.approx(0.0, abs=0.02)
    two = stats.multivariate_t(shape=np.eye(2), df=3, seed=4).rvs(100_000)
    assert together == pytest.approx(stats.spearmanr(*np.abs(two.T)).statistic, abs=0.02)
    assert together > 0.15


def test_a_line_of_the_table_holds_all_causes_of_its_name():
    sizes = {
        cause("drift", key="visit 1", freedom=4.0): 0.003,
        cause("drift", key="left", source="other"): 0.004,
        cause("gain", is_default=True, distribution="rectangular"): 0.012,
    }
    gain, drift = budget_rows(sizes)
    assert (gain.name, drift.name) == ("gain", "drift")  # the largest first
    assert (gain.percent, drift.percent) == pytest.approx((1.2, 0.5))
    assert (gain.share, drift.share) == pytest.approx((144 / 169, 25 / 169))
    assert (gain.kind, drift.kind) == ("B", "A, B")
    assert (gain.is_default, drift.is_default) == (True, False)
    assert drift.distribution == "t and normal"
    assert drift.source == "source of drift · other"
    # (0.3² + 0.4²)² / (0.3⁴ / 4).
    assert drift.degrees_of_freedom == pytest.approx(0.25**2 / (0.3**4 / 4))
    assert budget_rows({}) == ()


def test_the_table_is_that_of_the_plane_efficacy_where_there_is_one():
    with_meter = budget(acts(0.03), acts(0.0, "meter", power=0.04), efficacy=1.2)
    assert [row.name for row in evaluate(with_meter, draws=10).rows] == ["meter", "one"]
    assert [row.name for row in evaluate(evolve(with_meter, plane_efficacy_umol_j=None),
                                         draws=10).rows] == ["one"]  # fmt: skip


def test_a_ratio_keeps_of_a_shared_cause_only_what_it_does_not_do_to_both():
    a = {cause("gain"): 0.025, cause("shape"): 0.010, cause("noise", key="noise of a"): 0.003}
    b = {cause("gain"): 0.025, cause("shape"): 0.004, cause("noise", key="noise of b"): 0.004}
    left = {(term.name, term.is_shared): term.in_ratio for term in ratio_terms(a, b)}
    assert {name for name, is_shared in left if not is_shared} == {"noise"}
    assert left["gain", True] == 0
    assert left["shape", True] == pytest.approx(0.006)
    assert combine(ratio_terms(a, b)).standard == pytest.approx(math.hypot(0.006, 0.005))


def test_a_cause_keeps_one_line_in_a_ratio_though_its_size_is_told_in_two_ways():
    # The same sensor before and after its certificate came: 1 % of each on the mean of two.
    twice = {cause("gain"): 0.01, cause("gain", source="certificate"): 0.01}
    (term,) = ratio_terms(twice, {cause("gain"): 0.025})
    assert (term.in_a, term.in_b) == pytest.approx((0.02, 0.025))
    assert term.in_ratio == pytest.approx(0.005)


def test_the_lowest_of_noisy_equal_cells_is_freed_of_its_bias():
    # The least of 64 normal values stays above v with the chance (1 − Φ(v))^64; turned round the
    # read value, quantiles p become 1 − p.
    found = evaluate(budget(acts(0.01, own=True)), draws=40_000).minimum
    low, high = (stats.norm.isf((1 - p) ** (1 / CELLS)) for p in (0.975, 0.025))
    assert found.low == pytest.approx(500 * (1 - 0.01 * low), abs=0.2)
    assert found.high == pytest.approx(500 * (1 - 0.01 * high), abs=0.5)
    # On average it lies 2.3437 standard deviations low (integral of the closed form).
    assert found.value == pytest.approx(500 * (1 + 0.01 * 2.3437), abs=0.1)


def test_a_lowest_cell_that_stands_alone_has_no_bias():
    light = np.full(CELLS, 500.0)
    light[5] = 300.0
    found = evaluate(budget(acts(0.01, own=True), ppfd=light), draws=40_000)
    assert found.minimum.value == pytest.approx(300.0, abs=0.1)
    assert (found.minimum.low, found.minimum.high) == pytest.approx(
        (300 * (1 - NORMAL_95 * 0.01), 300 * (1 + NORMAL_95 * 0.01)), abs=0.2
    )
    # Over a mean of 63 × 500 and 300 that has some 1 % / 8 of its own.
    assert found.min_to_mean.standard == pytest.approx(0.01 * 300 / 496.875, rel=0.03)


def test_a_gain_moves_the_lowest_cell_and_not_its_ratio_to_the_mean():
    light = np.linspace(300.0, 500.0, CELLS)
    found = evaluate(budget(acts(0.02), ppfd=light), draws=2000)
    assert found.minimum.standard == pytest.approx(300 * 0.02, rel=0.05)
    assert found.min_to_mean.half_width == pytest.approx(0.0, abs=1e-12)
    assert found.min_to_mean.value == pytest.approx(300 / 400)


def test_tilt_moves_the_least_of_a_symmetric_map_and_leaves_its_flux():
    # Three cells in a row, 300 – 500 – 300; a variable z, even within ± √3, makes one rim cell
    # brighter and the other darker by 1 %: flux as before, least (1 − 0.01 |z|), and |z| lies
    # between 0.025 √3 and 0.975 √3 in 95 of 100.
    tilt = Influence(cause=cause(distribution="rectangular"), light=np.array([0.01, 0.0, -0.01]))
    found = evaluate(budget(tilt, ppfd=[300.0, 500.0, 300.0]), draws=40_000)
    assert found.delivered_flux_umol_s.half_width == 0
    read = 300 / (1100 / 3)
    root = math.sqrt(3)
    assert found.min_to_mean.low == pytest.approx(read * (1 + 0.01 * 0.025 * root), abs=1e-4)
    assert found.min_to_mean.high == pytest.approx(read * (1 + 0.01 * 0.975 * root), abs=1e-4)


@pytest.mark.parametrize("ppfd", [np.full(CELLS, 500.0), 500 + np.arange(CELLS) / 50])
def test_no_interval_of_evenness_leaves_what_is_possible(ppfd):
    # Equal values read with 1 % noise: a table of rounded values. Drawn about them the least
    # falls by 2.3 % and more, so turned round the whole interval would lie above 1.
    found = evaluate(budget(acts(0.01, own=True), ppfd=ppfd), target=400.0, draws=2000).at_points
    for name in ("min_to_mean", "min_to_max", "low_quarter", "christiansen"):
        one = found[name]
        assert one.low < one.high == 1.0, name
        assert one.low <= one.value <= 1.0, name
    assert found["max_to_mean"].low == 1.0 <= found["max_to_mean"].value
    assert found["max_to_mean"].high > 1.0
    # Turned round 1 the draws lie near 1.023; those about 1 reach down to 1 − 0.035 or so.
    low = stats.norm.ppf(1 - 0.975 ** (1 / CELLS))
    assert found["min_to_mean"].low == pytest.approx(1 + 0.01 * low, abs=0.002)
    for name in ("share_within_10pct", "share_above_target"):
        assert (found[name].low, found[name].high) == (1.0, 1.0)


def test_shares_of_the_area_stay_between_nothing_and_all():
    random = np.random.default_rng(3)
    light = 500 * (1 + 0.1 * random.standard_normal(CELLS))
    found = evaluate(budget(acts(0.05, own=True), ppfd=light), target=500.0, draws=2000).at_points
    for name, one in found.items():
        if name.startswith("share_"):
            assert 0 <= one.low <= one.value <= one.high <= 1


def test_the_spread_of_the_field_keeps_what_lies_between_the_points():
    # Cells a and b, (b − a) / (b + a) = 0.2 = CV. A change of b by 1 % moves CV by
    # 2ab / (b² − a²) = 2 × 400 × 600 / 200 000 of that, of a as much the other way.
    of = budget(
        Influence(cause=cause(), light=np.array([0.0, 0.01])),
        acts(0.05, "gain", cells=2),
        ppfd=[400.0, 600.0],
        continuous_variation=0.21,
        variation_left=0.03,
    )
    found = evaluate(of, draws=10).coefficient_of_variation
    assert found.value == 0.21
    assert found.standard == pytest.approx(0.21 * math.hypot(0.01 * 2.4, 0.03))


@pytest.mark.parametrize("variation", [None, 0.0])
def test_a_field_without_spread_beyond_noise_has_no_interval_of_it(variation):
    of = budget(acts(0.01, own=True), continuous_variation=variation)
    assert evaluate(of, draws=10).coefficient_of_variation is None


def test_the_spread_is_not_below_nothing():
    of = budget(acts(0.01), continuous_variation=0.01, variation_left=0.9)
    assert evaluate(of, draws=10).coefficient_of_variation.low == 0.0


def test_a_default_anywhere_makes_the_budget_one():
    plain = acts(0.01)
    assert not evaluate(budget(plain), draws=10).is_default
    ours = evolve(plain, cause=evolve(plain.cause, is_default=True))
    assert evaluate(budget(plain, ours), draws=10).is_default


def test_one_seed_gives_one_interval():
    of = budget(acts(0.01, own=True), acts(0.02, "t", freedom=4.0))
    first, again = (evaluate(of, draws=500, seed=9).at_points for _ in range(2))
    assert first == again
    assert evaluate(of, draws=500, seed=8).at_points != first
