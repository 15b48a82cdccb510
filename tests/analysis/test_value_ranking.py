"""Whose light costs least, and where that turns: worked by hand on two reflectors.

A: 800 µmol/s for 400, B: 700 µmol/s for 300; both 640 W, 7300 h in two years, 0.25 per kWh.
A: 21,024 mol for 400 + 1168, 0.0745814 a mole. B: 18,396 mol for 300 + 1168, 0.0798000.
"""

import pytest
from attrs import evolve

from analysis import value_ranking
from analysis.comparison import MORE, NO_DIFFERENCE, compare
from analysis.value_ranking import rank_by_value
from tests.analysis.priced import priced, unpriced

A, B = priced("Reflector A", 800.0), priced("Reflector B", 700.0, price=300.0)


def test_the_cheapest_light_comes_first_and_the_ratio_is_worked_by_hand():
    first, second = rank_by_value([B, A]).rows
    assert (first.name, second.name) == ("Reflector A", "Reflector B")
    assert second.to_cheapest == pytest.approx((1468 / 18_396) / (1568 / 21_024))
    assert (first.to_cheapest, first.half_width, first.words) == (1.0, 0.0, "")


def test_its_interval_is_that_of_the_ratio_of_plane_efficacies():
    _, second = rank_by_value([A, B]).rows
    light = compare(A, B).at_best
    assert second.half_width / second.to_cheapest == pytest.approx(light.half_width / light.ratio)
    assert second.words == MORE


def test_break_even_prices_are_worked_by_hand():
    first, second = rank_by_value([A, B]).rows
    # A at B's cost: 21,024 · 0.0798 − 1168; B at A's: 18,396 · 0.0745814 − 1168.
    assert first.break_even == pytest.approx(21_024 * 1468 / 18_396 - 1168)
    assert second.break_even == pytest.approx(18_396 * 1568 / 21_024 - 1168)
    assert (first.rival, second.rival) == ("Reflector B", "Reflector A")
    # With r the relative half-width of the ratio, A has 21,024 · (1 ± r) mol.
    r = second.half_width / second.to_cheapest
    assert first.break_even_low == pytest.approx(21_024 * (1 - r) * 1468 / 18_396 - 1168)
    assert first.break_even_high == pytest.approx(21_024 * (1 + r) * 1468 / 18_396 - 1168)


def test_the_order_turns_where_the_hand_calculation_says():
    _, second = rank_by_value([A, B]).rows
    turns = {turn.name: turn for turn in second.turns}
    # Tariff: (400 + 4672 t)/21,024 = (300 + 4672 t)/18,396 → t = 1,051,200 / (4672 · 2628).
    assert turns["tariff"].at == pytest.approx(1_051_200 / (4672 * 2628))
    # Hours h a day: (400 + 116.8 h)/(2102.4 h) = (300 + 116.8 h)/(1839.6 h).
    assert turns["photoperiod_h"].at == pytest.approx(105_120 / (116.8 * 262.8))
    # One year: A (400 + 584)/10,512 = 0.0936, B (300 + 584)/9198 = 0.0961: no turn.
    assert set(turns) == {"tariff", "photoperiod_h"}


def test_the_order_turns_with_the_years_where_the_price_is_high():
    # A for 520. Two years: (520 + 1168)/21,024 = 0.0803, above B's 0.0798. Three years: 0.0721
    # against 0.0743; so over three, A is the cheaper, and over two B is, by less than is seen.
    # For five years A costs (520 + 2920)/52,560 = 0.06545, B (300 + 2920)/45,990 = 0.07002.
    dear = priced("Reflector A", 800.0, price=520.0, years=5)
    _, second = rank_by_value([dear, priced("Reflector B", 700.0, price=300.0, years=5)]).rows
    turns = {turn.name: turn for turn in second.turns}
    assert (turns["years"].now, turns["years"].at) == (5, 2)


def test_what_light_cannot_tell_apart_cost_cannot_either():
    close = priced("Reflector B", 790.0, price=395.0)
    _, second = rank_by_value([A, close]).rows
    assert second.words == NO_DIFFERENCE
    assert second.turns == ()


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"tariff": 0.3}, "the tariff differs: 0.25 for Reflector A, 0.3 for Reflector B"),
        ({"currency": "CHF"}, "the currency differs: EUR for Reflector A, CHF for Reflector B"),
        ({"years": 3}, "the number of years differs"),
        ({"discount_percent": 2.0}, "the discount rate differs: 0.0 for"),
        ({"lamp_life_h": 8000.0}, "the life of a lamp differs: none for Reflector A, 8000.0 for"),
    ],
)
def test_money_that_does_not_count_alike_is_not_compared(change, told):
    found = rank_by_value([A, priced("Reflector B", 700.0, **change)])
    assert found.rows == ()
    assert any(reason.startswith(told) for reason in found.why_not)


def test_price_dirt_and_upkeep_are_the_devices_own_and_may_differ():
    other = priced("Reflector B", 700.0, price=300.0, soiling_percent=4.0, upkeep_per_year=9.0)
    assert len(rank_by_value([A, other]).rows) == 2


def test_runs_that_are_not_alike_are_not_compared_by_cost_either():
    other = priced("Reflector B", 700.0)
    other.plan["lamp"]["sample"] = "L-99"
    found = rank_by_value([A, other])
    assert found.rows == ()
    assert "the lamp sample differs" in " ".join(found.why_not)
    assert len(rank_by_value([A, other], accept=["lamp sample"]).rows) == 2


def test_a_run_without_prices_is_named_and_left_out():
    found = rank_by_value([A, B, unpriced(priced("Reflector C", 750.0))])
    assert [row.name for row in found.rows] == ["Reflector A", "Reflector B"]
    assert found.left_out == (
        "Not compared by value is Reflector C: its plan has no section [value].",
    )


def test_where_nobody_asks_nothing_is_said():
    assert rank_by_value([A]) is None
    assert rank_by_value([unpriced(A), unpriced(B)]) is None


def test_what_the_bench_changed_between_the_runs_is_taken_off_the_cost_too(monkeypatch):
    # The comparison of light finds that B was read on a bench 2 % brighter than A's: its true
    # flux is 700 / 1.02, and a mole costs 1.02 times what it seemed to.
    def ranked(runs, **options):
        found = value_ranking_rank(runs, **options)
        second = evolve(found.rows[1], to_baseline=found.rows[1].to_baseline / 1.02)
        return evolve(found, rows=(found.rows[0], second))

    value_ranking_rank = value_ranking.rank
    monkeypatch.setattr(value_ranking, "rank", ranked)
    _, second = rank_by_value([A, B]).rows
    assert second.valued.cost.per_mole == pytest.approx(1.02 * 1468 / 18_396)


def test_several_runs_of_one_device_are_one_row():
    again = evolve(priced("Reflector A", 808.0), run_name="again")
    rows = rank_by_value([A, B, again]).rows
    assert [row.name for row in rows] == ["Reflector A", "Reflector B"]
    assert rows[0].valued.purchase.delivered_flux_umol_s == pytest.approx(804.0)


def test_light_that_costs_nothing_has_no_ratio_to_another():
    free = [priced(f"Reflector {name}", 800.0, price=0.0, tariff=0.0) for name in "AB"]
    found = rank_by_value(free)
    assert found.rows == ()
    assert len(found.left_out) == 2
    assert "its light costs nothing" in found.left_out[0]
