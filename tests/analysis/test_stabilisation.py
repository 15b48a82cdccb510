import math

import numpy as np
import pytest
from attrs import evolve

from analysis.stabilisation import (
    PRESETS,
    Rule,
    RuleError,
    judge,
    resolvability,
    rule_from_plan,
    time_to_stable,
)

RULE = Rule(
    name="test",
    block_s=60.0,
    window_s=900.0,
    limit=0.005,
    minimum_on_s=0.0,
    source="the test",
    status="the test",
)


def polled(shape, *, every_s=1.0, until_s=5400.0, noise=0.0, from_s=0.0, seed=1):
    """Moments and readings of a lamp whose output is a function of the time since lighting."""
    elapsed_s = np.arange(from_s, until_s, every_s)
    random = np.random.default_rng(seed)
    return elapsed_s, shape(elapsed_s) * (1 + noise * random.normal(size=len(elapsed_s)))


def run_up(elapsed_s, tau_s=240.0, level=600.0):
    return level * (1 - np.exp(-elapsed_s / tau_s))


def verdict(shape, **how):
    return judge(RULE, *polled(shape, **how), on_since_s=0.0)


# -- when it is stable ------------------------------------------------------------------------


def test_a_steady_lamp_is_stable_with_the_whole_margin():
    found = verdict(lambda t: 0 * t + 600)
    assert found.is_stable
    assert found.reason == ""
    assert found.margin == pytest.approx(1)
    assert found.span == 0


def test_span_is_of_block_means_over_their_mean():
    # 15 blocks that alternate between 600 and 601: span 1/600.5 (8 of one, 7 of the other).
    found = verdict(lambda t: 600 + (t // 60) % 2, until_s=901)
    means = np.where(np.arange(15) % 2, 601, 600)
    assert found.block_means == pytest.approx(means)
    assert found.span == pytest.approx(1 / means.mean())


def test_slope_bound_agrees_with_another_library():
    from scipy import stats

    found = verdict(lambda t: 600 + 0.001 * t + 0.4 * np.sin(t // 60 * 2.3), until_s=901)
    line = stats.linregress(np.arange(15) * 60.0, found.block_means)
    bound = abs(line.slope) + stats.t.ppf(0.95, 13) * line.stderr
    assert found.slope_bound == pytest.approx(bound * 900 / found.block_means.mean())


def test_exponential_run_up_is_stable_when_the_closed_form_says():
    # The rise within 15 min falls below 0.5 % of the final value from t0 on, with a time
    # constant of 4 min: t0 = 4 ln((1 − e^(−15/4)) / 0.005) = 21.098 min. Own arithmetic, not
    # a published value.
    tau_min = 4.0
    t0_min = tau_min * math.log((1 - math.exp(-15 / tau_min)) / 0.005)
    assert t0_min == pytest.approx(21.098, abs=1e-3)
    fine = evolve(RULE, block_s=5.0)
    series = polled(run_up, until_s=2700)
    found = time_to_stable(fine, light=series, power=series, on_since_s=0.0)
    # Two blocks: the ends of the window are block means, and the span is over the mean.
    assert found.both_s == pytest.approx((t0_min + 15) * 60, abs=10)


def test_same_lamp_polled_at_three_rates_is_stable_within_one_block():
    times = []
    for every_s in (5.0, 1.0, 0.2):
        light = polled(run_up, every_s=every_s, noise=0.0003, from_s=every_s / 3)
        power = polled(lambda t: run_up(t, 120, 640), every_s=every_s, noise=0.0002, seed=2)
        times.append(time_to_stable(RULE, light=light, power=power, on_since_s=0.0).both_s)
    assert None not in times
    assert max(times) - min(times) <= RULE.block_s


def test_light_and_power_must_be_stable_together():
    light = polled(run_up)
    power = polled(lambda t: run_up(t, 60, 640))
    found = time_to_stable(RULE, light=light, power=power, on_since_s=0.0)
    assert found.power_s < found.light_s
    assert found.both_s == found.light_s
    assert found.moment_s == found.both_s
    assert found.light.is_stable
    assert found.power.is_stable


def test_times_count_from_lighting_not_from_the_start_of_the_run():
    elapsed_s, values = polled(run_up)
    one = time_to_stable(RULE, light=(elapsed_s, values), power=(elapsed_s, values), on_since_s=0)
    later = (elapsed_s + 333.0, values)
    other = time_to_stable(RULE, light=later, power=later, on_since_s=333.0)
    assert other.both_s == one.both_s
    assert other.moment_s == pytest.approx(one.moment_s + 333.0)


def test_a_verdict_does_not_change_with_later_readings():
    elapsed_s, values = polled(run_up, noise=0.001)
    whole = time_to_stable(RULE, light=(elapsed_s, values), power=(elapsed_s, values), on_since_s=0)
    until = elapsed_s <= whole.both_s
    live = judge(RULE, elapsed_s[until], values[until], 0.0)
    assert live.is_stable
    just_before = elapsed_s < whole.both_s - 1
    assert not judge(RULE, elapsed_s[just_before], values[just_before], 0.0).is_stable


def test_readings_before_lighting_are_left_out():
    elapsed_s = np.arange(0.0, 1900.0)
    values = np.where(elapsed_s < 900, 0.0, 600.0)
    assert judge(RULE, elapsed_s, values, on_since_s=900.0).is_stable


# -- when it is not ---------------------------------------------------------------------------


@pytest.mark.parametrize("every_s", [5.0, 1.0, 0.2])
@pytest.mark.parametrize("sign", [1, -1])
def test_slow_creep_of_one_per_cent_in_a_quarter_hour_is_refused(every_s, sign):
    found = verdict(lambda t: 600 * (1 + sign * 0.01 * t / 900), every_s=every_s, noise=0.001)
    assert not found.is_stable


def test_creep_that_just_keeps_the_span_is_refused_by_its_slope():
    # 0.52 % in 15 min: the block means span 14/15 of it, less than the limit of 0.5 %.
    found = verdict(lambda t: 600 * (1 + 0.0052 * t / 900), until_s=901)
    assert found.span < RULE.limit
    assert not found.is_stable
    assert "still moving" in found.reason


@pytest.mark.parametrize("every_s", [5.0, 1.0, 0.2])
@pytest.mark.parametrize("period_s", [30, 60, 61, 90, 180, 300, 600, 900])
def test_hunting_by_one_per_cent_either_way_is_refused(period_s, every_s):
    found = verdict(
        lambda t: 600 * (1 + 0.01 * np.sin(2 * np.pi * t / period_s)), every_s=every_s, noise=0.002
    )
    assert not found.is_stable


def test_hunting_at_the_block_length_does_not_hide_in_the_block_means():
    found = verdict(lambda t: 600 * (1 + 0.01 * np.sin(2 * np.pi * t / 60)))
    assert found.span < 1e-6
    assert "hunting" in found.reason
    # Means over the quarters of a sine of amplitude a are ±2a/π, so their variance with three
    # degrees of freedom is 4/3 (2a/π)², and the swing 2√(2 × variance): 2.08 %. Own arithmetic.
    assert found.hunting == pytest.approx(
        2 * math.sqrt(2 * 4 / 3 * (2 * 0.01 / math.pi) ** 2), rel=0.01
    )


@pytest.mark.parametrize("every_s", [5.0, 1.0, 0.2])
def test_white_noise_is_not_taken_for_hunting(every_s):
    hunts = [
        verdict(lambda t: 0 * t + 600, every_s=every_s, noise=0.005, until_s=901, seed=seed).hunting
        for seed in range(40)
    ]
    assert sum(hunt > RULE.limit for hunt in hunts) == 0


@pytest.mark.parametrize("every_s", [5.0, 1.0, 0.2])
def test_two_stage_run_up_is_not_called_stable_on_its_first_level(every_s):
    def two_stages(t):
        # A level of 10 min at 80 % before the second rise begins at 18 min.
        first = 0.8 * (1 - np.exp(-t / 80.0))
        second = 0.2 * (1 - np.exp(-np.maximum(t - 1080.0, 0.0) / 150.0))
        return 600 * (first + second)

    series = polled(two_stages, every_s=every_s, noise=0.0003)
    found = time_to_stable(RULE, light=series, power=series, on_since_s=0.0)
    # The second rise is 25 % of the level before it; it must have died away and left the
    # window of 15 min: 0.25 e^(−t/150) = 0.005 at t = 587 s.
    assert found.both_s is not None
    assert found.both_s > 1080 + 587 + 600


def test_nothing_is_stable_before_the_minimum_time_on():
    rule = evolve(RULE, minimum_on_s=1800.0)
    series = polled(lambda t: 0 * t + 600)
    found = time_to_stable(rule, light=series, power=series, on_since_s=0.0)
    assert found.both_s == 1800
    early = judge(rule, series[0][:1000], series[1][:1000], 0.0)
    assert early.reason == "on for 960 s of at least 1800 s"


def test_a_window_that_is_not_full_is_not_stable():
    found = verdict(lambda t: 0 * t + 600, until_s=600)
    assert not found.is_stable
    assert found.reason == "9 of 15 blocks of 60 s so far"
    assert math.isnan(found.margin)


def test_a_block_without_a_reading_is_not_filled():
    elapsed_s, values = polled(lambda t: 0 * t + 600, until_s=1000)
    gap = (elapsed_s >= 300) & (elapsed_s < 420)
    found = judge(RULE, elapsed_s[~gap], values[~gap], 0.0)
    assert not found.is_stable
    assert "no reading in 2 of the last 15 blocks" in found.reason


def test_missing_readings_are_skipped():
    elapsed_s, values = polled(lambda t: 0 * t + 600, until_s=1000)
    values[::7] = np.nan
    assert judge(RULE, elapsed_s, values, 0.0).is_stable


def test_a_dark_sensor_is_not_stable():
    assert "not above 0" in verdict(lambda t: 0 * t).reason


def test_no_readings_at_all_is_a_verdict_too():
    found = judge(RULE, [], [], 0.0)
    assert not found.is_stable
    assert len(found.block_means) == 0
    never = time_to_stable(RULE, light=([], []), power=([], []), on_since_s=0.0)
    assert never.both_s is None


# -- the rule itself --------------------------------------------------------------------------


def test_no_preset_claims_compliance():
    for preset in PRESETS.values():
        assert preset.blocks >= 3
        if preset.name == "bench":
            assert preset.status == "common practice, no source"
        else:
            assert "from memory" in preset.status
            assert "no compliance is claimed" in preset.status


def test_a_plan_without_a_word_on_it_gets_the_bench_rule():
    assert rule_from_plan({}) == PRESETS["bench"]
    assert rule_from_plan({"warm_up": {"preset": "cie-121"}}) == PRESETS["cie-121"]


def test_a_preset_that_a_plan_changes_loses_its_source():
    rule = rule_from_plan({"warm_up": {"preset": "lm-79-08", "limit_percent": 1.0}})
    assert rule.limit == 0.01
    assert rule.window_s == 1800
    assert rule.name == "as written in the plan"
    assert "LM-79" not in rule.source


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ({"preset": "quick"}, "warm_up.preset is 'quick'; give one of 'bench'"),
        ({"block_s": -1}, "warm_up.block_s is -1; give a number above 0"),
        ({"limit_percent": "1"}, "warm_up.limit_percent is '1'"),
        ({"window_s": 100.0}, "holds 2 blocks of 60 s; at least 3"),
    ],
)
def test_a_faulty_rule_is_refused(table, says):
    with pytest.raises(RuleError) as caught:
        rule_from_plan({"warm_up": table})
    assert says in str(caught.value)


# -- whether the instruments can tell ---------------------------------------------------------


def test_a_step_coarser_than_the_limit_is_refused_with_the_numbers():
    said = resolvability(RULE, step=1.0, noise=0.0, level=100.0)
    assert said is not None
    # One step of 1 in 100 is 1 %.
    assert "1.00%" in said
    assert "limit of 0.50%" in said


def test_a_step_finer_than_the_limit_is_accepted():
    assert resolvability(RULE, step=1.0, noise=0.0, level=600.0) is None


def test_noise_that_blurs_the_step_lets_the_means_resolve_it():
    assert resolvability(RULE, step=1.0, noise=1.0, level=100.0, interval_s=0.5) is None


def test_noise_that_drowns_the_limit_is_refused():
    assert resolvability(RULE, step=0.0, noise=10.0, level=500.0, interval_s=5.0) is not None
    assert resolvability(RULE, step=0.0, noise=1.0, level=500.0, interval_s=1.0) is None


def test_span_that_noise_alone_shows_matches_a_trial():
    # The range of 15 normal values is 3.472 standard deviations on average (tables of the
    # range of normal samples, from memory). 5 % of 100 in blocks of 60 readings.
    rule = evolve(RULE, limit=1e-9)
    said = resolvability(rule, step=0.0, noise=5.0, level=100.0)
    shown = float(said.split("span of ")[1].split("%")[0]) / 100
    assert shown == pytest.approx(3.472 * 0.05 / math.sqrt(60), rel=0.01)


def test_polling_slower_than_the_block_is_refused():
    assert "leaves blocks of 60 s empty" in resolvability(
        RULE, step=0.0, noise=0.0, level=100.0, interval_s=90.0
    )


def test_a_level_of_nothing_is_refused():
    assert "above 0" in resolvability(RULE, step=1.0, noise=0.0, level=0.0)
