"""What the fault table promises, fault by fault: the state reached, the line printed, the lamp.

Every fault ends in one of two states: all measured, or safely stopped with the reason in one
line, everything read kept, the lamp dark where the relay lights it, and the stage at rest.
"""

from __future__ import annotations

import shutil
from collections import namedtuple

import numpy as np
import pytest
from attrs import evolve

from analysis import run_folder
from analysis.summary import summarise
from drivers.simulated.lamp_relay import CoilRelay
from drivers.simulated.peer import Fault
from rig import watches
from rig.demo.person import VirtualPerson
from rig.faults import RunStopped
from tests.rig.bench_run import bench_of, do_run, plan_of
from tests.rig.test_chain_against_truth import EXACT
from tests.rig.test_lamp_relay import bench_relay_is_closed, lamp_power_w, prove
from tests.rig.test_resume import BRIEF, STILL, Watcher, usual_of_demo

Plain = namedtuple("Plain", "run map begun_s ended_s")
ARMED = {"switching": "relay", "armed": True, "minimum_off_s": 60.0}
PAUSES = {"pause_most_min": 10.0}


def night(folder, *, trouble=PAUSES, lamp=ARMED, scenario=(), faults=(), relay=None, **more):
    """Return plan, profile and bench of a night that a relay lights, proved to open by itself."""
    plan = plan_of(folder, **BRIEF, lamp=dict(lamp), trouble=dict(trouble))
    content = {**STILL, **dict(scenario)}
    instruments = evolve(usual_of_demo(), lamp_relay=relay or CoilRelay(), **more).with_faults(
        **dict(faults)
    )
    profile, bench = bench_of(folder, scenario=content, errors=EXACT, instruments=instruments)
    prove(folder, profile, bench)
    return plan, profile, bench


def whole(folder, plan, profile, bench, **how):
    run = run_folder.load(do_run(folder, plan, profile, bench, **how))
    assert run.events.event.iloc[-1] == "run-ended"
    (one,) = summarise(run).maps
    assert one.is_complete
    return run


def stopped(folder, plan, profile, bench, **how):
    """Let a run stop, and see that it did so safely."""
    with pytest.raises(RunStopped) as caught:
        do_run(folder, plan, profile, bench, **how)
    assert_safe(bench, caught.value)
    return caught.value, run_folder.load(caught.value.folder)


def assert_safe(bench, end):
    assert "\n" not in end.reason
    run = run_folder.load(end.folder)
    assert run.damage == ()
    assert run.descriptor["evenfall"]["is_closed"]
    assert run.events.event.iloc[-1] == "stopped"
    assert run.events.detail.iloc[-1] == end.reason
    assert not bench_relay_is_closed(bench)
    assert lamp_power_w(bench) < 5.0
    assert not bench.virtual.gantry.is_moving(bench.clock.elapsed_s())
    rest = bench.virtual.gantry.position(bench.clock.elapsed_s())
    bench.clock.wait_until(bench.clock.elapsed_s() + 60.0)
    assert bench.virtual.gantry.position(bench.clock.elapsed_s()) == rest


def assert_refused_at_the_start(bench, end):
    """Before the run has begun in earnest, an instrument that is not there is a refusal."""
    assert_safe(bench, end)
    assert "homed" not in set(run_folder.load(end.folder).events.event)


def named(run, *names):
    return run.events[run.events.event.isin(names)]


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """A night without a fault: its map, and when the map begins and ends on the bench's clock."""
    folder = tmp_path_factory.mktemp("plain")
    run = whole(folder, *night(folder))
    return as_plain(run)


def as_plain(run):
    begun, ended = (
        float(named(run, name).elapsed_s.iloc[0]) for name in ("map-begun", "map-ended")
    )
    return Plain(run, summarise(run).maps[0], begun, ended)


def in_map(plain, share=0.5):
    return plain.begun_s + share * (plain.ended_s - plain.begun_s)


def same_map(run, plain):
    (one,) = summarise(run).maps
    np.testing.assert_allclose(one.ppfd, plain.map.ppfd, rtol=2e-3)


# Measurement faults: the run awaits the instrument


@pytest.mark.parametrize("section", ["light_sensor", "power_meter", "monitor_sensor"])
def test_an_instrument_whose_plug_was_out_for_a_while_is_awaited(section, plain, tmp_path):
    plan, profile, bench = night(tmp_path)
    line = getattr(bench.instruments, section).lines[0]
    out_s = in_map(plain)
    bench.clock.call_at(out_s, line.unplug)
    bench.clock.call_at(out_s + 95.0, line.replug)
    run = whole(tmp_path, plan, profile, bench)
    (paused,) = named(run, "paused").itertuples()
    (ended,) = named(run, "pause-ended").itertuples()
    assert paused.subject == section
    # Looked for every 10 s; a conversation with whoever is not there takes its own time.
    assert out_s + 95.0 <= ended.elapsed_s <= out_s + 95.0 + 15.0
    assert len(named(run, "relay-closed")) == 1
    assert len(named(run, "homed")) == 2
    assert named(run, "reference-agrees").elapsed_s.iloc[0] > ended.elapsed_s
    same_map(run, plain)


@pytest.mark.parametrize(
    ("section", "words"),
    [("light_sensor", "light sensor"), ("power_meter", "wattmeter")],
)
def test_an_instrument_that_stays_away_ends_the_run_when_the_pause_is_over(
    section, words, plain, tmp_path
):
    plan, profile, bench = night(tmp_path)
    line = getattr(bench.instruments, section).lines[0]
    bench.clock.call_at(in_map(plain), line.unplug)
    end, run = stopped(tmp_path, plan, profile, bench)
    assert end.exit_code == 1
    assert end.reason.startswith(f"measurement fault: {words}")
    assert end.reason.endswith("Paused for 10 min, no longer.")
    waited_s = run.events.elapsed_s.iloc[-1] - named(run, "paused").elapsed_s.iloc[0]
    assert 590.0 <= waited_s <= 620.0
    assert lamp_power_w(bench) < 5.0


def test_another_instrument_that_comes_back_on_the_port_is_not_taken_for_the_first(plain, tmp_path):
    plan, profile, bench = night(tmp_path)
    sensor = bench.instruments.light_sensor
    out_s = in_map(plain)

    def swap():
        sensor.lines[0].replug()
        ask = sensor.poll_identity
        sensor.poll_identity = lambda: None if (who := ask()) is None else f"{who}, another"

    bench.clock.call_at(out_s, sensor.lines[0].unplug)
    bench.clock.call_at(out_s + 60.0, swap)
    end, _ = stopped(tmp_path, plan, profile, bench)
    assert end.reason.endswith("no longer.")


def test_a_second_instrument_that_fails_in_the_pause_is_awaited_too_within_one_limit(
    plain, tmp_path
):
    plan, profile, bench = night(tmp_path)
    out_s = in_map(plain)
    for section, away_s in (("light_sensor", 0.0), ("power_meter", 30.0)):
        line = getattr(bench.instruments, section).lines[0]
        bench.clock.call_at(out_s + away_s, line.unplug)
        bench.clock.call_at(out_s + away_s + 120.0, line.replug)
    run = whole(tmp_path, plan, profile, bench)
    assert list(named(run, "paused").subject)[:2] == ["light_sensor", "power_meter"]
    same_map(run, plain)


@pytest.mark.parametrize("section", ["power_meter", "light_sensor"])
@pytest.mark.parametrize("share", [0.02, 0.2, 0.33, 0.36, 0.45, 0.95])
def test_an_instrument_may_be_gone_for_a_while_at_any_moment(section, share, plain, tmp_path):
    plan, profile, bench = night(tmp_path)
    line = getattr(bench.instruments, section).lines[0]
    begun_s = bench.clock.elapsed_s()
    out_s = begun_s + share * (plain.ended_s - begun_s)
    bench.clock.call_at(out_s, line.unplug)
    bench.clock.call_at(out_s + 40.0, line.replug)
    try:
        run = whole(tmp_path, plan, profile, bench)
    except RunStopped as end:
        assert_refused_at_the_start(bench, end)
    else:
        same_map(run, plain)
        assert lamp_power_w(bench) < 5.0


def test_a_saturated_sensor_is_not_taken_for_a_reading(plain, tmp_path):
    brightest = float(np.nanmax(plain.map.ppfd))
    plan, profile, bench = night(tmp_path)
    options = evolve(profile.light_sensor.options, full_scale_umol_m2_s=0.97 * brightest)
    profile = evolve(profile, light_sensor=evolve(profile.light_sensor, options=options))
    person = Watcher(bench, plan.device.name)
    end, run = stopped(tmp_path, plan, profile, bench, operator=person)
    assert end.reason.startswith("measurement fault: light sensor at row ")
    assert "the end of its range" in end.reason
    assert end.reason.endswith("Paused for 10 min, no longer.")
    marked = run.readings[run.readings.status == "implausible"]
    assert (marked.value >= 0.97 * brightest).all()
    assert len(marked) >= 3
    fine = run.readings[(run.readings.role == "grid") & (run.readings.status == "ok")]
    assert (fine[fine.instrument == "light_sensor"].value < 0.97 * brightest).all()


# Motion faults: a person looks, and nothing moves before


@pytest.mark.parametrize("kind", ["alarm", "banner"])
def test_after_a_motion_fault_a_person_says_when_the_stage_homes(kind, tmp_path):
    plan, profile, bench = night(tmp_path, faults={"stage": [Fault(kind=kind, at_exchange=30)]})
    person = Watcher(bench, plan.device.name)
    run = whole(tmp_path, plan, profile, bench, operator=person)
    assert "mend" in person.asked
    (paused,) = named(run, "paused").itertuples()
    assert paused.subject == "stage"
    assert paused.detail.startswith("motion fault: stage")
    answered_s = run.events[(run.events.event == "answer") & (run.events.subject == "mend")]
    homed_s = named(run, "homed").elapsed_s.to_numpy()
    assert homed_s[1] > answered_s.elapsed_s.iloc[0]


def test_what_was_read_before_a_lost_position_is_read_again_from_the_reference_on(plain, tmp_path):
    plan, profile, bench = night(tmp_path)
    peer = bench.instruments.stage.lines[0]._peer
    alarm_s = in_map(plain, 0.62)
    bench.clock.call_at(alarm_s, lambda: raise_alarm(peer, bench))
    run = whole(tmp_path, plan, profile, bench)
    doubted_s = named(run, "readings-doubted").elapsed_s.iloc[0]
    light = run.readings[run.readings.instrument == "light_sensor"]
    reference_s = light[(light.role == "reference") & (light.elapsed_s < doubted_s)].elapsed_s.max()
    in_doubt = light[
        (light.role == "grid") & light.elapsed_s.between(reference_s, doubted_s, inclusive="right")
    ]
    again = light[(light.role == "grid") & (light.elapsed_s > doubted_s)]
    places = set(zip(again.grid_row, again.grid_column, strict=True))
    assert len(in_doubt)
    assert set(zip(in_doubt.grid_row, in_doubt.grid_column, strict=True)) <= places
    same_map(run, plain)


def raise_alarm(peer, bench):
    peer._alarm(1, bench.clock.elapsed_s())


class Away(VirtualPerson):
    """Answers all but one kind of question."""

    def __init__(self, bench, device, kind):
        super().__init__(bench, device)
        self._kind = kind

    def ask(self, prompt):
        if prompt.kind != self._kind:
            super().ask(prompt)


class Mender(Watcher):
    """Isolates the lamp before going near it, and puts it back before answering."""

    def ask(self, prompt):
        self.asked.append(prompt.kind)
        self.text = prompt.text
        if prompt.kind == "mend":
            now_s = self._clock.elapsed_s()
            for after_s, isolated in ((5.0, True), (50.0, False)):
                self._clock.call_at(
                    now_s + after_s,
                    lambda i=isolated, s=now_s + after_s: self._bench.isolate_lamp(i, s),
                )
            if self.asked.count("mend") > 1:
                self._clock.call_at(now_s + 100.0, lambda: setattr(self, "_answer", "go on"))
            return
        VirtualPerson.ask(self, prompt)


def test_whoever_mends_may_switch_the_lamp_off_and_it_stays_off_until_they_say_so(plain, tmp_path):
    plan, profile, bench = night(tmp_path)
    peer = bench.instruments.stage.lines[0]._peer
    bench.clock.call_at(in_map(plain), lambda: raise_alarm(peer, bench))
    person = Mender(bench, plan.device.name)
    run = whole(tmp_path, plan, profile, bench, operator=person)
    answered = run.events[(run.events.event == "answer") & (run.events.subject == "mend")]
    switched = named(run, "relay-closed", "relay-opened")
    assert list(switched.event)[:3] == ["relay-closed", "relay-opened", "relay-closed"]
    opened_s, closed_s = switched.elapsed_s.to_numpy()[1:3]
    assert opened_s < answered.elapsed_s.iloc[0] < closed_s
    assert closed_s - opened_s >= plan.lamp.minimum_off_s
    same_map(run, plain)


def test_by_hand_too_a_lamp_switched_off_for_mending_is_lit_and_warmed_up_anew(plain, tmp_path):
    by_hand = {"switching": "hand", "armed": False, "minimum_off_s": 60.0}
    plan, profile, bench = night(tmp_path, lamp=by_hand)
    bench.virtual.isolate_lamp(False, bench.clock.elapsed_s())
    peer = bench.instruments.stage.lines[0]._peer
    bench.clock.call_at(in_map(plain), lambda: raise_alarm(peer, bench))

    class Switcher(Mender):
        def ask(self, prompt):
            super().ask(prompt)
            if prompt.kind == "mend":
                self._bench.switch_lamp(False, self._clock.elapsed_s())

    person = Switcher(bench, plan.device.name)
    run = whole(tmp_path, plan, profile, bench, operator=person)
    assert person.asked.count("lamp-on") == 2
    assert len(named(run, "lamp-stable")) == 2
    same_map(run, plain)


def test_where_nobody_mends_the_stage_the_run_ends_when_the_pause_is_over(tmp_path):
    plan, profile, bench = night(tmp_path, faults={"stage": [Fault(kind="alarm", at_exchange=30)]})
    away = Away(bench, plan.device.name, "mend")
    end, run = stopped(tmp_path, plan, profile, bench, operator=away)
    assert end.reason.startswith("motion fault: stage")
    assert end.reason.endswith("Paused for 10 min, no longer.")
    assert len(named(run, "homed")) == 1


def test_a_stop_in_the_pause_is_a_stop(tmp_path):
    plan, profile, bench = night(tmp_path, faults={"stage": [Fault(kind="alarm", at_exchange=30)]})
    person = Watcher(bench, plan.device.name, mend="stop")
    end, _ = stopped(tmp_path, plan, profile, bench, operator=person)
    assert end.reason.startswith("motion fault: stage")


# The lamp


def put_out(bench, at_s):
    """Let the arc go out by an interruption of the mains, the relay staying closed."""
    bench.clock.call_at(at_s, lambda: bench.virtual.isolate_lamp(True, at_s))
    bench.clock.call_at(at_s + 2.0, lambda: bench.virtual.isolate_lamp(False, at_s + 2.0))


def test_a_lamp_that_went_out_is_relit_by_an_armed_relay_after_its_off_time(plain, tmp_path):
    folders = [tmp_path / "plain", tmp_path / "out"]
    for folder in folders:
        folder.mkdir()
    cold = {**ARMED, "minimum_off_s": 900.0}
    undisturbed = as_plain(whole(folders[0], *night(folders[0], lamp=cold)))
    plan, profile, bench = night(folders[1], lamp=cold)
    out_s = in_map(undisturbed)
    put_out(bench, out_s)
    run = whole(folders[1], plan, profile, bench)
    switched = named(run, "relay-closed", "relay-opened")
    assert list(switched.event) == ["relay-closed", "relay-opened", "relay-closed", "relay-opened"]
    opened_s, closed_s = switched.elapsed_s.to_numpy()[1:3]
    assert closed_s - opened_s >= 900.0
    assert opened_s - out_s < 10.0
    assert len(named(run, "lamp-stable")) == 2
    assert "readings-doubted" in set(run.events.event)
    same_map(run, plain)


def test_it_is_not_relit_more_often_than_the_plan_allows(plain, tmp_path):
    plan, profile, bench = night(tmp_path, trouble={**PAUSES, "relight_most": 0})
    put_out(bench, in_map(plain))
    end, _ = stopped(tmp_path, plan, profile, bench)
    assert end.reason.startswith("hazard: wall power fell from ")


def test_a_lamp_lit_by_hand_is_never_relit(plain, tmp_path):
    by_hand = {"switching": "hand", "armed": False, "minimum_off_s": 60.0}
    plan, profile, bench = night(tmp_path, lamp=by_hand)
    bench.virtual.isolate_lamp(False, bench.clock.elapsed_s())
    put_out(bench, in_map(plain))
    with pytest.raises(RunStopped, match="hazard: wall power fell from "):
        do_run(tmp_path, plan, profile, bench)


def test_a_meter_that_loses_the_lamp_is_told_from_a_lamp_that_went_out(plain, tmp_path):
    plan, profile, bench = night(tmp_path)
    watch_s = in_map(plain)
    meter = bench.instruments.power_meter
    poll = meter.poll

    def lost():
        readings = poll()
        if readings is None or not watch_s <= bench.clock.elapsed_s() <= watch_s + 3.0:
            return readings
        return tuple(evolve(r, value=0.3) if r.quantity == "wall_power_w" else r for r in readings)

    meter.poll = lost
    run = whole(tmp_path, plan, profile, bench)
    (paused,) = named(run, "paused").itertuples()
    assert paused.subject == "power_meter"
    assert "The light is still there" in paused.detail
    assert len(named(run, "relay-closed")) == 1


def test_a_meter_that_has_lost_the_lamp_for_good_ends_the_run(plain, tmp_path):
    plan, profile, bench = night(tmp_path)
    watch_s = in_map(plain)
    meter = bench.instruments.power_meter
    poll = meter.poll

    def lost():
        readings = poll()
        if readings is None or bench.clock.elapsed_s() < watch_s:
            return readings
        return tuple(evolve(r, value=0.3) if r.quantity == "wall_power_w" else r for r in readings)

    meter.poll = lost
    end, _ = stopped(tmp_path, plan, profile, bench)
    assert "The light is still there" in end.reason
    assert end.reason.endswith("Paused for 10 min, no longer.")


def test_a_lamp_that_goes_out_after_a_pause_for_the_meter_is_still_seen(plain, tmp_path):
    plan, profile, bench = night(tmp_path, trouble={**PAUSES, "relight_most": 0})
    watch_s = in_map(plain, 0.2)
    meter = bench.instruments.power_meter
    poll = meter.poll

    def lost():
        readings = poll()
        if readings is None or not watch_s <= bench.clock.elapsed_s() <= watch_s + 3.0:
            return readings
        return tuple(evolve(r, value=0.3) if r.quantity == "wall_power_w" else r for r in readings)

    meter.poll = lost
    put_out(bench, watch_s + 30.0)
    end, run = stopped(tmp_path, plan, profile, bench)
    assert "pause-ended" in set(run.events.event)
    assert end.reason.startswith("hazard: wall power fell from ")


@pytest.mark.parametrize(
    ("factor", "words"),
    [(2.0, "allowed up to"), (1.3, "and stays there"), (0.75, "and stays there")],
)
def test_too_much_power_and_a_step_of_it_are_hazards(factor, words, plain, tmp_path):
    plan, profile, bench = night(tmp_path)
    from_s = in_map(plain)
    meter = bench.instruments.power_meter
    poll = meter.poll

    def stepped():
        readings = poll()
        if readings is None or bench.clock.elapsed_s() < from_s:
            return readings
        return tuple(
            evolve(r, value=factor * r.value) if r.quantity == "wall_power_w" else r
            for r in readings
        )

    meter.poll = stepped
    end, _ = stopped(tmp_path, plan, profile, bench)
    assert end.reason.startswith("hazard: wall power ")
    assert words in end.reason


def test_a_step_of_the_light_at_the_reference_is_a_hazard(plain, tmp_path):
    plan, profile, bench = night(tmp_path)
    from_s = in_map(plain)
    sensor = bench.instruments.light_sensor
    poll = sensor.poll

    def dimmed():
        readings = poll()
        if readings is None or bench.clock.elapsed_s() < from_s:
            return readings
        return tuple(evolve(r, value=0.6 * r.value) for r in readings)

    sensor.poll = dimmed
    end, run = stopped(tmp_path, plan, profile, bench)
    assert end.reason.startswith("hazard: the light at the reference point went from ")
    # What was read since the reference last read right is in no result.
    summary = summarise(run)
    ratio = summary.maps[0].ppfd / plain.map.ppfd
    assert np.nanmin(ratio) > 0.99
    assert np.isnan(ratio).any()
    assert any("left out, unless they were read again" in remark for remark in summary.remarks)


def test_a_lamp_is_never_lit_longer_than_the_plan_allows(plain, tmp_path):
    most_h = (in_map(plain) - float(named(plain.run, "lamp-lit").elapsed_s.iloc[0])) / 3600.0
    plan, profile, bench = night(tmp_path, trouble={**PAUSES, "lamp_on_most_h": most_h})
    end, run = stopped(tmp_path, plan, profile, bench)
    assert end.reason.startswith("hazard: the lamp has been lit for ")
    lit_s = run.events.elapsed_s.iloc[-1] - named(run, "lamp-lit").elapsed_s.iloc[0]
    assert lit_s == pytest.approx(3600.0 * most_h, abs=3.0)


# Disk, clock, suspend


def test_a_sleep_in_a_pause_does_not_end_the_pause(plain, tmp_path):
    by_hand = {"switching": "hand", "armed": False, "minimum_off_s": 60.0}
    plan, profile, bench = night(tmp_path, lamp=by_hand)
    bench.virtual.isolate_lamp(False, bench.clock.elapsed_s())
    line, out_s = bench.instruments.power_meter.lines[0], in_map(plain)
    bench.clock.call_at(out_s, line.unplug)
    suspend(bench, out_s + 60.0, 120.0)
    bench.clock.call_at(out_s + 300.0, line.replug)
    run = whole(tmp_path, plan, profile, bench)
    assert named(run, "pause-ended").elapsed_s.iloc[0] >= out_s + 300.0
    same_map(run, plain)


def test_a_disk_that_fills_ends_the_run_while_it_can_still_be_closed(plain, tmp_path, monkeypatch):
    plan, profile, bench = night(tmp_path)
    full_s = in_map(plain)
    usage = namedtuple("usage", "total used free")

    def free(folder):
        left = 10**9 if bench.clock.elapsed_s() < full_s else 19_000_000
        return usage(10**9, 10**9 - left, left)

    monkeypatch.setattr(watches.shutil, "disk_usage", free)
    end, run = stopped(tmp_path, plan, profile, bench)
    assert end.reason.startswith("disk nearly full: 19 MB are left")
    assert run.events.elapsed_s.iloc[-1] - full_s < watches.DISK_EVERY_S + 5.0
    assert shutil.disk_usage is free


@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_a_clock_stepped_by_an_hour_is_noted_and_changes_nothing(step_s, plain, tmp_path):
    plan, profile, bench = night(tmp_path)
    bench.clock.call_at(in_map(plain), lambda: bench.clock.step_utc(step_s))
    run = whole(tmp_path, plan, profile, bench)
    (event,) = named(run, "clock-stepped").itertuples()
    assert f"{step_s:+.0f} s" in event.detail
    # Order and intervals are those of the night whose clock was left alone.
    np.testing.assert_array_equal(run.readings.role, plain.run.readings.role)
    np.testing.assert_allclose(run.readings.elapsed_s, plain.run.readings.elapsed_s, atol=0.002)
    np.testing.assert_allclose(summarise(run).maps[0].ppfd, plain.map.ppfd, rtol=1e-4)


def suspend(bench, at_s, for_s):
    def sleep():
        bench.clock._elapsed_s += for_s

    bench.clock.call_at(at_s, sleep)


def test_a_computer_that_slept_finds_its_relay_open_and_stops(plain, tmp_path):
    plan, profile, bench = night(tmp_path)
    suspend(bench, in_map(plain), 1200.0)
    end, _ = stopped(tmp_path, plan, profile, bench)
    assert end.reason.startswith("hazard: control of the lamp relay is lost")


def test_with_the_lamp_lit_by_hand_a_sleep_of_20_minutes_costs_a_reference_reading(plain, tmp_path):
    by_hand = {"switching": "hand", "armed": False, "minimum_off_s": 60.0}
    plan, profile, bench = night(tmp_path, lamp=by_hand)
    bench.virtual.isolate_lamp(False, bench.clock.elapsed_s())
    slept_s = in_map(plain)
    suspend(bench, slept_s, 1200.0)
    run = whole(tmp_path, plan, profile, bench)
    elapsed_s = run.readings.elapsed_s.to_numpy()
    assert (np.diff(elapsed_s) >= 0.0).all()
    assert 1190.0 < np.diff(elapsed_s).max() < 1230.0
    doubted = named(run, "readings-doubted")
    assert "20 min" in doubted.detail.iloc[0]
    assert len(named(run, "homed")) == 2
    same_map(run, plain)
