"""Each thing that can go wrong on a bench ends the run in one clear line, with the data kept.

The faults are played by the simulated far ends on the wire, so the real drivers meet real bytes.
"""

from __future__ import annotations

import math

import pytest
from attrs import evolve

from analysis import run_folder
from drivers.simulated.attach import usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.peer import Fault
from rig.faults import RunStopped
from tests.rig.bench_run import bench_of, do_run, plan_of

FOREVER = math.inf


def with_faults(section: str, *faults: Fault):
    bench = VirtualBench.from_scenario(_demo())
    instruments = usual_instruments(bench)
    return evolve(instruments, **{section: evolve(getattr(instruments, section), faults=faults)})


def _demo():
    from importlib.resources import files

    return str(files("drivers.simulated.scenarios").joinpath("demo.toml"))


def stopped_run(folder, instruments, **sections):
    plan = plan_of(folder, **sections)
    profile, bench = bench_of(folder, instruments=instruments)
    with pytest.raises(RunStopped) as stopped:
        do_run(folder, plan, profile, bench)
    assert "\n" not in stopped.value.reason
    run = run_folder.load(stopped.value.folder)
    assert run.damage == ()
    last = run.events.iloc[-1]
    assert last.event == "stopped"
    assert last.detail == stopped.value.reason
    return stopped.value, run


def test_a_single_lost_reply_is_retried_and_the_run_goes_on(tmp_path):
    lost = Fault(kind="drop", at_exchange=60, exchanges=3)
    plan = plan_of(tmp_path)
    profile, bench = bench_of(tmp_path, instruments=with_faults("light_sensor", lost))
    run = run_folder.load(do_run(tmp_path, plan, profile, bench))
    assert run.events.event.iloc[-1] == "run-ended"


def test_a_silent_light_sensor_stops_the_run_with_its_name_and_its_tries(tmp_path):
    silent = Fault(kind="drop", at_exchange=60, exchanges=FOREVER)
    stopped, run = stopped_run(tmp_path, with_faults("light_sensor", silent))
    assert stopped.exit_code == 1
    assert stopped.reason.startswith("measurement fault: light sensor, bench:light_sensor")
    assert "4 tries" in stopped.reason
    failed = run.readings[run.readings.status == "failed"]
    assert len(failed) == 4
    assert failed.value.isna().all()


def test_a_garbled_light_sensor_stops_the_run_and_the_bytes_are_kept(tmp_path):
    garbled = Fault(kind="garble", at_exchange=60, exchanges=FOREVER)
    stopped, run = stopped_run(tmp_path, with_faults("light_sensor", garbled))
    assert stopped.exit_code == 1
    assert "light sensor" in stopped.reason
    failed = run.readings[run.readings.status == "failed"]
    assert (failed.raw.str.len() > 0).any()


def test_a_light_sensor_that_answers_out_of_range_stops_the_run_with_the_value(tmp_path):
    absurd = Fault(kind="value", at_exchange=60, exchanges=FOREVER, value=54321.0)
    stopped, run = stopped_run(tmp_path, with_faults("light_sensor", absurd))
    assert "54321" in stopped.reason
    assert "allowed -20 to 10000" in stopped.reason
    kept = run.readings[run.readings.status == "implausible"]
    assert set(kept.value) == {54321.0}


def test_a_light_sensor_that_says_it_has_no_value_stops_the_run_and_nothing_is_invented(tmp_path):
    none = Fault(kind="no-value", at_exchange=60, exchanges=FOREVER)
    stopped, run = stopped_run(tmp_path, with_faults("light_sensor", none))
    assert stopped.exit_code == 1
    assert "light sensor" in stopped.reason
    without = run.readings[run.readings.status.isin(["missing", "failed"])]
    assert len(without) >= 3
    assert without.value.isna().all()


def test_a_stuck_light_sensor_is_found_when_the_lamp_is_lit(tmp_path):
    stuck = Fault(kind="value", at_exchange=1, exchanges=FOREVER, value=0.4)
    stopped, run = stopped_run(tmp_path, with_faults("light_sensor", stuck))
    assert "stuck" in stopped.reason
    assert "0.4" in stopped.reason
    assert "lamp-stable" not in set(run.events.event)


def test_a_sensor_that_sticks_during_the_map_is_found_across_the_gradient(tmp_path):
    plan = plan_of(tmp_path)
    profile, bench = bench_of(tmp_path)
    whole = run_folder.load(do_run(tmp_path, plan, profile, bench)).readings
    light = whole[whole.instrument == "light_sensor"].reset_index()
    first = light.index[light.role == "grid"][0]
    # Each reading is two exchanges: the measurement and its data. Identity was one before.
    stuck = Fault(kind="value", at_exchange=2 * int(first), exchanges=FOREVER, value=612.3)
    folder = tmp_path / "stuck"
    folder.mkdir()
    stopped, _ = stopped_run(
        folder, with_faults("light_sensor", stuck), sampling={"reference_every": 20}
    )
    assert "stuck sensor" in stopped.reason
    assert "612.3" in stopped.reason


def test_equal_values_under_a_steady_lamp_do_not_mean_stuck(tmp_path):
    plan = plan_of(tmp_path)
    # A sensor without noise, rounding to 50, parked under a steady lamp: the warm-up alone gives
    # hundreds of equal values, and the run goes on.
    coarse = {
        "noise_percent": 0.0,
        "noise_floor_umol_m2_s": 0.0,
        "wander_percent": 0.0,
        "step_umol_m2_s": 50.0,
    }
    profile, bench = bench_of(tmp_path, errors={"light_sensor": coarse})
    run = run_folder.load(do_run(tmp_path, plan, profile, bench))
    warm = run.readings[
        (run.readings.role == "warm-up") & (run.readings.instrument == "light_sensor")
    ]
    assert warm.value.tail(20).nunique() == 1
    assert run.events.event.iloc[-1] == "run-ended"


def test_an_absent_wattmeter_is_found_before_anything_moves(tmp_path):
    absent = Fault(kind="drop", at_exchange=1, exchanges=FOREVER)
    stopped, run = stopped_run(tmp_path, with_faults("power_meter", absent))
    assert "wattmeter, bench:power_meter" in stopped.reason
    assert "homed" not in set(run.events.event)
    assert "lamp-lit" not in set(run.events.event)


def test_a_wattmeter_lost_in_the_middle_stops_the_run_and_keeps_what_was_read(tmp_path):
    lost = Fault(kind="drop", at_exchange=900, exchanges=FOREVER)
    stopped, run = stopped_run(tmp_path, with_faults("power_meter", lost))
    assert "wattmeter" in stopped.reason
    assert len(run.readings[run.readings.quantity == "wall_power_w"]) > 500


def test_a_wattmeter_that_answers_with_an_exception_code_is_named_with_the_code(tmp_path):
    fault = Fault(kind="exception", at_exchange=200, exchanges=FOREVER, code=4)
    stopped, _ = stopped_run(tmp_path, with_faults("power_meter", fault))
    assert "wattmeter" in stopped.reason
    assert "4" in stopped.reason


def test_a_stage_in_alarm_stops_the_run_and_is_never_unlocked(tmp_path):
    alarm = Fault(kind="alarm", at_exchange=40, code=1)
    stopped, run = stopped_run(tmp_path, with_faults("stage", alarm))
    assert stopped.reason.startswith("motion fault: stage")
    assert stopped.exit_code == 1
    assert list(run.events.event).count("homed") <= 1


def test_a_stage_that_refuses_a_move_stops_the_run(tmp_path):
    refused = Fault(kind="error", at_exchange=40, exchanges=FOREVER, code=15)
    stopped, _ = stopped_run(tmp_path, with_faults("stage", refused))
    assert stopped.reason.startswith("motion fault: stage")
    assert "15" in stopped.reason


def test_a_lamp_that_goes_out_on_a_dip_stops_the_run_as_a_hazard(tmp_path):
    plan = plan_of(tmp_path)
    profile, bench = bench_of(tmp_path)
    whole = run_folder.load(do_run(tmp_path, plan, profile, bench))
    begun_s = float(whole.events[whole.events.event == "map-begun"].elapsed_s.iloc[0])
    folder = tmp_path / "dip"
    folder.mkdir()
    plan = plan_of(folder)
    dip = {"at_s": begun_s + 20.0, "duration_s": 0.3, "depth": 0.6}
    profile, bench = bench_of(
        folder,
        scenario={"mains": {"sags": [dip]}},
    )
    with pytest.raises(RunStopped) as stopped:
        do_run(folder, plan, profile, bench)
    assert stopped.value.reason.startswith("hazard: wall power fell from ")
    assert "restrike" in stopped.value.reason
    run = run_folder.load(stopped.value.folder)
    assert "map-begun" in set(run.events.event)
    assert "map-ended" not in set(run.events.event)


def test_a_lamp_that_never_strikes_is_told_from_a_stuck_sensor(tmp_path):
    class Idle:
        """Answers, but lights nothing."""

        def __init__(self, clock):
            self._clock, self._answer = clock, None

        def ask(self, prompt):
            def do():
                self._answer = prompt.choices[0]

            self._clock.call_at(self._clock.elapsed_s() + 5.0, do)

        def answer(self):
            answer, self._answer = self._answer, None
            return answer

        def fileno(self):
            return None

        def readable(self):
            return self._answer is not None

    plan = plan_of(tmp_path)
    profile, bench = bench_of(tmp_path)
    with pytest.raises(RunStopped, match="did not strike"):
        do_run(tmp_path, plan, profile, bench, operator=Idle(bench.clock))


def test_a_stop_at_a_prompt_ends_the_run_with_the_exit_code_of_a_stop(tmp_path):
    class Unwilling:
        def ask(self, prompt):
            self.asked = prompt

        def answer(self):
            return "stop"

        def fileno(self):
            return None

        def readable(self):
            return True

    plan = plan_of(tmp_path)
    profile, bench = bench_of(tmp_path)
    with pytest.raises(RunStopped) as stopped:
        do_run(tmp_path, plan, profile, bench, operator=Unwilling())
    assert stopped.value.exit_code == 130


def test_a_stop_by_signal_stops_the_stage_and_keeps_everything(tmp_path):
    plan = plan_of(tmp_path)
    profile, bench = bench_of(tmp_path)

    class Late:
        reason = None

        def fileno(self):
            return None

        def readable(self):
            return self.reason is not None

    stop = Late()

    def ask_to_stop():
        stop.reason = "stopped by the operator (SIGTERM)"

    bench.clock.call_at(300.0, ask_to_stop)
    with pytest.raises(RunStopped, match="SIGTERM") as stopped:
        do_run(tmp_path, plan, profile, bench, stop=stop)
    assert stopped.value.exit_code == 130
    run = run_folder.load(stopped.value.folder)
    assert run.events.event.iloc[-1] == "stopped"
    assert not bench.virtual.gantry.is_moving(bench.clock.elapsed_s() + 1.0)
