"""The relay lights the lamp when armed, and every way out of a run leaves the lamp dark."""

from __future__ import annotations

import pytest
from attrs import evolve

from analysis import run_folder
from drivers.simulated.attach import usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.lamp_relay import BlinkedRelay, CoilRelay
from drivers.simulated.scenario import packaged
from rig import lamp_records
from rig.demo.person import VirtualPerson
from rig.lamp import prove_opening
from tests.rig.bench_run import bench_of, do_run, plan_of

ARMED = {"switching": "relay", "armed": True}


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
    now_s = bench.clock.elapsed_s()
    return bench.virtual.truth.wall_power_w(now_s)


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
    plan = plan_of(tmp_path, lamp=ARMED)
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
