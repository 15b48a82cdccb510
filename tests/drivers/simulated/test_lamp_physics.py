"""Run-up, restrike, ballast and ageing of the simulated lamp."""

import itertools
import math

import attrs
import pytest

from drivers.simulated.bench import VirtualBench
from drivers.simulated.scenario import Sag, load, packaged
from drivers.simulated.timeline import STEP_S, Timeline

DEMO, _ = load(packaged("demo"))
QUIET_MAINS = attrs.evolve(
    DEMO.mains, mean_v=230.0, ramp_percent_per_hour=0.0, slow_percent=0.0, fast_percent=0.0
)
QUIET = attrs.evolve(
    DEMO,
    mains=QUIET_MAINS,
    lamp=attrs.evolve(DEMO.lamp, wander_light_percent=0.0, wander_power_percent=0.0),
)
CHOKE = attrs.evolve(
    DEMO.ballast,
    kind="magnetic",
    loss_percent=11.0,
    power_factor=0.9,
    voltage_exponent=2.1,
    drop_out_fraction=0.85,
    hold_s=0.008,
)


def timeline(*, lamp=None, ballast=None, mains=None, sags=()) -> Timeline:
    spec = attrs.evolve(
        QUIET,
        lamp=attrs.evolve(QUIET.lamp, **(lamp or {})),
        ballast=ballast or QUIET.ballast,
        mains=attrs.evolve(QUIET_MAINS, sags=sags, **(mains or {})),
    )
    line = Timeline(spec, seed=1)
    line.switch(True, 0.0)
    return line


def sag(at_s: float, depth: float, duration_s: float) -> Sag:
    return Sag(at_s=at_s, depth=depth, duration_s=duration_s)


def first_time(line: Timeline, name: str, reached: float, since_s: float = 0.0) -> float:
    return next(
        t
        for n in itertools.count()
        if line.mean(name, t := since_s + n * STEP_S, t + STEP_S) >= reached
    )


def light(line: Timeline, at_s: float) -> float:
    return line.mean("light_umol_s", at_s, at_s)


def power(line: Timeline, at_s: float) -> float:
    return line.mean("wall_power_w", at_s, at_s)


def test_warm_lamp_gives_its_rating_and_takes_power_and_ballast_loss():
    line = timeline()
    assert light(line, 5 * 3600.0) == pytest.approx(1100.0, rel=2e-3)
    assert power(line, 5 * 3600.0) == pytest.approx(600.0 * 1.065, rel=1e-3)


def test_power_settles_before_light():
    line = timeline()
    to_power = first_time(line, "wall_power_w", 0.98 * 639.0)
    to_light = first_time(line, "light_umol_s", 0.98 * 1100.0)
    assert 60.0 < to_power < 300.0
    assert to_light > 2.0 * to_power


def test_last_part_of_the_run_up_has_the_time_constant_of_the_second_stage():
    line = timeline(lamp={"creep_light_percent": 0.0, "creep_power_percent": 0.0})
    settled = light(line, 3600.0)
    missing = [1.0 - light(line, t) / settled for t in (900.0, 1160.0)]
    # After 15 minutes the first stage (60 s) is over: 260 s take the rest down to 1/e.
    assert missing[1] / missing[0] == pytest.approx(math.exp(-1.0), rel=0.02)


def test_slow_creep_is_left_after_the_run_up():
    line = timeline()
    rise = light(line, 5 * 3600.0) / light(line, 1800.0) - 1.0
    # 0.8 % of light and 0.3 % of power (× 1.3) creep with 1500 s: exp(-1.2) = 0.30 of it left.
    assert rise == pytest.approx((0.008 + 1.3 * 0.003) * 0.301, rel=0.12)


def test_an_interruption_puts_the_lamp_out_and_the_restrike_delay_is_kept():
    line = timeline(sags=(sag(1800.0, 1.0, 0.2),))
    assert light(line, 1799.0) > 1000.0
    assert light(line, 1801.0) == 0.0
    assert power(line, 1830.0) == pytest.approx(3.0)  # the ballast waits in standby
    assert light(line, 1855.0) == 0.0
    relit_s = first_time(line, "light_umol_s", 1.0, since_s=1801.0)
    assert relit_s - 1800.0 == pytest.approx(60.0, abs=1.0)


def test_metal_halide_waits_for_minutes():
    line = timeline(lamp={"restrike_s": 600.0, "cooling_s": 400.0}, sags=(sag(1800.0, 1.0, 0.2),))
    relit_s = first_time(line, "light_umol_s", 1.0, since_s=1801.0)
    assert relit_s - 1800.0 == pytest.approx(600.0, abs=1.0)


def test_a_cold_lamp_strikes_at_once_and_a_hot_one_switched_off_and_on_does_not():
    line = timeline()
    assert light(line, 1.0) > 0.0
    line.switch(False, 1800.0)
    assert power(line, 1801.0) == 0.0
    line.switch(True, 1805.0)
    assert light(line, 1810.0) == 0.0
    assert light(line, 1861.5) > 0.0


def test_a_relit_warm_lamp_is_back_sooner_than_a_cold_one():
    cold = first_time(timeline(), "light_umol_s", 900.0)
    line = timeline(sags=(sag(1800.0, 1.0, 0.2),))
    relit_s = first_time(line, "light_umol_s", 1.0, since_s=1801.0)
    assert first_time(line, "light_umol_s", 900.0, since_s=relit_s) - relit_s < 0.8 * cold


def test_a_short_sag_is_ridden_through_by_electronics_and_not_by_a_choke():
    half_cycle = (sag(1800.0, 0.6, 0.01),)
    assert light(timeline(sags=half_cycle), 1801.0) > 1000.0
    assert light(timeline(sags=half_cycle, ballast=CHOKE), 1801.0) == 0.0


def test_a_shallow_sag_dims_and_does_not_put_out():
    line = timeline(sags=(sag(1800.0, 0.1, 5.0),), ballast=CHOKE)
    assert 0.0 < power(line, 1802.0) < 0.85 * power(line, 1799.0)
    assert power(line, 1806.0) == pytest.approx(power(line, 1799.0), rel=0.01)


def test_a_magnetic_ballast_moves_power_with_voltage_and_an_electronic_one_hardly():
    def at(volts: float, ballast=None) -> tuple[float, float]:
        line = timeline(mains={"mean_v": volts}, ballast=ballast)
        return power(line, 7200.0), light(line, 7200.0)

    high, usual = at(241.5, CHOKE), at(230.0, CHOKE)
    # 5 % of voltage gives 9 to 12 % of lamp power (a page on high-reactance ballasts, low).
    assert 0.09 < high[0] / usual[0] - 1.0 < 0.12
    assert high[1] / usual[1] > high[0] / usual[0]  # light moves more than watts
    assert at(241.5)[0] / at(230.0)[0] - 1.0 < 0.005


def test_a_device_that_throws_heat_back_shifts_the_lamps_power():
    line = timeline()
    before = power(line, 7200.0)
    line.set_power_effect(1.01, 7300.0)
    assert power(line, 7301.0) / before == pytest.approx(1.01, rel=1e-3)


def test_ageing_lamp_loses_light_and_keeps_its_power():
    lamp = timeline().lamp
    assert lamp.maintenance(100.0) == 1.0
    assert lamp.maintenance(2.0) > 1.02  # not seasoned
    # 7 to 8 % at 10 000 h (article on high-pressure sodium maintenance, low)
    assert 0.07 < 1.0 - lamp.maintenance(10_000.0) - 0.0014 < 0.08
    old = timeline(lamp={"hours": 10_000.0})
    assert power(old, 7200.0) == pytest.approx(power(timeline(), 7200.0))


def test_hours_and_starts_are_counted_while_it_burns():
    line = timeline(sags=(sag(1800.0, 1.0, 0.2),))
    state = line.lamp_state(3600.0)
    assert state.hours - 130.0 == pytest.approx((3600.0 - 60.0) / 3600.0, abs=1e-3)
    assert state.starts == 2


def test_light_and_power_wander_with_a_memory():
    bench = VirtualBench(DEMO, load(packaged("demo"))[1])
    bench.switch_lamp(True, 0.0)
    watts = [bench.truth.wall_power_w(7200.0 + t, 7201.0 + t) for t in range(600)]
    steps = [abs(b - a) for a, b in itertools.pairwise(watts)]
    assert 0.1 < max(watts) - min(watts) < 8.0
    assert max(steps) < 0.5 * (max(watts) - min(watts))
