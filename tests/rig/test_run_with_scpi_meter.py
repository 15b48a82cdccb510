"""A whole run on the virtual bench with a SCPI power analyser in place of the usual meter."""

from attrs import evolve

from analysis.run_folder import load
from drivers.simulated.attach import usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.peer import Fault
from drivers.simulated.scenario import packaged
from drivers.simulated.scpi_meter import ScpiMeter
from tests.rig.bench_run import bench_of, do_run, plan_of


def instruments_with(meter):
    return evolve(
        usual_instruments(VirtualBench.from_scenario(packaged("demo"))), power_meter=meter
    )


def test_a_run_is_read_through_scpi_and_gets_over_faults(tmp_path):
    faults = (
        Fault(kind="drop", at_exchange=40),
        Fault(kind="garble", at_exchange=81),
        Fault(kind="error", at_exchange=120, code=-222),
        Fault(kind="double", at_exchange=160),
    )
    profile, bench = bench_of(tmp_path, instruments=instruments_with(ScpiMeter(faults=faults)))
    assert profile.power_meter.kind == "scpi-power-meter"
    plan = plan_of(tmp_path)
    run = load(do_run(tmp_path, plan, profile, bench))
    power = run.readings[run.readings["quantity"] == "wall_power_w"]
    good = power[power["status"] == "ok"]["value"]
    assert len(good) > 500
    assert good.between(-1.0, 700.0).all()
    assert good.max() > 400.0
    told = " ".join(run.events[run.events["event"] == "fault"]["detail"])
    assert "no reply" in told
    assert "garbled reply" in told
    assert "Data out of range" in told
