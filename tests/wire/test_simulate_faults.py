"""Scripted faults over real ports: lost and back as another device, garbled, held back."""

import os
import signal

import pytest
import tomli_w

from drivers.clock import SystemClock
from drivers.errors import GarbledReply, PortLost
from rig import cli
from rig.build import build
from rig.profile import read_profile
from tests.wire.test_simulate_command import finished, measured, opened, simulated

pytestmark = pytest.mark.wire


def script(folder, **content):
    path = folder / "faults.toml"
    path.write_text(tomli_w.dumps({"format": 1, **content}))
    return path


def test_port_that_comes_back_under_another_name_is_found_by_its_lasting_name(tmp_path):
    faults = script(
        tmp_path, port_losses=[{"port": "power_meter", "lost_after_s": 1.0, "back_after_s": 0.5}]
    )
    with simulated("--out", tmp_path, "--instruments", faults) as child:
        child.hear("The lamp is off.")
        clock = SystemClock()
        profile = read_profile(tmp_path / "rig.toml")
        link = tmp_path / "ports" / "power_meter"
        before = os.readlink(link)
        made = opened(profile, clock)
        meter = made["power_meter"]
        measured(clock, meter)
        child.hear("port of power_meter lost")
        # Whoever has it open is told what to do, now and at every later try.
        for _ in range(2):
            with pytest.raises(PortLost, match="the port is gone"):
                measured(clock, meter)
        child.hear("port of power_meter back, as ")
        with pytest.raises(PortLost):  # nothing is taken up again by itself
            measured(clock, meter)
        meter.close()
        assert os.readlink(link) != before
        for instrument in made.values():
            instrument.close()
        again = opened(profile, clock)
        assert measured(clock, again["power_meter"])["line_voltage_v"] > 200.0
        for instrument in again.values():
            instrument.close()
        assert child.end(signal.SIGTERM) == 0
    assert not (tmp_path / "ports").exists()


def test_a_port_that_came_back_is_opened_anew_for_the_instrument_on_it(tmp_path):
    faults = script(
        tmp_path, port_losses=[{"port": "power_meter", "lost_after_s": 1.0, "back_after_s": 0.5}]
    )
    with simulated("--out", tmp_path, "--instruments", faults) as child:
        child.hear("The lamp is off.")
        bench = build(read_profile(tmp_path / "rig.toml"), "Brook")
        clock, meter = bench.clock, bench.instruments.power_meter
        measured(clock, meter)
        child.hear("port of power_meter lost")
        with pytest.raises(PortLost):
            measured(clock, meter)
        child.hear("port of power_meter back, as ")
        back_s = clock.elapsed_s()
        bench.instruments.reopen("power_meter")
        assert measured(clock, meter)["line_voltage_v"] > 200.0
        assert clock.elapsed_s() - back_s < 2.0
        bench.close()
        assert child.end(signal.SIGTERM) == 0


def test_port_that_does_not_come_back_leaves_no_name_behind(tmp_path):
    faults = script(tmp_path, port_losses=[{"port": "stage", "lost_after_s": 0.2}])
    with simulated("--out", tmp_path, "--instruments", faults) as child:
        child.hear("The lamp is off.")
        clock = SystemClock()
        made = opened(read_profile(tmp_path / "rig.toml"), clock)
        child.hear("port of stage lost")
        assert not (tmp_path / "ports" / "stage").is_symlink()
        with pytest.raises(PortLost):
            finished(clock, made["stage"], made["stage"].start_home, made["stage"].poll)
        for instrument in made.values():
            instrument.close()
        assert child.end(signal.SIGTERM) == 0


def test_faults_of_a_file_are_played_on_the_wire(tmp_path):
    faults = script(
        tmp_path,
        light_sensor={"faults": [{"kind": "garble", "at_exchange": 1, "at_byte": 2}]},
        power_meter={"faults": [{"kind": "truncate", "at_exchange": 1, "keep_bytes": 7}]},
        mains_dips=[{"at_s": 0.0, "depth": 0.5, "duration_s": 3600.0}],
    )
    with simulated("--out", tmp_path, "--instruments", faults) as child:
        child.hear("The lamp is off.")
        clock = SystemClock()
        made = opened(read_profile(tmp_path / "rig.toml"), clock)
        assert measured(clock, made["light_sensor"])["ppfd_umol_m2_s"] < 5.0
        assert made["light_sensor"].retries == 1
        with pytest.raises(GarbledReply):
            measured(clock, made["power_meter"])
        assert measured(clock, made["power_meter"])["line_voltage_v"] == pytest.approx(
            114.5, rel=0.05
        )
        for instrument in made.values():
            instrument.close()
        child.end()


def test_what_is_wrong_with_the_file_is_one_message_and_exit_code_2(tmp_path, capsys):
    faults = script(tmp_path, stage={"faults": [{"kind": "explode", "at_exchange": 1}]})
    words = ["simulate", "--out", str(tmp_path / "bench"), "--instruments", str(faults)]
    assert cli.main(words) == 2
    told = capsys.readouterr().err
    assert "stage.faults: fault kind 'explode' at exchange 1 is not known" in told
    assert "banner" in told
