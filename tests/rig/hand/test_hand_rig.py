"""A rig with a person for a stage, in profile, check and estimate."""

from __future__ import annotations

from pathlib import Path

import attrs
import pytest
from rich.console import Console

from drivers.clock import VirtualClock
from rig import bench_lock
from rig.build import build
from rig.check import Surroundings, Wanted, check_command
from rig.cli import main
from rig.estimate import TYPING_S, estimate
from rig.plan import read_plan
from rig.profile import cross_check, read_profile
from rig.run import describe_instruments
from rig.safety import cautions_text
from tests.rig.hand.hand_run import METER, SENSOR, plan_by_hand, rig_by_hand

HARDWARE = Path(__file__).parents[3] / "hardware"


def test_the_example_is_sound_and_fits_the_example_of_a_plan():
    profile = read_profile(HARDWARE / "example-hand-rig.toml")
    assert profile.is_by_hand
    plan = read_plan(HARDWARE / "example-plan.toml")
    by_hand = attrs.evolve(plan, lamp=attrs.evolve(plan.lamp, switching="hand", armed=False))
    assert cross_check(by_hand, profile) == []


def test_nothing_can_be_built_without_somebody_to_ask():
    profile = read_profile(HARDWARE / "example-hand-rig.toml")
    with pytest.raises(ValueError, match="there must be a desk"):
        build(profile, "Reflector A")


def test_an_instrument_served_by_hand_is_known_by_its_serial_number_alone(tmp_path):
    sensor = {"kind": "keyed", "serial_number": "H-7"}
    light, power, stage = describe_instruments(rig_by_hand(tmp_path, light_sensor=sensor))
    assert light["serial_number"] == "H-7"
    assert (light["kind"], power["kind"], stage["kind"]) == ("keyed", "keyed-power-meter", "manual")
    # Two displays that nobody named are not one and the same.
    assert power["port"] is None
    assert power["serial_number"] is None


def test_two_rigs_by_hand_do_not_lock_each_other_out(tmp_path):
    folders = [tmp_path / name for name in ("a", "b")]
    for folder in folders:
        folder.mkdir()
    profiles = [rig_by_hand(folder) for folder in folders]
    files = {bench_lock.lock_file(profile, tmp_path) for profile in profiles}
    assert len(files) == 2


def test_check_asks_nobody_and_says_so(tmp_path):
    plan_by_hand(tmp_path)
    rig_by_hand(tmp_path)
    console = Console(width=120, record=True, highlight=False)
    around = Surroundings(clock=VirtualClock(), ports=lambda: ())
    wanted = Wanted(plan=tmp_path / "plan.toml", rig=tmp_path / "rig.toml", lab=tmp_path / "lab")
    assert check_command(wanted, console, around) == 0
    shown = console.export_text()
    assert shown.count("served by hand; nothing to ask") == 3
    assert "A person takes 15 s for a point" in shown
    assert "stage homes" not in shown


def map_s(plan, profile) -> float:
    (step,) = [s for s in estimate(plan, profile).steps if s.what.startswith("map of")]
    return step.duration_s


def test_a_map_by_hand_takes_what_a_person_takes_for_its_points(tmp_path):
    profile = rig_by_hand(tmp_path)
    one = plan_by_hand(tmp_path)
    # 9 points, and the reference point before, after 4 and 8 of them, and after.
    assert map_s(one, profile) == pytest.approx(13 * 15.0)
    two = plan_by_hand(tmp_path, sampling={"samples_per_point": 2})
    assert map_s(two, profile) - map_s(one, profile) == pytest.approx(13 * TYPING_S)


def test_a_sensor_on_a_port_adds_stepping_back_and_holding_still(tmp_path):
    plan = plan_by_hand(tmp_path)
    profile = rig_by_hand(tmp_path, light_sensor=SENSOR, power_meter=METER)
    # Twice the sensor is where it has to be. At all: step back, settle, hold still, one reading
    # of 1 s with 0.3 s for the asking.
    assert map_s(plan, profile) == pytest.approx(11 * 15.0 + 13 * (5.0 + 1.0 + 3.0 + 1.3))


def test_the_cautions_speak_of_reaching_in_and_not_of_moving_axes():
    shown = cautions_text("high-pressure sodium", by_hand=True)
    assert "Reaching in" in shown
    assert "Moving axes" not in shown
    assert "Moving axes" in cautions_text("high-pressure sodium")


def test_new_writes_a_rig_by_hand_with_one_reading_a_point(tmp_path, capsys):
    words = [
        "new", "--out", str(tmp_path), "--yes", "--stage", "manual", "--light-sensor", "keyed",
        "--power-meter", "keyed", "--device", "R", "--lamp-kind", "LED", "--lamp-power-w", "400",
        "--width-mm", "1000", "--rows", "5", "--mounting-height-mm", "400",
    ]  # fmt: skip
    assert main(words) == 0
    plan, profile = read_plan(tmp_path / "plan.toml"), read_profile(tmp_path / "rig.toml")
    assert profile.is_by_hand
    assert profile.power_meter.kind == "keyed-power-meter"
    assert plan.sampling.samples_per_point == 1
    assert cross_check(plan, profile) == []
    capsys.readouterr()
