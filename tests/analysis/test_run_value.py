"""A run's maps and its plan's prices make the cost of a mole, worked by hand."""

import math

import pytest
from attrs import evolve

from analysis.run_value import purchase_from_plan, value_of
from tests.analysis.priced import priced, unpriced, without_intervals


def test_the_cost_of_a_run_is_worked_by_hand():
    # 800 µmol/s for 2 · 3650 h: 800e-6 · 3600 · 7300 = 21,024 mol. Electricity: 0.64 kW · 7300 h
    # · 0.25 = 1168. (400 + 1168) / 21,024.
    found = value_of(priced("A", 800.0))
    assert found.currency == "EUR"
    assert found.best.cost.per_mole == pytest.approx(1568 / 21_024)


def test_per_cent_of_the_plan_become_fractions():
    section = {
        "price": 1,
        "tariff": 2,
        "photoperiod_h": 3,
        "years": 4,
        "delivery": 5,
        "lamp_price": 6,
        "lamp_life_h": 7000,
        "lamp_end_percent": 80,
        "soiling_percent": 9,
        "upkeep_per_year": 10,
        "discount_percent": 11,
    }
    bought = purchase_from_plan(section, 700.0, 600.0)
    assert (bought.delivered_flux_umol_s, bought.wall_power_w) == (700.0, 600.0)
    assert (bought.price, bought.tariff, bought.photoperiod_h, bought.years) == (1, 2, 3, 4)
    assert (bought.delivery, bought.lamp_price, bought.lamp_life_h) == (5, 6, 7000)
    assert (bought.end_share, bought.soiling_per_year) == pytest.approx((0.8, 0.09))
    assert (bought.upkeep_per_year, bought.discount_rate) == pytest.approx((10, 0.11))


def test_a_lamp_without_a_life_is_never_replaced():
    section = {"price": 1, "tariff": 2, "photoperiod_h": 3}
    assert purchase_from_plan(section, 700.0, 600.0).lamp_life_h == math.inf


def test_the_best_height_is_that_of_the_highest_plane_efficacy():
    found = value_of(priced("A", {300.0: 780.0, 400.0: 800.0, 500.0: 700.0}))
    assert [one.mounting_height_mm for one in found.heights] == [300.0, 400.0, 500.0]
    assert found.best.mounting_height_mm == 400.0


def test_the_best_height_keeps_the_limits_of_the_plan_where_any_does():
    run = priced("A", {300.0: 780.0, 400.0: 800.0, 500.0: 700.0})
    evenness = [evolve(one.uniformity, maximum=peak) for one, peak in
                zip(run.maps, (1200.0, 1100.0, 900.0), strict=True)]  # fmt: skip
    maps = tuple(evolve(one, uniformity=even)
                 for one, even in zip(run.maps, evenness, strict=True))  # fmt: skip

    def best_mm(peak_limit):
        limited = {**run.plan, "limits": {"peak_ppfd_umol_m2_s": peak_limit}}
        return value_of(evolve(run, maps=maps, plan=limited)).best.mounting_height_mm

    assert best_mm(1000.0) == 500.0
    assert best_mm(1150.0) == 400.0
    assert best_mm(800.0) == 400.0  # none keeps it: all stay in


def test_installations_at_one_height_are_one_figure():
    run = priced("A", 800.0)
    again = evolve(run.maps[0], installation=2, delivered_flux_umol_s=840.0)
    found = value_of(evolve(run, maps=(*run.maps, again)))
    assert len(found.heights) == 1
    assert found.best.purchase.delivered_flux_umol_s == pytest.approx(820.0)


def test_a_plan_without_the_section_gets_no_figure():
    assert value_of(unpriced(priced("A", 800.0))) is None


def test_a_map_without_flux_gives_no_cost_and_says_why():
    run = priced("A", 800.0)
    bare = evolve(run, maps=(evolve(run.maps[0], delivered_flux_umol_s=None),))
    found = value_of(bare)
    assert found.best is None
    assert "delivered flux and wall power" in found.why_not


def test_a_section_that_somebody_broke_is_told_and_not_guessed():
    found = value_of(priced("A", 800.0, photoperiod_h=30.0))
    assert found.best is None
    assert "photoperiod_h is 30.0" in found.why_not


def test_the_tornado_moves_what_is_there_by_a_fifth():
    best = value_of(without_intervals(priced("A", 800.0))).best
    swings = {swing.name: swing for swing in best.swings()}
    # Without lamp, dirt, upkeep and rate only these can matter; years by one.
    assert set(swings) == {"price", "tariff", "photoperiod_h", "years"}
    assert (swings["price"].low, swings["price"].high) == pytest.approx((320.0, 480.0))
    # Price ± 80 over 21,024 mol.
    assert swings["price"].size == pytest.approx(160 / 21_024)
    assert (swings["years"].low, swings["years"].high) == (1, 3)


def test_no_input_is_moved_beyond_what_it_can_be():
    best = value_of(
        priced("A", 800.0, photoperiod_h=22.0, soiling_percent=95.0, lamp_life_h=8000.0,
               lamp_end_percent=10.0, years=1)
    ).best  # fmt: skip
    swings = {swing.name: swing for swing in best.swings()}
    assert swings["photoperiod_h"].high == 24.0
    assert swings["soiling_per_year"].high == 1.0
    assert (swings["end_share"].low, swings["end_share"].high) == pytest.approx((0.0, 0.28))
    assert "years" not in swings


def test_the_interval_is_that_of_the_flux_turned_round():
    # Flux ± 5 %: 1568 for 21,024 · 1.05 and 21,024 · 0.95 mol.
    best = value_of(priced("A", 800.0)).best
    assert best.low == pytest.approx(1568 / 21_024 / 1.05)
    assert best.high == pytest.approx(1568 / 21_024 / 0.95)
    flux = next(swing for swing in best.swings() if swing.name == "delivered_flux_umol_s")
    assert (flux.low, flux.high) == pytest.approx((760.0, 840.0))
    assert (flux.at_low, flux.at_high) == pytest.approx((best.high, best.low))


def test_without_an_interval_of_the_flux_none_is_stated():
    best = value_of(without_intervals(priced("A", 800.0))).best
    assert (best.low, best.high) == (None, None)


def test_the_interval_of_the_power_counts_by_the_share_of_electricity():
    # Efficacy ± 5.385 % beside flux ± 5 %: power ± 2 %. Electricity is 1168 of 1568.
    best = value_of(priced("A", 800.0, efficacy_reach=math.hypot(0.05, 0.02))).best
    assert best.reach == pytest.approx(math.hypot(0.05, 0.02 * 1168 / 1568))
    power = next(swing for swing in best.swings() if swing.name == "wall_power_w")
    assert (power.low, power.high) == pytest.approx((627.2, 652.8))
