"""The relay lights the lamp when armed, and every way out of a run leaves the lamp dark."""

from __future__ import annotations

import math
import os
import re
import signal
from collections import deque
from datetime import datetime, timedelta

import pytest
from attrs import evolve
from rich.console import Console

from analysis import lab_folder, lab_records, run_folder
from analysis.lab_entries import InstrumentEntry, LampEntry
from drivers.arming import Arming
from drivers.clock import VirtualClock
from drivers.simulated.attach import usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.instruments import ModbusThermometer
from drivers.simulated.lamp_relay import BlinkedRelay, CoilRelay
from drivers.simulated.peer import Fault
from drivers.simulated.scenario import packaged
from rig import check_relay, lamp_records
from rig.demo.person import NoStop, VirtualPerson
from rig.faults import RunStopped
from rig.lamp import NotProved, prove_opening
from rig.profile import cross_check, read_profile
from rig.sequence import Sequence
from rig.toml_faults import ConfigError
from tests.drivers.far_end import finish
from tests.rig.bench_run import bench_of, do_run, plan_of

ARMED = {"switching": "relay", "armed": True, "minimum_off_s": 60.0}
#: As short as a run can be: the relay is looked at here, not the lamp's stability.
BRIEF = {
    "grid": {"rows": 2, "columns": 2},
    "dark": {"points": 4},
    "warm_up": {
        "block_s": 10.0,
        "window_s": 30.0,
        "limit_percent": 20.0,
        "minimum_on_s": 120.0,
        "maximum_s": 1200.0,
    },
    "sampling": {"samples_per_point": 1, "quick_look": False, "reference_every": 4},
}


def relay_bench(folder, relay=None, **more):
    plain = usual_instruments(VirtualBench.from_scenario(packaged("demo")))
    instruments = evolve(plain, lamp_relay=relay or CoilRelay(), **more)
    return bench_of(folder, instruments=instruments)


def prove(folder, profile, bench):
    proof = prove_opening(
        bench.instruments.lamp_relay,
        bench.clock,
        VirtualPerson(bench, "Reflector A"),
        power_meter=bench.instruments.power_meter,
    )
    lamp_records.record_proof(folder / "lab", profile.lamp_relay, proof.words, bench.clock.utc())
    bench.virtual.isolate_lamp(False, bench.clock.elapsed_s())


def lamp_power_w(bench):
    """Return the power a second from now: the bench has no finer steps than a quarter of one."""
    bench.clock.wait_until(bench.clock.elapsed_s() + 1.0)
    return bench.virtual.truth.wall_power_w(bench.clock.elapsed_s())


def bench_relay_is_closed(bench):
    """Ask the contact itself, not the driver."""
    return bench.instruments.lamp_relay.lines[0]._peer.is_closed


class Telling(VirtualPerson):
    """Remembers what it was asked."""

    def __init__(self, bench, device):
        super().__init__(bench, device)
        self.kinds = []

    def ask(self, prompt):
        self.kinds.append(prompt.kind)
        super().ask(prompt)


@pytest.mark.parametrize("relay", [CoilRelay(), CoilRelay(heeds="write"), BlinkedRelay()])
def test_an_armed_relay_lights_the_lamp_unasked_and_switches_it_off_at_the_end(tmp_path, relay):
    plan = plan_of(tmp_path, **BRIEF, lamp=ARMED)
    profile, bench = relay_bench(tmp_path, relay)
    prove(tmp_path, profile, bench)
    person = Telling(bench, plan.device.name)
    run = run_folder.load(do_run(tmp_path, plan, profile, bench, operator=person))
    events = list(run.events.event)
    assert "lamp-on" not in person.kinds
    assert "lamp-off" not in person.kinds
    assert events.index("relay-closed") < events.index("lamp-lit")
    assert events.index("map-ended") < events.index("relay-opened") < events.index("run-ended")
    assert lamp_power_w(bench) < 5.0


def armed_run(tmp_path, relay=None, *, prove_it=True, lamp=(), bench_keys=(), **run_keys):
    plan = plan_of(tmp_path, **BRIEF, lamp={**ARMED, **dict(lamp)})
    profile, bench = relay_bench(tmp_path, relay, **dict(bench_keys))
    if prove_it:
        prove(tmp_path, profile, bench)
    return plan, profile, bench


def events_of(stopped):
    return run_folder.load(stopped.value.folder).events


def at(bench, elapsed_s, action):
    bench.clock.call_at(elapsed_s, action)


# Refusals


def test_a_relay_without_a_proof_on_record_lights_nothing(tmp_path):
    plan, profile, bench = armed_run(tmp_path, prove_it=False)
    with pytest.raises(RunStopped, match=r"refused: there is no proof on record.*evenfall check"):
        do_run(tmp_path, plan, profile, bench)
    assert not (tmp_path / "lab" / "runs").exists()


def test_a_proof_is_good_for_a_month_and_for_the_declared_time_only(tmp_path):
    _, profile, bench = armed_run(tmp_path)
    lab, entry, now = tmp_path / "lab", profile.lamp_relay, bench.clock.utc()
    assert lamp_records.why_not_proved(lab, entry, now) == ""
    assert "good for 31 days" in lamp_records.why_not_proved(lab, entry, now + timedelta(days=32))
    assert "good for 31 days" in lamp_records.why_not_proved(lab, entry, now - timedelta(days=1))
    other = evolve(entry, options=evolve(entry.options, opens_after_silence_s=30.0))
    assert "another declared time" in lamp_records.why_not_proved(lab, other, now)


def test_a_repair_of_the_relay_asks_for_a_new_proof(tmp_path):
    _, profile, bench = armed_run(tmp_path)
    lab, now = tmp_path / "lab", bench.clock.utc()
    label = lamp_records.relay_label(profile.lamp_relay)
    lab_records.add_instrument(lab, InstrumentEntry(utc=now, instrument=label, event="repaired"))
    assert "no proof on record" in lamp_records.why_not_proved(lab, profile.lamp_relay, now)


@pytest.mark.parametrize(
    ("lamp", "words"),
    [
        ({"switching": "relay"}, 'armed is false, and lamp.switching is "relay"'),
        ({"armed": True}, 'armed is true, and lamp.switching is "hand"'),
        ({"switching": "rely", "armed": True}, "did you mean 'relay'"),
    ],
)
def test_one_of_the_two_words_alone_is_a_fault_of_the_plan(tmp_path, lamp, words):
    with pytest.raises(ConfigError, match=re.escape(words)):
        plan_of(tmp_path, lamp=lamp)


def test_plan_and_profile_must_fit(tmp_path):
    plan = plan_of(tmp_path, **BRIEF, lamp=ARMED)
    profile, bench = relay_bench(tmp_path)
    assert cross_check(plan, profile) == []
    undeclared = evolve(
        profile,
        lamp_relay=evolve(
            profile.lamp_relay,
            options=evolve(profile.lamp_relay.options, opens_after_silence_s=None),
        ),
    )
    (fault,) = cross_check(plan, undeclared)
    assert "opens_after_silence_s is missing" in fault
    (fault,) = cross_check(plan, evolve(profile, lamp_relay=None))
    assert "no [lamp_relay]" in fault
    bench.close()


@pytest.mark.parametrize("declared", [60.1, 0.0, -1.0, "20"])
def test_a_relay_that_holds_longer_than_a_minute_cannot_be_declared(tmp_path, declared):
    relay_bench(tmp_path)[1].close()
    text = (tmp_path / "rig.toml").read_text(encoding="utf-8")
    changed = text.replace(
        "opens_after_silence_s = 20.0", f"opens_after_silence_s = {declared!r}".replace("'", '"')
    )
    (tmp_path / "rig.toml").write_text(changed, encoding="utf-8")
    with pytest.raises(ConfigError, match=r"opens_after_silence_s is .*at most 60"):
        read_profile(tmp_path / "rig.toml")


# The minimum off time


def lit_s(run):
    return float(run.events[run.events.event == "relay-closed"].elapsed_s.iloc[0])


def test_a_lamp_of_unknown_history_waits_its_minimum_off_time(tmp_path):
    plan, profile, bench = armed_run(tmp_path, lamp={"minimum_off_s": 300.0})
    begun_s = bench.clock.elapsed_s()
    run = run_folder.load(do_run(tmp_path, plan, profile, bench))
    assert lit_s(run) - begun_s == pytest.approx(300.0, abs=2.0)


@pytest.mark.parametrize(
    ("lines", "off_for_s"),
    [
        ([("off", "run-1", 600)], 600),
        ([("off", "run-1", 600), ("burned", "run-1", 600)], 600),
        ([("lit", "run-1", 600)], 0),  # killed while it burned
        ([("off", "run-1", 900), ("lit", "run-2", 600)], 0),  # the same, after a sound run
        ([("off", "run-1", 900), ("lit", "run-2", 600), ("burned", "run-2", 300)], 0),  # by hand
        ([("off", "run-1", 900), ("burned", "by hand", 300)], 0),
        ([("burned", "run-1", 600)], 0),
        ([("off", "run-1", -600)], 0),  # the clock was stepped
        ([], 0),
    ],
)
def test_time_since_off_is_what_the_record_shows_and_else_nothing(tmp_path, lines, off_for_s):
    lab_folder.create(tmp_path / "lab", name="lab")
    clock = VirtualClock()
    for event, run_name, ago_s in lines:
        figures = {"hours_added": 1.0} if event == "burned" else {}
        lab_records.add_lamp(
            tmp_path / "lab",
            LampEntry(
                utc=clock.utc() - timedelta(seconds=ago_s),
                lamp="L-07",
                event=event,
                detail=run_name,
                **figures,
            ),
        )
    since_s = lamp_records.off_since_s(tmp_path / "lab", "L-07", clock)
    assert clock.elapsed_s() - since_s == pytest.approx(off_for_s, abs=1.0)
    assert lamp_records.off_since_s(tmp_path / "lab", "L-08", clock) == clock.elapsed_s()
    assert lamp_records.off_since_s(tmp_path / "lab", "", clock) == clock.elapsed_s()


def test_a_second_run_counts_from_when_the_first_switched_off(tmp_path):
    plan, profile, bench = armed_run(tmp_path, lamp={"minimum_off_s": 300.0})
    first = run_folder.load(do_run(tmp_path, plan, profile, bench))
    opened = first.events[first.events.event == "relay-opened"]
    off_utc = datetime.fromisoformat(opened.utc.iloc[0])
    _, again = relay_bench(tmp_path)
    again.clock.step_utc((off_utc - again.clock.utc()).total_seconds() + 10.0)
    begun_s = again.clock.elapsed_s()
    second = run_folder.load(do_run(tmp_path, plan, profile, again))
    # Ten seconds are over already; utc stands in the record to the second.
    assert lit_s(second) - begun_s == pytest.approx(plan.lamp.minimum_off_s - 10.0, abs=3.0)


def test_a_sequence_that_forgot_to_wait_is_refused(tmp_path, monkeypatch):
    plan, profile, bench = armed_run(tmp_path, lamp={"minimum_off_s": 900.0})
    monkeypatch.setattr(Sequence, "_light", lambda sequence: sequence._lamp.light())
    with pytest.raises(RunStopped, match=r"refused: lamp: off for \d+ s .*lit after 900 s"):
        do_run(tmp_path, plan, profile, bench)
    assert not bench_relay_is_closed(bench)
    assert lab_records.read_lamps(tmp_path / "lab").entries == ()


# Ways out


def test_a_stop_while_the_lamp_burns_opens_the_relay_at_once(tmp_path):
    plan, profile, bench = armed_run(tmp_path)

    class Stop(NoStop):
        reason = None

    stop = Stop()
    asked_s = bench.clock.elapsed_s() + 250.0
    at(bench, asked_s, lambda: setattr(stop, "reason", "stopped by the operator (SIGTERM)"))
    with pytest.raises(RunStopped):
        do_run(tmp_path, plan, profile, bench, stop=stop)
    assert bench.clock.elapsed_s() - asked_s < 2.0
    assert bench.virtual.truth.wall_power_w(asked_s - 5.0) > 100.0
    assert lamp_power_w(bench) < 5.0


@pytest.mark.parametrize(
    "faults",
    [
        {"power_meter": [Fault(kind="drop", at_exchange=250, exchanges=math.inf)]},
        {"light_sensor": [Fault(kind="drop", at_exchange=40, exchanges=math.inf)]},
        {"stage": [Fault(kind="alarm", at_exchange=20)]},
        {"stage": [Fault(kind="banner", at_exchange=20)]},
    ],
)
def test_whatever_ends_a_run_the_lamp_is_dark(tmp_path, faults):
    plan = plan_of(tmp_path, **BRIEF, lamp=ARMED)
    plain = usual_instruments(VirtualBench.from_scenario(packaged("demo")))
    instruments = evolve(plain, lamp_relay=CoilRelay()).with_faults(**faults)
    profile, bench = bench_of(tmp_path, instruments=instruments)
    prove(tmp_path, profile, bench)
    with pytest.raises(RunStopped) as stopped:
        do_run(tmp_path, plan, profile, bench)
    assert "relay-closed" in set(events_of(stopped).event)
    assert lamp_power_w(bench) < 5.0
    entries = [entry.event for entry in lab_records.read_lamps(tmp_path / "lab").entries]
    assert entries[:2] == ["lit", "off"]


def test_a_dead_port_of_the_relay_ends_the_run_and_the_relay_opens_by_itself(tmp_path):
    plan, profile, bench = armed_run(tmp_path)
    pulled_s = bench.clock.elapsed_s() + 250.0
    line = bench.instruments.lamp_relay.lines[0]
    at(bench, pulled_s, line.unplug)
    with pytest.raises(RunStopped, match="hazard: control of the lamp relay is lost"):
        do_run(tmp_path, plan, profile, bench)
    gone_s = bench.clock.elapsed_s()
    assert gone_s - pulled_s < 20.0  # seen at the next refresh, and five seconds of trying
    bench.clock.wait_until(pulled_s + 20.0)
    assert bench.virtual.truth.wall_power_w(pulled_s + 1.0) > 100.0
    assert lamp_power_w(bench) < 5.0
    # Never seen to be open: the next run takes the lamp for just switched off.
    assert [entry.event for entry in lab_records.read_lamps(tmp_path / "lab").entries] == [
        "lit",
        "burned",
    ]


def test_a_program_that_hangs_or_is_killed_lets_the_relay_open_in_its_time(tmp_path):
    _, profile, bench = armed_run(tmp_path)
    relay = bench.instruments.lamp_relay
    relay.start_on(Arming(granted_by="test", expires_s=bench.clock.elapsed_s() + 1.0))
    assert finish(relay, bench.clock) is True
    spoken_s = bench.clock.elapsed_s()
    bench.clock.wait_until(spoken_s + 17.0)
    assert lamp_power_w(bench) > 1.0
    bench.clock.wait_until(spoken_s + profile.lamp_relay.options.opens_after_silence_s)
    assert lamp_power_w(bench) < 1.0


@pytest.mark.parametrize("drops", [1, 2])
def test_a_refresh_that_fails_is_tried_again_before_the_relay_opens(tmp_path, drops):
    plan = plan_of(tmp_path, **BRIEF, lamp=ARMED)
    # Exchanges: proof 6, identity 1, on 2; then refreshes.
    faults = (Fault(kind="drop", at_exchange=20, exchanges=drops),)
    profile, bench = relay_bench(tmp_path, CoilRelay(faults=faults))
    prove(tmp_path, profile, bench)
    run = run_folder.load(do_run(tmp_path, plan, profile, bench))
    faulty = run.events[(run.events.event == "fault") & (run.events.subject == "lamp_relay")]
    assert len(faulty) == drops
    assert "run-ended" in set(run.events.event)


def test_a_relay_that_opens_by_itself_is_a_hazard(tmp_path):
    plan = plan_of(tmp_path, **BRIEF, lamp=ARMED)
    # It holds for 4 s only; refreshed every 20/3 s, it opens in between.
    profile, bench = relay_bench(tmp_path, CoilRelay(timeout_s=4.0))
    prove(tmp_path, profile, bench)
    with pytest.raises(RunStopped, match=r"hazard: control of the lamp relay is lost.*by itself"):
        do_run(tmp_path, plan, profile, bench)
    assert lamp_power_w(bench) < 5.0


def test_a_relay_that_does_not_close_is_told_to_open_and_not_tried_again(tmp_path):
    plan = plan_of(tmp_path, **BRIEF, lamp=ARMED)
    faults = (Fault(kind="stuck", at_exchange=8, exchanges=math.inf),)
    profile, bench = relay_bench(tmp_path, CoilRelay(faults=faults))
    prove(tmp_path, profile, bench)
    with pytest.raises(RunStopped, match="told to close, coil 0 reads back open"):
        do_run(tmp_path, plan, profile, bench)
    assert lamp_power_w(bench) < 5.0


# The proof


def test_a_relay_that_stays_closed_is_not_proved_and_is_opened(tmp_path):
    profile, bench = relay_bench(tmp_path, CoilRelay(timeout_s=25.0))
    with pytest.raises(NotProved, match=r"still closed 20 s after the last word"):
        prove(tmp_path, profile, bench)
    assert not bench_relay_is_closed(bench)
    assert not (tmp_path / "lab").exists()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_proof_that_is_ended_by_a_signal_opens_the_relay(tmp_path, monkeypatch, number):
    profile, bench = relay_bench(tmp_path)
    closed = []

    def end():
        closed.append(bench_relay_is_closed(bench))
        os.kill(os.getpid(), number)

    before = [signal.getsignal(one) for one in (signal.SIGTERM, signal.SIGHUP)]
    # A job in the background is started with Ctrl-C ignored.
    interrupts = signal.signal(signal.SIGINT, signal.default_int_handler)
    bench.clock.call_at(25.0, end)  # the person takes 20 s to isolate the circuit
    monkeypatch.setattr(check_relay, "build", lambda profile, device: bench)
    proving = check_relay.prove(
        profile, tmp_path / "lab", Console(), clock=bench.clock, open_line=None
    )
    try:
        with pytest.raises(KeyboardInterrupt):
            list(proving)
    finally:
        signal.signal(signal.SIGINT, interrupts)
    assert closed == [True]
    assert not bench_relay_is_closed(bench)
    assert not (tmp_path / "lab").exists()
    assert [signal.getsignal(one) for one in (signal.SIGTERM, signal.SIGHUP)] == before


@pytest.mark.parametrize("relay", [CoilRelay(), CoilRelay(heeds="write"), BlinkedRelay()])
def test_the_lamp_stays_dark_in_a_proof(tmp_path, relay):
    profile, bench = relay_bench(tmp_path, relay)
    prove(tmp_path, profile, bench)
    end_s = bench.clock.elapsed_s()
    assert end_s > 20.0
    assert bench.virtual.truth.wall_power_w(0.0, end_s) < 1.0
    assert (
        lamp_records.why_not_proved(tmp_path / "lab", profile.lamp_relay, bench.clock.utc()) == ""
    )


def test_a_circuit_that_is_not_isolated_is_opened_at_once(tmp_path):
    _profile, bench = relay_bench(tmp_path)

    class Careless(VirtualPerson):
        def ask(self, prompt):
            self._answer = prompt.choices[0]

    with pytest.raises(NotProved, match=r"\d+\.\d W with the relay closed.*NOT isolated"):
        prove_opening(
            bench.instruments.lamp_relay,
            bench.clock,
            Careless(bench, "Reflector A"),
            power_meter=bench.instruments.power_meter,
        )
    assert not bench_relay_is_closed(bench)
    assert bench.clock.elapsed_s() < 10.0


@pytest.mark.parametrize(
    ("answers", "proved"), [("yes yes", True), ("no", False), ("yes no", False)]
)
def test_without_read_back_a_person_looks(tmp_path, answers, proved):
    _profile, bench = relay_bench(tmp_path, BlinkedRelay(read_back="none"))
    left = ["isolated", *answers.split()]

    class Looking(VirtualPerson):
        def ask(self, prompt):
            self._answer = left.pop(0)
            assert self._answer in prompt.choices

    def go():
        return prove_opening(
            bench.instruments.lamp_relay, bench.clock, Looking(bench, "Reflector A")
        )

    if proved:
        assert go().seen_by == "operator"
    else:
        with pytest.raises(NotProved, match="not seen to be"):
            go()
    assert not bench_relay_is_closed(bench)


def test_an_operator_who_stops_proves_nothing_and_closes_nothing(tmp_path):
    _profile, bench = relay_bench(tmp_path)

    class Stopping(VirtualPerson):
        def ask(self, prompt):
            self._answer = "stop"

    with pytest.raises(NotProved, match="stopped by the operator"):
        prove_opening(bench.instruments.lamp_relay, bench.clock, Stopping(bench, "Reflector A"))
    assert bench.instruments.lamp_relay.lines[0].events == deque()


# The thermometer


def test_temperature_is_recorded_every_few_seconds(tmp_path):
    plan = plan_of(tmp_path, **BRIEF)
    profile, bench = relay_bench(tmp_path, thermometer=ModbusThermometer())
    run = run_folder.load(do_run(tmp_path, plan, profile, bench))
    rows = run.readings[run.readings.quantity == "temperature_c"]
    assert set(rows.instrument) == {"thermometer"}
    assert rows.elapsed_s.diff().dropna().between(4.0, 6.5).all()
    assert 25.0 <= rows.value.min() < rows.value.max() < 70.0


def test_above_its_limit_the_run_stops_and_the_lamp_goes_off(tmp_path):
    plan, profile, bench = armed_run(
        tmp_path, bench_keys={"thermometer": ModbusThermometer(highest_c=30.0)}
    )
    with pytest.raises(RunStopped, match=r"hazard: thermometer \(reflector\): 30\.\d °C"):
        do_run(tmp_path, plan, profile, bench)
    assert lamp_power_w(bench) < 5.0


def test_a_probe_without_a_value_is_not_taken_for_a_cool_one(tmp_path):
    plan = plan_of(tmp_path, **BRIEF)
    broken = Fault(kind="value", at_exchange=20, exchanges=math.inf, value=math.nan)
    profile, bench = relay_bench(tmp_path, thermometer=ModbusThermometer(faults=(broken,)))
    with pytest.raises(RunStopped, match="no value in 3 measurements in a row"):
        do_run(tmp_path, plan, profile, bench)
