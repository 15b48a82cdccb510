"""The cost of a delivered mole, one case worked by hand from end to end."""

import math

import pytest
from attrs import evolve

from analysis.value import Purchase, break_even_price, cost_of_a_mole, flips_at, tornado

#: 800 µmol/s and 640 W, 10 h a day: 3650 h a year.
PLAIN = Purchase(
    delivered_flux_umol_s=800.0,
    wall_power_w=640.0,
    price=400.0,
    tariff=0.25,
    photoperiod_h=10.0,
    years=2,
)


def test_a_plain_case_is_worked_by_hand():
    # Moles: 800e-6 · 3600 · 3650 = 10,512 a year, 21,024 in two.
    # Energy: 0.64 kW · 3650 h = 2336 kWh a year, 4672 in two, 1168 at 0.25.
    # (400 + 1168) / 21,024 = 0.0745814 a mole.
    cost = cost_of_a_mole(PLAIN)
    assert cost.moles == pytest.approx(21_024.0)
    assert cost.energy == pytest.approx(1168.0)
    assert cost.per_mole == pytest.approx(0.0745814, rel=1e-6)


def test_a_full_case_is_worked_by_hand():
    # Rate 5 %: d = 1.05^-0.5 = 0.9759001, 1.05^-1.5 = 0.9294287; sum 1.9053288.
    # Lamp: life 3650 h, so the second year has a new one, due after exactly one year; the one
    # due at the end of the second is not bought. 80 · 1.05^-1 = 76.190476.
    # Each year the lamp falls from 1 to 0.9: mean 0.95. Soiling 4 % by year's end: mean 0.98.
    # Moles: 10,512 · 0.95 · 0.98 = 9786.672 a year; discounted 18,646.828.
    # Energy: 2336 · 0.25 · 1.9053288 = 1112.71202; upkeep 20 · 1.9053288 = 38.106576.
    # (400 + 30 + 1112.71202 + 38.106576 + 76.190476) / 18,646.828 = 0.0888628.
    full = evolve(
        PLAIN,
        delivery=30.0,
        lamp_price=80.0,
        lamp_life_h=3650.0,
        end_share=0.9,
        soiling_per_year=0.04,
        upkeep_per_year=20.0,
        discount_rate=0.05,
    )
    cost = cost_of_a_mole(full)
    assert cost.moles == pytest.approx(18_646.828, rel=1e-6)
    assert cost.energy == pytest.approx(1112.71202, rel=1e-6)
    assert cost.lamps == pytest.approx(76.190476, rel=1e-6)
    assert cost.upkeep == pytest.approx(38.106576, rel=1e-6)
    assert cost.per_mole == pytest.approx(1657.009072 / 18_646.828, rel=1e-6)


def test_a_lamp_that_outlives_a_year_is_shared_out_over_its_age():
    # Life 7300 h = two years, 1 to 0.8: year one averages 0.95, year two 0.85.
    aged = cost_of_a_mole(evolve(PLAIN, lamp_life_h=7300.0, end_share=0.8))
    assert aged.moles == pytest.approx(10_512.0 * (0.95 + 0.85))
    assert aged.lamps == 0.0


def test_at_the_break_even_price_both_cost_the_same():
    rival = evolve(PLAIN, delivered_flux_umol_s=750.0, price=300.0)
    price = break_even_price(PLAIN, rival)
    ours = cost_of_a_mole(evolve(PLAIN, price=price)).per_mole
    assert ours == pytest.approx(cost_of_a_mole(rival).per_mole)


def test_the_break_even_price_is_worked_by_hand():
    # Rival: (300 + 1168) / 19,710 = 0.0744799 a mole; ours is 21,024 mol:
    # 21,024 · 0.0744799 − 1168 = 397.8667.
    rival = evolve(PLAIN, delivered_flux_umol_s=750.0, price=300.0)
    assert break_even_price(PLAIN, rival) == pytest.approx(21_024 * 1468 / 19_710 - 1168)


def test_the_ranking_flips_where_the_tariff_makes_up_for_the_price():
    # Equal where (400 + 4672 t)/21,024 = (300 + 4672 t)/19,710:
    # 19,710·400 + 19,710·4672 t = 21,024·300 + 21,024·4672 t
    # t = (19,710·400 − 21,024·300) / (4672·(21,024 − 19,710)) = 0.2566995.
    rival = evolve(PLAIN, delivered_flux_umol_s=750.0, price=300.0)
    expected = (19_710 * 400 - 21_024 * 300) / (4672 * (21_024 - 19_710))
    assert flips_at(PLAIN, rival, "tariff", 0.05, 1.0) == pytest.approx(expected)
    cheap, dear = (
        cost_of_a_mole(evolve(PLAIN, tariff=t)).per_mole
        < cost_of_a_mole(evolve(rival, tariff=t)).per_mole
        for t in (0.2, 0.4)
    )
    assert (cheap, dear) == (False, True)


def test_where_one_is_cheaper_throughout_nothing_flips():
    better = evolve(PLAIN, price=100.0)
    assert flips_at(PLAIN, better, "tariff", 0.05, 1.0) is None


def test_the_tornado_puts_the_largest_swing_first():
    swings = tornado(
        PLAIN, {"price": (380.0, 420.0), "tariff": (0.2, 0.3), "photoperiod_h": (9.0, 11.0)}
    )
    assert [swing.size for swing in swings] == sorted((s.size for s in swings), reverse=True)
    # Tariff ±0.05: 4672 · 0.1 / 21,024 a mole in all.
    tariff = next(swing for swing in swings if swing.name == "tariff")
    assert tariff.size == pytest.approx(467.2 / 21_024)


def test_without_light_loss_more_hours_only_thin_out_the_price():
    # Energy per mole does not depend on hours: 640 / 800 · … ; the purchase does.
    short, long = (cost_of_a_mole(evolve(PLAIN, photoperiod_h=h)) for h in (10.0, 20.0))
    assert short.energy / short.moles == pytest.approx(long.energy / long.moles)
    assert long.per_mole < short.per_mole


def test_all_faults_are_told_at_once():
    wrong = evolve(PLAIN, photoperiod_h=25.0, years=0, tariff=-1.0, wall_power_w=math.nan)
    with pytest.raises(ValueError, match="wall_power_w is nan") as told:
        cost_of_a_mole(wrong)
    for named in ("photoperiod_h is 25.0", "years is 0", "tariff is -1.0"):
        assert named in str(told.value)


def test_the_cost_is_the_levelised_cost_of_the_textbooks():
    # Capital recovery factor at 5 % over 10 years: 0.05 · 1.05^10 / (1.05^10 − 1) = 0.1295046
    # (handbook tables of compound interest, from memory); what is paid in the middle of each
    # year weighs 1.05^0.5 more, so the price is spread with 0.1295046 / 1.0246951 = 0.1263835.
    ten = evolve(PLAIN, years=10, discount_rate=0.05)
    yearly = 400.0 * 0.1295046 / 1.0246951 + 584.0
    assert cost_of_a_mole(ten).per_mole == pytest.approx(yearly / 10_512.0, rel=1e-6)
